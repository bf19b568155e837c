"""Plans from tape measures alone."""

from __future__ import annotations

import itertools

import pytest

from entrypoint.errors import FieldRefused
from entrypoint.planning.model import LateralBy, Rule, Side
from entrypoint.planning.tape import MEASURES, check_measures, lateral_tape_mm, plan_from_tape

USUAL = {
    "nasion_inion_mm": 366.0, "tragus_tragus_mm": 350.0, "circumference_mm": 568.0,
    "interpupillary_mm": 63.0,
}  # fmt: skip
SUBSETS = [c for n in range(5) for c in itertools.combinations(MEASURES, n)]


@pytest.mark.parametrize("names", SUBSETS, ids="+".join)
def test_any_subset_gives_a_plan(names):
    plan = plan_from_tape({name: USUAL[name] for name in names})
    assert set(plan.sides) == set(Side)
    assert plan.population.cautious_midline_arc_mm <= 110.0
    assert 0.0 < plan.population.p_behind_suture < plan.population.p_suture_below_margin < 1.0
    for side in plan.sides.values():
        assert side.thickness.skull_mm is None
        assert side.drill_stop.start_on_bone_mm is None
        assert side.scalp_entry_mm is None
        assert side.sensor.from_outer_table_mm is None
    assert any("NOT KNOWN WITHOUT A SCAN" in x for x in plan.looked_at.could_not_be_checked)


def test_only_the_nasion_inion_tape_says_where_the_suture_is():
    bare = plan_from_tape({}).population
    others = plan_from_tape({k: v for k, v in USUAL.items() if k != "nasion_inion_mm"}).population
    assert bare == others
    mean = plan_from_tape({"nasion_inion_mm": 366.0}).population
    assert mean.bregma_arc_mm == pytest.approx(bare.bregma_arc_mm)
    assert mean.bregma_arc_sd_mm < bare.bregma_arc_sd_mm


@pytest.mark.parametrize(("short", "long"), [(330.0, 340.0), (350.0, 390.0)])
def test_a_smaller_head_lies_nearer_and_is_told_so(short, long):
    a = plan_from_tape({"nasion_inion_mm": short})
    b = plan_from_tape({"nasion_inion_mm": long})
    assert a.population.suture_clearance_mm < b.population.suture_clearance_mm
    assert a.population.p_suture_below_margin > b.population.p_suture_below_margin
    assert "suture-margin" in {
        f.code for f in plan_from_tape({"nasion_inion_mm": 330.0}).sides[Side.RIGHT].findings
    }


def test_no_such_point_on_a_very_small_head():
    plan = plan_from_tape({"nasion_inion_mm": 312.0})
    assert plan.population.cautious_midline_arc_mm is None
    assert "no midline tape distance" in plan.sides[Side.RIGHT].moved.text


def test_mid_pupillary_from_the_interpupillary_distance():
    rule = Rule(lateral_by=LateralBy.MID_PUPILLARY)
    plan = plan_from_tape({"interpupillary_mm": 64.0}, rule=rule)
    tapes = plan.sides[Side.LEFT].tapes
    assert tapes.lateral_straight_mm == 32.0
    assert tapes.lateral_taut_mm == pytest.approx(lateral_tape_mm(32.0))
    assert 32.5 < tapes.lateral_taut_mm < 34.0
    assert plan.rule.interpupillary_mm == 64.0
    with pytest.raises(FieldRefused, match="mid-pupillary"):
        plan_from_tape({}, rule=rule)


def test_sides_are_the_ones_asked_for():
    assert set(plan_from_tape({}, sides=[Side.LEFT]).sides) == {Side.LEFT}


def test_a_stated_child_gets_geometry_alone():
    plan = plan_from_tape({"circumference_mm": 480.0}, rule=Rule(person="child"))
    assert "child-stated" in {f.code for f in plan.findings}
    assert all(s.sensor is None for s in plan.sides.values())
    assert "child-suspected" not in {f.code for f in plan.findings}


def test_names_that_are_not_measures():
    with pytest.raises(FieldRefused, match="head_length_mm"):
        check_measures({"head_length_mm": 190.0}, Rule())
