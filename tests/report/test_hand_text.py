"""Simulated placements in words, in the record, and from the command line."""

from __future__ import annotations

import dataclasses
import json
import re

import jsonschema
import pytest

from entrypoint import api
from entrypoint.cli.app import main
from entrypoint.errors import FieldRefused
from entrypoint.io.record import dumps, loads
from entrypoint.io.schema import schema
from entrypoint.planning.hand import with_hand
from entrypoint.planning.hand_model import HandMargin, HandOptions, HandSpreads
from entrypoint.planning.model import CAVEAT, Seat, Side
from entrypoint.report.document import Table
from entrypoint.report.hand_text import hand_blocks, of_simulated
from entrypoint.report.plain import render
from entrypoint.report.text import plan_document
from tests.planning.charts import sphere_chart, sphere_plan

SEATS = {None: "none", Seat.BONE: "bone", Seat.SCALP: "scalp"}
REASSURING = re.compile(r"\b(safe|safely|clear|ok|okay|fine)\b|[✓✔☑]", re.IGNORECASE)
WRONG = re.compile(r"\b(0|10,000) of 10,000|\b0 %|100 %")


def with_spread(seat, **spreads):
    plan = sphere_plan(seat=seat, skull=0.9, suture=2.0)
    options = HandOptions(spreads=dataclasses.replace(HandSpreads(), **spreads))
    return with_hand(plan, options, {Side.RIGHT: sphere_chart()})


PLANS = {name: with_spread(seat) for seat, name in SEATS.items()}


def flat(text):
    return " ".join(text.split())


@pytest.mark.parametrize("name", sorted(PLANS))
def test_what_the_text_holds(name):
    document = plan_document(PLANS[name])
    text = render(document)
    words = flat(text)
    assert words.startswith(CAVEAT)
    assert words.endswith(CAVEAT)
    assert "WITH A HAND: PATIENT'S RIGHT" in text
    assert "10,000 simulated placements, seed 1" in words
    assert "judgement without a source" in words
    assert max(len(line) for line in text.splitlines()) <= 80
    own = flat(render(tuple(hand_blocks(PLANS[name], Side.RIGHT))))
    assert not REASSURING.search(own)
    assert not WRONG.search(own)
    assert not re.search(r"\b(must|should|do not|advance|choose|move)\b", own)


@pytest.mark.parametrize("seat", list(Seat))
def test_no_second_stop_length_is_ever_shown(seat):
    plan = PLANS[seat.value]
    stop = plan.sides[Side.RIGHT].hand.stop
    rows = next(b for b in hand_blocks(plan, Side.RIGHT) if isinstance(b, Table)).rows
    other = "ON SCALP" if seat is Seat.BONE else "ON BONE"
    assert other not in str(rows)
    told = dict(rows[[name.startswith("Stop length") for name, _ in rows].index(True) :])
    # Nothing but counts: no length of these stands there, and what is no setting says so.
    assert list(told.values()) == [
        of_simulated(stop.start_past_inner),
        of_simulated(stop.bone_left_at_through),
    ]
    assert "(not a setting)" in list(told)[1]
    lengths = stop.not_a_setting_past_in_1_percent_mm, stop.not_a_setting_bone_left_in_5_percent_mm
    for length in lengths:
        assert not any(f"{length:.1f}" in text for text in told.values())
    assert "Bone along the path as drilled (not a setting)" in dict(rows)


def test_without_a_seat_no_stop_is_told():
    own = flat(render(tuple(hand_blocks(PLANS["none"], Side.RIGHT))))
    assert "no surface was named for its seat" in own
    assert PLANS["none"].sides[Side.RIGHT].hand.stop is None


@pytest.mark.parametrize(
    ("broken", "words"),
    [
        (0, "in fewer than 1 of 1,000 simulated placements (95 % bound: 3 of 1,000)"),
        (1, "in 1 of 1,000 simulated placements"),
        (412, "in 412 of 1,000 simulated placements"),
        (1000, "in more than 999 of 1,000 simulated placements"),
    ],
)
def test_counts(broken, words):
    bound = {0: 0.002991}.get(broken, None if broken == 1000 else 0.5)
    margin = HandMargin(broken=broken, draws=1000, p_broken=0.5, p_at_most=bound)
    assert of_simulated(margin) == words


def test_a_spread_is_told_as_it_was_set():
    own = flat(render(tuple(hand_blocks(with_spread(Seat.BONE, mark_mm=2.5), Side.RIGHT))))
    assert "mark 2.5 mm" in own
    assert "nasion 2 mm along the profile" in own


def test_placements_outside_the_chart_are_told():
    plan = with_hand(sphere_plan(), HandOptions(), {Side.RIGHT: sphere_chart(columns=(28, 50))})
    outside = plan.sides[Side.RIGHT].hand.outside_chart
    own = flat(render(tuple(hand_blocks(plan, Side.RIGHT))))
    assert f"{outside:,} of them ended outside the chart" in own
    assert "outside the chart" not in flat(render(tuple(hand_blocks(PLANS["bone"], Side.RIGHT))))


@pytest.mark.parametrize("name", sorted(PLANS))
def test_the_record_there_and_back_and_its_schema(name):
    text = dumps(PLANS[name])
    assert dumps(loads(text)) == text
    record = json.loads(text)
    jsonschema.Draft202012Validator(schema()).validate(record)
    assert record["version"] == 1
    assert record["seed"] == 1
    hand = record["sides"]["right"]["hand"]
    assert set(hand["spreads"]) == set(HandSpreads.__slots__)
    assert hand["suture"]["draws"] == hand["draws"] == 10_000
    assert (hand["stop"] is None) == (name == "none")
    bare = dumps(sphere_plan())
    assert json.loads(bare)["sides"]["right"]["hand"] is None
    del record["sides"]["right"]["hand"]  # a record of before
    assert loads(json.dumps(record)).sides[Side.RIGHT].hand is None


@pytest.fixture
def run(capsys):
    def call(*arguments):
        code = main([str(a) for a in arguments])
        said = capsys.readouterr()
        assert "Traceback" not in said.out + said.err
        return code, said.out, said.err

    return call


def test_the_command(run):
    code, out, err = run("plan", "--hand", "--draws", 500, "--seed", 9, "--spread", "mark_mm=3",
                         "--spread", "tilt-deg=1", "--side", "right")  # fmt: skip
    assert (code, err) == (0, "")
    assert "500 simulated placements, seed 9" in flat(out)
    assert "mark 3 mm; drill 1 degree about each axis" in flat(out)
    record = json.loads(run("plan", "--hand", "--draws", 500, "--seed", 9, "--json", "-")[1])
    assert record["seed"] == 9
    assert record == json.loads(
        run("plan", "--hand", "--draws", 500, "--seed", 9, "--json", "-")[1]
    )
    assert record["sides"]["right"]["hand"] == record["sides"]["left"]["hand"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--draws", "500"], "--hand"),
        (["--spread", "mark_mm=1"], "--hand"),
        (["--hand", "--draws", "5"], "100 to 100000"),
        (["--hand", "--seed", "-1"], "seed"),
        (["--hand", "--spread", "mark_mm"], "NAME=NUMBER"),
        (["--hand", "--spread", "mark_mm=nan"], "NAME=NUMBER"),
        (["--hand", "--spread", "mark=1"], "mark_mm"),
        (["--hand", "--spread", "mark_mm=-1"], "0 to 20 mm"),
        (["--hand", "--spread", "tape_share=5"], "0 to 0.1"),
        (["--hand", "--past-inner-mm", "50"], "0 to 10 mm"),
    ],
)
def test_usage_mistakes(run, arguments, words):
    code, out, err = run("plan", *arguments)
    assert (code, out) == (2, "")
    assert words in flat(err)


def test_the_same_in_python():
    plan = api.plan_tape({}, hand=HandOptions(draws=200))
    assert plan.sides[Side.LEFT].hand.draws == 200
    with pytest.raises(FieldRefused, match="mark_mm"):
        api.plan_tape({}, hand=HandOptions(spreads=HandSpreads(mark_mm=float("nan"))))
