"""Two sides beside each other: every row both ways, and that it never chooses."""

from __future__ import annotations

import dataclasses
import json
import math

import jsonschema
import pytest

from entrypoint import api
from entrypoint.errors import FieldRefused
from entrypoint.io.record import dumps, loads
from entrypoint.io.schema import schema
from entrypoint.planning import model as m
from entrypoint.planning.hand_model import HandMargin, HandResult, HandSpreads
from entrypoint.planning.side_comparison import DIFFERS, NO_DIFFERENCE, compare_sides
from tests.report.plans import ct_plan, side_plan, tape_plan

RIGHT, LEFT = m.Side.RIGHT, m.Side.LEFT


def side(**changes):
    """A side without findings; ``clearance__suture_mm`` changes a field one level down."""
    made = dataclasses.replace(side_plan(1.0), findings=())
    for name, value in changes.items():
        part, _, field = name.partition("__")
        if field:
            value = dataclasses.replace(getattr(made, part), **{field: value})
        made = dataclasses.replace(made, **{part: value})
    return made


def both(right=None, left=None, **changes):
    """A plan whose sides differ only in what is named."""
    sides = {RIGHT: side(**(right or {})), LEFT: side(**(left or {}))}
    return ct_plan(sides=sides, **changes)


def rows(plan, prefer_side=RIGHT):
    found = compare_sides(plan, prefer_side)
    assert found is not None
    return {r.code: r for r in found.rows}


def test_equal_sides_have_no_difference_to_speak_of():
    got = rows(both())
    order = "suture suture-odds midline sinus scalp skull"
    order += " findings-stop findings-caution findings-note preferred-side"
    assert list(got) == order.split()
    preferred = got.pop("preferred-side")
    assert all(r.speaks_for is None and r.note == NO_DIFFERENCE for r in got.values())
    assert (preferred.speaks_for, preferred.note) == (RIGHT, "common practice, no source")


# Row, the field that it reads, the change in mm that its own interval covers, and one that not.
CASES = [
    ("suture", "clearance__suture_nearest_mm", 3.0, 9.0),
    ("midline", "clearance__midline_scalp_mm", 1.5, 1.6),
    ("sinus", "clearance__sinus_mm", 2.3, 2.4),
]


@pytest.mark.parametrize("other", [RIGHT, LEFT])
@pytest.mark.parametrize(("code", "field", "small", "large"), CASES)
def test_more_room_speaks_for_a_side_only_beyond_its_own_interval(code, field, small, large, other):
    part, _, name = field.partition("__")
    base = getattr(getattr(side(), part), name)
    for more, speaks in (
        (small, None),
        (large, other),
        (-large, LEFT if other is RIGHT else RIGHT),
    ):
        change = {field: base + more}
        plan = both(right=change) if other is RIGHT else both(left=change)
        got = rows(plan)[code]
        assert got.speaks_for is speaks
        assert (got.note == NO_DIFFERENCE) == (speaks is None)
        assert abs(more) > 1.9599 * got.sd or speaks is None


def test_the_nasion_moves_both_sides_and_the_plane_moves_them_apart():
    plan = both()
    c, suture = side().clearance, plan.coronal_suture
    own = suture.right_sd_mm**2 + suture.left_sd_mm**2 + 2 * suture.definition_sd_mm**2
    got = rows(plan)
    assert got["suture"].sd == pytest.approx(math.sqrt(own))
    assert got["suture"].right_sd == c.suture_sd_mm
    assert got["midline"].sd == pytest.approx(2 * c.midline_sd_mm)
    whole = 2 * c.suture_sd_mm**2 + 2 * c.suture_definition_sd_mm**2
    assert rows(both(coronal_suture=None))["suture"].sd == pytest.approx(math.sqrt(whole))


def test_scalp_and_skull_speak_only_beyond_their_limits():
    got = rows(both({"thickness__scalp_mm": 8.5}))["scalp"]
    assert got.speaks_for is None
    assert got.note.startswith(DIFFERS)
    assert rows(both({"thickness__scalp_mm": 9.5}))["scalp"].speaks_for is LEFT
    assert rows(both(left={"thickness__scalp_mm": 9.5}))["scalp"].speaks_for is RIGHT
    got = rows(both({"thickness__skull_mm": 9.0}))["skull"]
    assert got.speaks_for is None
    assert got.note.startswith(DIFFERS)
    assert rows(both({"thickness__skull_mm": 3.5}))["skull"].speaks_for is LEFT
    rule = m.Rule(engagement_mm=8.0)
    assert rows(both({"thickness__skull_mm": 9.0}, rule=rule))["skull"].speaks_for is RIGHT


def test_odds_speak_only_where_the_distance_does_and_by_enough():
    near = {"clearance__suture_nearest_mm": 2.0, "clearance__p_suture_below_margin": 0.9}
    far = {"clearance__suture_nearest_mm": 20.0, "clearance__p_suture_below_margin": 0.01}
    assert rows(both(near, far))["suture-odds"].speaks_for is LEFT
    little = {**near, "clearance__p_suture_below_margin": 0.05}
    assert rows(both(little, far))["suture-odds"].speaks_for is None
    like = {**far, "clearance__suture_nearest_mm": 8.5}
    assert rows(both(left=like))["suture-odds"].speaks_for is None


def hand(broken):
    margin = HandMargin(broken=broken, draws=10_000, p_broken=(broken + 1) / 10_002, p_at_most=None)
    return {"hand": HandResult(draws=10_000, seed=1, spreads=HandSpreads(), outside_chart=0,
                               any_margin=margin)}  # fmt: skip


def test_simulated_hands_speak_by_their_counts():
    assert "hand-any-margin" not in rows(both())
    assert rows(both(hand(2000), hand(4000)))["hand-any-margin"].speaks_for is RIGHT
    assert rows(both(hand(4000), hand(2000)))["hand-any-margin"].speaks_for is LEFT
    assert rows(both(hand(2000), hand(2300)))["hand-any-margin"].speaks_for is None


def stop(code="bone-missing"):
    return m.Finding(code=code, level=m.Level.STOP, text="a stop")


def test_a_side_with_a_stop_finding_has_no_figures():
    plan = both({"findings": (stop(),), **hand(9)}, hand(9))
    got = rows(plan)
    assert got.pop("findings-stop").speaks_for is LEFT
    for code in ("suture", "suture-odds", "midline", "sinus", "scalp", "skull", "hand-any-margin"):
        assert got[code].right is None
        assert got[code].left is not None
        assert got[code].speaks_for is None
        assert "stop finding" in got[code].note
    got = rows(both(findings=(stop("side-unknown"),)))
    assert set(got) == {"findings-stop", "findings-caution", "findings-note", "preferred-side"}


def test_cautions_speak_and_notes_do_not():
    caution = m.Finding(code="suture-margin", level=m.Level.CAUTION, text="near")
    note = m.Finding(code="skull-thick", level=m.Level.NOTE, text="thick")
    got = rows(both({"findings": (caution, note)}))
    assert got["findings-caution"].speaks_for is LEFT
    assert (got["findings-caution"].right, got["findings-caution"].left) == (1.0, 0.0)
    assert got["findings-note"].speaks_for is None


@pytest.mark.parametrize("prefer", [RIGHT, LEFT, None])
def test_the_preferred_side_is_one_row_and_changes_no_other(prefer):
    got = rows(both(), prefer)
    mine = got.pop("preferred-side", None)
    assert (None if mine is None else mine.speaks_for) is prefer
    usual = rows(both())
    usual.pop("preferred-side")
    assert got == usual
    if prefer is LEFT:
        assert "common practice" not in mine.note


def test_one_side_alone_is_not_compared():
    assert compare_sides(tape_plan()) is None
    assert api.plan_tape(sides="right").comparison is None


def test_a_tape_plan_has_the_same_published_figures_on_both_sides():
    got = {r.code: r for r in api.plan_tape(prefer_side=None).comparison.rows}
    assert set(got) == {"suture", "suture-odds", "findings-stop", "findings-caution",
                        "findings-note"}  # fmt: skip
    assert all(r.speaks_for is None for r in got.values())
    assert got["suture"].right == got["suture"].left
    with pytest.raises(FieldRefused, match="side"):
        api.plan_tape(prefer_side="up")


def test_the_record_holds_it_and_a_record_without_it_is_read():
    plan = api.plan_tape(prefer_side="left")
    record = json.loads(dumps(plan))
    jsonschema.Draft202012Validator(schema()).validate(record)
    assert record["comparison"]["prefer_side"] == "left"
    assert record["comparison"]["rows"][-1]["speaks_for"] == "left"
    assert not set(record["comparison"]) - {"rows", "prefer_side"}, "no sum and no verdict"
    assert loads(dumps(plan)).comparison == plan.comparison
    del record["comparison"]
    assert loads(json.dumps(record)).comparison is None


def test_mirrored_plans_are_compared_the_other_way_round():
    near = {"clearance__suture_nearest_mm": 2.0, "clearance__p_suture_below_margin": 0.9,
            "thickness__scalp_mm": 12.0}  # fmt: skip
    one, two = rows(both(near), None), rows(both(left=near), None)
    for code, found in one.items():
        swapped = two[code]
        assert (found.right, found.left) == (swapped.left, swapped.right)
        assert (found.speaks_for is LEFT) == (swapped.speaks_for is RIGHT)


def test_a_swelling_on_a_scan_speaks_for_the_other_side(haematoma):
    got = {r.code: r for r in haematoma.plan.comparison.rows}
    thick = RIGHT if got["scalp"].right > got["scalp"].left else LEFT
    assert got["scalp"].speaks_for not in (None, thick)
    assert got["sinus"].right == haematoma.plan.sides[RIGHT].clearance.sinus_mm
