"""The map of a scanned head: its points are those of plans, its odds the plan's own."""

from __future__ import annotations

import numpy as np
import pytest

from entrypoint.planning.hand_model import HandOptions
from entrypoint.planning.map_on_ct import map_on_ct
from entrypoint.planning.model import Rule, Side
from tests.planning.ct.ct_charts import found, scanned_charts
from tests.planning.ct.heads import planned


@pytest.fixture(scope="module")
def adult_map(adult):
    this = found(adult.volume)
    return map_on_ct(adult.plan, this.parts, charts=this.charts)


@pytest.mark.parametrize("side", list(Side))
def test_the_rules_point_is_the_plans(adult, adult_map, side):
    mine, point = adult.plan.sides[side], adult_map.map.sides[side].rule_point
    c = mine.clearance
    assert point.suture_nearest_mm == pytest.approx(c.suture_nearest_mm, abs=0.1)
    assert point.midline_scalp_mm == pytest.approx(c.midline_scalp_mm, abs=0.1)
    assert point.sinus_mm == pytest.approx(c.sinus_mm, abs=0.2)
    assert point.skull_mm == pytest.approx(mine.thickness.skull_mm, abs=0.2)
    k = [m.margin.value for m in adult_map.map.sides[side].limits].index("suture")
    field = adult_map.fields[side]
    at = np.argmin(abs(field.midline_arc_mm - 110.0)), np.argmin(abs(field.lateral_arc_mm - 30.0))
    assert field.p_broken[k][at] == pytest.approx(c.p_suture_below_margin, rel=0.1)


@pytest.mark.parametrize("side", list(Side))
def test_the_edge_of_the_area_keeps_exactly_the_margin(adult_map, side):
    """Walking straight back from the rule's point by the distance to the edge."""
    one, chart = adult_map.map.sides[side], adult_map.charts[side]
    assert one.rule_point.edge_best_mm > 5.0
    assert one.rule_point.edge_best_is.value == "suture"
    excess = chart.suture_nearest_mm - 10.0
    inside = excess >= 0.0
    assert inside.mean() == pytest.approx(
        1.0 - next(m.share_broken for m in one.limits if m.margin.value == "suture"), abs=0.02
    )
    assert 5e2 < one.kept.area_mm2 < one.best.area_mm2 < 2.1e3
    assert one.best.centre.midline_arc_mm >= 90.0


def test_the_same_map_again_is_the_same_to_the_last_bit(adult, adult_map):
    from entrypoint.io.site_map_record import dumps_map

    this = found(adult.volume)
    again = map_on_ct(adult.plan, this.parts, charts=this.charts)
    assert dumps_map(again.map) == dumps_map(adult_map.map)


def test_a_hand_leaves_less(adult, adult_map):
    this = found(adult.volume)
    by_hand = map_on_ct(adult.plan, this.parts, charts=this.charts,
                        hand=HandOptions(draws=2000))  # fmt: skip
    for side in Side:
        one = by_hand.map.sides[side]
        assert 1.0 < one.hand.sd_along_mm < 6.0
        assert one.kept.area_mm2 < adult_map.map.sides[side].kept.area_mm2
        assert one.best.area_mm2 == adult_map.map.sides[side].best.area_mm2
    assert "what a hand adds to the place of the mark" in by_hand.map.looked_at.checked
    assert not any("hand" in words for words in by_hand.map.looked_at.not_checked)
    assert any("hand" in words for words in adult_map.map.looked_at.not_checked)


@pytest.mark.parametrize("side", list(Side))
def test_missing_bone_and_metal_are_outside(side):
    name = "burr hole right, plate left"
    this = scanned_charts(name)
    made = map_on_ct(planned(name), this.parts, charts=this.charts)
    one = made.map.sides[side]
    assert not one.rule_point.within_best
    assert "sound-bone" in [m.value for m in one.rule_point.broken]
    assert one.rule_point.edge_best_mm < 0.0
    assert one.rule_point.skull_mm is None
    assert any(f.level.value == "stop" for f in one.findings)
    assert one.best.area_mm2 > 100.0


def test_a_side_that_was_not_planned_is_named(adult):
    from dataclasses import replace

    from entrypoint.errors import MeasurementError
    from entrypoint.planning.model import SidePlan

    this = found(adult.volume)
    half = replace(adult.plan, sides={**adult.plan.sides, Side.LEFT: SidePlan()})
    made = map_on_ct(half, this.parts, charts=this.charts)
    assert set(made.map.sides) == {Side.RIGHT}
    assert any("PATIENT'S LEFT" in words for words in made.map.looked_at.could_not_be_checked)
    none = replace(half, sides={Side.LEFT: SidePlan()})
    with pytest.raises(MeasurementError, match="No plan of this side"):
        map_on_ct(none, this.parts, charts=this.charts)
    assert made.map.rule == Rule()
