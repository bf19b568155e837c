"""``entrypoint rehearse --score``: what it prints, writes and refuses; and the session's schema."""

from __future__ import annotations

import csv
import json

import numpy as np
import pytest

from entrypoint.cli.app import main
from entrypoint.planning.model import CAVEAT
from entrypoint.rehearsal import heads as heads_module
from tests.conftest import SAMPLES
from tests.rehearsal.conftest import staged


@pytest.fixture
def run(capsys, monkeypatch):
    """The command, with heads of the ladder that are on stage already."""
    monkeypatch.setattr(heads_module, "stage_head", lambda key, *, cache=None: staged(key))

    def call(*arguments):
        code = main([str(a) for a in arguments])
        said = capsys.readouterr()
        assert "Traceback" not in said.out + said.err
        return code, said.out, said.err

    return call


@pytest.fixture(scope="module")
def marks(tmp_path_factory):
    """Five people on both sides of the adult, and one beside the head."""
    head = staged("ladder:adult")
    lines = ["# coordinate_space: RAS", "# unit: mm", "# head: ladder:adult",
             "person,side,mark,x,y,z,stop_mm,seat,sensor_depth_mm,decision"]  # fmt: skip
    rng = np.random.default_rng(6)

    def row(person, side, mark, point, typed=",,,"):
        x, y, z = point
        lines.append(f"{person},{side},{mark},{x:.2f},{y:.2f},{z:.2f},{typed}")

    for k, side in enumerate(("right", "right", "right", "right", "left")):
        planned, entry = head.plan.sides[side], head.parts.sites[side].entry
        at = planned.scalp_entry_mm + rng.normal(0, 3) * entry.unit_along
        at = at + rng.normal(0, 3) * entry.unit_across
        row(f"P{k}", side, "nasion", head.parts.head.nasion_skin_mm)
        row(f"P{k}", side, "by-eye", at + 5.0 * entry.unit_along)
        row(f"P{k}", side, "entry", at, "5,bone,21,go")
        row(f"P{k}", side, "along", at + 30.0 * planned.unit_inward)
    row("=off()", "right", "entry", (0.0, 0.0, 400.0))
    path = tmp_path_factory.mktemp("marks") / "marks.csv"
    path.write_text("\n".join(lines) + "\n")
    return path


def test_text_table_record_and_pictures(run, marks, tmp_path):
    out_csv, out_json, plot = (tmp_path / n for n in ("s.csv", "s.json", "m.svg"))
    code, out, err = run("rehearse", "--score", marks, "--side", "right", "--stop-seats-on",
                         "bone", "--csv", out_csv, "--json", out_json, "--plot", plot)  # fmt: skip
    assert (code, err) == (0, "")
    said = " ".join(out.split())
    assert said.startswith(CAVEAT)
    assert said.endswith(CAVEAT)
    assert "PRACTICE HEAD, NOT A PATIENT" in said
    assert "no palpation" in said
    assert "never summed" in said
    assert "Not scored. Entry: the point lies away from the skin" in said
    assert "Judgement: FAILS, whatever the millimetres" in said  # P4 marked the other side
    assert "Bias (their mean)" in said
    rows = list(csv.DictReader(
        line for line in out_csv.read_text().splitlines() if not line.startswith("#")
    ))  # fmt: skip
    assert [r["person"] for r in rows] == ["P0", "P1", "P2", "P3", "P4", "'=off()"]
    assert rows[4]["fails"] == "wrong side"
    assert rows[5]["refused"]
    assert rows[5]["entry_mm"] == ""
    record = json.loads(out_json.read_text(encoding="utf-8"))
    assert record["caveat"] == CAVEAT
    assert record["spread"]["right"]["n"] == 4
    for r, a in zip(rows[:5], record["attempts"], strict=False):
        assert float(r["entry_mm"]) == pytest.approx(
            a["score"]["hand"]["entry"]["along_scalp_mm"], abs=1e-3
        )
    for side, dots in (("right", 4), ("left", 1)):
        svg = (tmp_path / f"m-{side}.svg").read_text(encoding="utf-8")
        assert "For planning and teaching only" in svg
        assert "PRACTICE HEAD, NOT A PATIENT" in svg
        assert f"PATIENT'S {side.upper()}" in svg
        for name in ("entry", "by-eye", "median", "true"):
            assert f'id="{name}"' in svg
        assert ('id="ellipse"' in svg) == (dots >= 3)
        assert "95 % ellipse" in svg or dots < 3
    assert not plot.exists()


def test_a_png_and_the_same_bytes_again(run, marks, tmp_path):
    one, two = tmp_path / "a.png", tmp_path / "b.png"
    only = tmp_path / "right.csv"
    only.write_text("\n".join(
        line for line in marks.read_text(encoding="utf-8").splitlines() if ",left," not in line
    ))  # fmt: skip
    for target in (one, two):
        assert run("rehearse", "--score", only, "--plot", target)[0] == 0
    assert one.read_bytes()[:4] == b"\x89PNG"
    assert one.read_bytes() == two.read_bytes()


def test_against_a_volume(run, marks, tmp_path):
    """On a scan of one's own the head's name is a code, and no path is told."""
    text = marks.read_text(encoding="utf-8").replace("# head: ladder:adult\n", "")
    truth = json.loads((SAMPLES / "adult.truth.json").read_text(encoding="utf-8"))
    x, y, z = truth["sides"]["right"]["scalp_entry_mm"]
    lines = [*text.splitlines()[:3], f"A,right,entry,{x},{y},{z},,,,"]
    path = tmp_path / "own.csv"
    path.write_text("\n".join(lines))
    code, out, _ = run("rehearse", "--score", path, "--volume", SAMPLES / "adult.nii.gz",
                       "--json", "-")  # fmt: skip
    assert code == 0
    record = json.loads(out)
    assert record["head"]["key"].startswith("volume:")
    assert "adult.nii" not in out
    assert str(SAMPLES) not in out
    hand = record["attempts"][0]["score"]["hand"]
    assert hand["entry"]["along_scalp_mm"] < 0.5  # the phantom's own answer
    assert hand["nasion"] is None
    assert record["attempts"][0]["score"]["judgement"]["verdict"] == "not given"


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["--head", "ladder:adult"], 2, "with --score alone"),
        (["--csv", "x.csv"], 2, "with --score alone"),
        (["--score", "none.csv"], 3, "no such file"),
        (["--score", "MARKS", "--session", "x.json"], 2, "not used with --score"),
        (["--score", "MARKS", "--side", "up"], 2, "neither right nor left"),
        (["--score", "MARKS", "--plot", "x.gif"], 2, "ends in none of"),
        (["--score", "MARKS", "--head", "ladder:small"], 3, "--head says"),
        (["--score", "MARKS", "--head", "ladder:adult", "--volume", "x"], 2, "one of --head"),
        (["--score", "MARKS", "--csv", "MARKS"], 3, "over the input"),
        (["--score", "MARKS", "--csv", "/nowhere/x.csv"], 3, "folder does not exist"),
        (["--session", "none.json"], 3, "no such file"),
        (["--people", "0"], 2, "people"),
        (["--port", "70000"], 2, "port"),
    ],
)
def test_what_is_refused(run, marks, monkeypatch, tmp_path, words, code, said):
    monkeypatch.chdir(tmp_path)
    got, out, err = run("rehearse", *(str(marks) if w == "MARKS" else w for w in words))
    assert (got, out) == (code, "")
    assert said in err


def test_without_a_head_it_asks_for_one_and_with_no_score_it_says_so(run, marks, tmp_path):
    path = tmp_path / "m.csv"
    lines = [
        line
        for line in marks.read_text(encoding="utf-8").splitlines()
        if not line.startswith("# head")
    ]
    path.write_text("\n".join(lines))
    code, _, err = run("rehearse", "--score", path)
    assert code == 2
    assert "on which head" in err
    path.write_text("\n".join([*lines[:3], "A,right,entry,0,0,400,,,,"]))
    code, out, _ = run("rehearse", "--score", path, "--head", "ladder:adult")
    assert code == 3
    assert "Not scored" in out


def test_the_schema_of_a_session(run):
    code, out, _ = run("schema", "session")
    assert code == 0
    assert json.loads(out)["title"] == "entrypoint.session"
