"""What the page's server answers: turns, sessions, what is hidden, and what is kept once."""

from __future__ import annotations

import base64
import dataclasses
import io
import json
import re
import struct

import numpy as np
import pytest

from entrypoint.figures.style import contrast_ratio
from entrypoint.rehearsal.app import STATIC, Exercise
from entrypoint.rehearsal.roster import Roster
from entrypoint.rehearsal.session import parse_session
from entrypoint.rehearsal.store import Store
from entrypoint.rehearsal.turns import StagedHead, Stages
from entrypoint.rehearsal.wire import mesh_bytes
from tests.rehearsal.page.raw import Page

SHOWN = {"numbers": True, "midline": False, "suture": False}
SESSION = {
    "record": "entrypoint.session", "version": 1, "title": "Week 3",
    "heads": [
        {"head": "ladder:adult", "side": "right", "seat": "scalp", "text": "Begin with this one."},
        {"head": "random:7", "side": "left"},
    ],
    "hidden": ["tape-numbers", "suture", "midline"], "time_limit_s": 300,
    "pass_marks": {"entry_mm": 5, "tilt_deg": 0.001},
}  # fmt: skip


class Ready(Stages):
    """One head for every key, made already."""

    def __init__(self, head):
        super().__init__(None)
        self.staged = StagedHead(head=head, mesh=mesh_bytes(head.points_mm, head.faces))

    def get(self, key):
        return self.staged


@pytest.fixture
def served(adult_head, tmp_path):
    pages = []

    def serve(session=None):
        store = Store(tmp_path / "kept.sqlite3")
        told = None if session is None else parse_session(json.dumps(session))
        exercise = Exercise(roster=Roster(2), store=store, stages=Ready(adult_head), session=told)
        pages.append(Page(exercise))
        return pages[-1]

    yield serve
    for page in pages:
        page.close()


def test_a_turn_from_head_to_reveal_is_kept_once(served, adult_head, perfect):
    page = served()
    turn = page.json("stage", {"key": "ladder:adult", "shown": SHOWN})
    assert turn["midline_mm"] is None
    assert turn["suture_mm"] is None
    assert not {"truth", "unit_inward", "plan"} & set(turn)

    mesh = page.ask(turn["mesh"])[2]
    points, faces = struct.unpack("<II", mesh[4:12])
    assert (mesh[:4], points, faces) == (b"EPM1", len(adult_head.points_mm), len(adult_head.faces))
    assert np.array_equal(
        np.frombuffer(mesh, "<f4", 3 * points, 12).reshape(-1, 3), adult_head.points_mm
    )
    near = [v + 1.5 for v in perfect["nasion_mm"]]
    skin = page.json("skin", {"turn": turn["turn"], "point_mm": near})["point_mm"]
    assert np.linalg.norm(np.subtract(skin, perfect["nasion_mm"])) < 3.0
    status, _, text = page.ask("skin", body={"turn": turn["turn"], "point_mm": [0, 0, 400]})
    assert status == 400
    assert "skin" in json.loads(text)["refused"]

    path = {k: perfect[k] for k in ("entry_mm", "unit_inward")}
    section = page.json("section", {"turn": turn["turn"], **path})
    from PIL import Image

    picture = Image.open(io.BytesIO(base64.b64decode(section["png"].split(",")[1])))
    assert np.asarray(picture.convert("L")).std() > 20.0
    skull = adult_head.plan.sides["right"].thickness.skull_mm
    told = float(re.search(r"skull ([\d.]+)", section["words"][0])[1])
    assert told == pytest.approx(skull, abs=0.15)
    assert "PRACTICE HEAD" in " ".join(section["words"])

    marks = {**perfect, "side": turn["side_asked"]}
    first = page.json("reveal", {"turn": turn["turn"], "marks": marks})
    again = page.json("reveal", {"turn": turn["turn"], "marks": {**marks, "decision": "stop"}})
    assert again == first, "a second press changes nothing"
    kept = json.loads(page.ask("export.json")[2])["attempts"]
    assert [a["number"] for a in kept] == [first["number"]]
    assert kept[0]["person"] == "Trainee 1"
    assert {p["name"] for p in first["truth"]["points"]} == {"nasion", "entry"}


def test_a_tape_hides_its_centimetres_where_the_level_says_so(served, adult_head, perfect):
    page = served()
    towards = adult_head.parts.sites["right"].entry.midline_point_mm.tolist()
    tapes = []
    for numbers in (True, False):
        turn = page.json("stage", {"key": "ladder:adult", "shown": {**SHOWN, "numbers": numbers}})
        asked = {"turn": turn["turn"], "kind": "midline", "nasion_mm": perfect["nasion_mm"]}
        tapes.append(page.json("tape", {**asked, "towards_mm": towards}))
    shown, bare = tapes
    assert shown["length_mm"] == pytest.approx(110.0, abs=0.3)
    assert [t["cm"] for t in shown["ticks"]][-2:] in ([9, 10], [10, 11])
    assert shown["words"].startswith("11 cm")
    assert (bare["ticks"], bare["words"]) == ([], "")
    assert bare["points"] == shown["points"]
    longer = page.json("tape", {**asked, "towards_mm": towards, "length_mm": 125.0})
    assert longer["length_mm"] == 125.0
    steps = np.linalg.norm(np.diff(longer["points"], axis=0), axis=1)
    assert steps.sum() == pytest.approx(125.0, abs=1.5)


def test_what_may_be_shown_is_shown_and_no_suture_that_no_finger_finds(served, monkeypatch):
    page = served()
    ask = {"key": "ladder:adult", "shown": {"numbers": True, "midline": True, "suture": True}}
    turn = page.json("stage", ask)
    assert len(turn["midline_mm"]) > 50
    assert len(turn["suture_mm"]) > 10
    ready = Ready.get
    monkeypatch.setattr(
        Ready, "get", lambda self, key: dataclasses.replace(
            ready(self, key), head=dataclasses.replace(ready(self, key).head, suture_felt=False)
        ),
    )  # fmt: skip
    turn = page.json("stage", ask)
    assert turn["suture_mm"] is None
    assert turn["suture_hidden"] is True


def test_a_cloth_covers_the_other_half_and_no_mark_that_is_asked_for(
    served, adult_head, perfect, monkeypatch
):
    page = served()
    draped = StagedHead(head=dataclasses.replace(adult_head, draped=True), mesh=b"")
    monkeypatch.setattr(Ready, "get", lambda self, key: draped)
    turn = page.json("stage", {"key": "ladder:turned", "shown": SHOWN})
    asked = turn["side_asked"]
    other = "left" if asked == "right" else "right"
    cloth = turn["drape"]

    def under(mm):
        return float(np.subtract(mm, cloth["point_mm"]) @ np.array(cloth["unit_normal"]))

    planned = adult_head.plan.sides
    assert under(planned[asked].scalp_entry_mm) < -20.0
    assert under(planned[other].scalp_entry_mm) > 0.0
    for bare in (perfect["nasion_mm"], adult_head.parts.sites[asked].entry.midline_point_mm):
        assert under(bare) < -10.0
    # Its edge tells nobody where the midline runs.
    tilt = np.degrees(np.arccos(abs(np.dot(
        cloth["unit_normal"], adult_head.parts.midsagittal.unit_normal
    ))))  # fmt: skip
    assert tilt > 5.0


def test_a_session_keeps_everyone_at_their_own_head(served, perfect):
    page = served(SESSION)
    state = page.json("state")["session"]
    assert state["heads"] == 2
    assert state["done"] == {}
    assert "the suture" in state["words"]
    turn = page.json("stage", {"person": " Kim  7"})
    assert turn["person"] == "Kim 7"
    assert (turn["side_asked"], turn["seat_asked"]) == ("right", "scalp")
    assert (turn["told"], turn["time_limit_s"]) == ("Begin with this one.", 300)
    assert turn["shown"]["numbers"] is False
    answer = page.json("reveal", {"turn": turn["turn"], "marks": perfect})
    assert "wrong seat" in answer["judgement"]["verdict"]
    assert "within the pass marks: entry" in answer["hand"]["verdict"]
    assert page.json("state")["session"]["done"] == {"Kim 7": 1}
    assert page.json("stage", {"person": "kim 7"})["side_asked"] == "left"
    assert page.json("stage", {"person": "Trainee 1"})["side_asked"] == "right"
    status, _, told = page.ask("stage", body={"person": "Somebody else"})
    assert status == 400
    assert b"very place is taken" in told
    assert page.json("state")["people"]["suggested"][:2] == ["Kim 7", "Trainee 1"]
    progress = page.json("progress?person=Kim%207")
    assert progress["pass_mm"] == 5
    assert len(progress["attempts"]) == 1
    assert page.json("progress?person=Trainee%201")["attempts"] == []


STYLE = (STATIC / "page.css").read_text(encoding="utf-8")
LIGHT, DARK = (dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", part))
               for part in STYLE.split("@media (prefers-color-scheme: dark)")[:2])  # fmt: skip


@pytest.mark.parametrize("colours", [LIGHT, {**LIGHT, **DARK}], ids=["light", "dark"])
def test_words_and_marks_stand_out_from_what_is_behind_them(colours):
    """WCAG 2.1, levels AA of 1.4.3 (text, 4.5) and 1.4.11 (what is not text, 3)."""
    assert len(DARK) > 12
    for ink in ("ink", "quiet"):
        for ground in ("paper", "sheet", "ground", "faint"):
            assert contrast_ratio(colours[ink], colours[ground]) >= 4.5, (ink, ground)
    assert contrast_ratio(colours["on-weight"], colours["weight"]) >= 4.5
    for line in ("rule", "own", "truth"):
        assert contrast_ratio(colours[line], colours["sheet"]) >= 3.0, line
    for mark in ("own", "truth", "tape", "aid", "drill", "cursor"):
        assert contrast_ratio(colours[f"head-{mark}"], colours["head-skin"]) >= 3.0, mark
