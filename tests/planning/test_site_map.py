"""The within-margins area on concentric shells: areas, edges and odds against closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from entrypoint.planning.map_margins import Spreads, limits_of, margin_field
from entrypoint.planning.model import How, LateralBy, Rule, Side
from entrypoint.planning.site_map import label_of, rules_in_use, side_map
from entrypoint.planning.site_map_model import Margin
from entrypoint.reference import value
from tests.planning.charts import SUTURE_ARC_MM, sphere_chart

R = value("scalp_sphere_radius")
LAST = SUTURE_ARC_MM - 10.0  # the longest midline arc that keeps the suture's margin
NONE = Spreads(suture_mm=0.0, midline_mm=0.0, sinus_mm=0.0, along_mm=0.0, across_mm=0.0)


def strip_mm2(first, last, near, far):
    """Area between two meridians and two parallels of the sphere."""
    return (last - first) * R * (np.sin(far / R) - np.sin(near / R))


def mapped(side=Side.LEFT, rule=None, spreads=NONE, hand=None, chart=None):
    return side_map(
        chart or sphere_chart(side), rule or Rule(), spreads, How.MEASURED, hand=hand
    )


def test_the_area_is_that_of_the_strip_in_front_of_the_suture():
    found, _ = mapped()
    assert found.best.area_mm2 == pytest.approx(strip_mm2(80, LAST, 15, 50), rel=1e-3)
    assert found.best.parts == 1
    assert found.best.reaches_end_of_map
    shares = {limit.margin: limit.share_broken for limit in found.limits}
    assert shares[Margin.SUTURE] == pytest.approx(25.0 / 60.0, abs=0.01)
    assert shares[Margin.MIDLINE] == 0.0


def test_the_midline_and_the_envelope_end_it_towards_the_middle():
    rule = Rule(midline_margin_mm=20.0)
    near = R * np.arcsin(20.0 / R)
    found, _ = mapped(rule=rule)
    assert found.best.area_mm2 == pytest.approx(strip_mm2(80, LAST, near, 50), rel=2e-3)
    rule = Rule(sinus_margin_mm=8.0)  # on the right 11 mm wider than the midline
    found, field = mapped(Side.RIGHT, rule)
    deep = R - 6.0 - 7.0 - value("sinus_reach_inside")
    near = R * np.arcsin(19.0 / deep)
    assert found.best.area_mm2 == pytest.approx(strip_mm2(80, LAST, near, 50), rel=2e-3)
    at = np.argmin(np.abs(field.lateral_arc_mm - 20.0))
    assert field.worst[20, at] == 2  # the sinus, in the order of the margins


def test_the_middle_lies_between_the_edges_and_the_offered_range():
    """Half-way between 90 mm, in front of which nothing is offered, and the suture's edge."""
    found, _ = mapped()
    centre = found.best.centre
    assert centre.midline_arc_mm == pytest.approx(0.5 * (90.0 + LAST), abs=1.0)
    assert 20.0 < centre.lateral_arc_mm < 38.0
    half = 0.5 * (LAST - 90.0)
    reach = R * np.arcsin(np.sin(half / R) * np.cos(centre.lateral_arc_mm / R))
    assert centre.edge_mm == pytest.approx(min(reach, centre.lateral_arc_mm - 15.0), abs=0.6)
    assert np.linalg.norm(centre.position_mm) == pytest.approx(R, abs=0.1)


@pytest.mark.parametrize(("midline", "lateral"), [(110.0, 30.0), (112.0, 45.0), (121.0, 25.0)])
def test_distance_of_a_point_to_the_edge(midline, lateral):
    found, _ = mapped(rule=Rule(midline_arc_mm=midline, lateral_arc_mm=lateral))
    point = found.rule_point
    reach = R * np.arcsin(np.sin((LAST - midline) / R) * np.cos(lateral / R))
    assert point.edge_best_mm == pytest.approx(reach, abs=0.05)
    assert point.edge_best_is is Margin.SUTURE
    assert point.within_best is (midline < LAST)
    assert point.broken == (() if midline < LAST else (Margin.SUTURE,))
    assert point.suture_nearest_mm == pytest.approx(SUTURE_ARC_MM - midline)
    assert point.skull_mm == pytest.approx(7.0)


def test_odds_of_the_suture_are_those_of_a_normal_error():
    spreads = replace(NONE, suture_mm=3.0)
    found, field = mapped(spreads=spreads)
    exact = norm.cdf(-(SUTURE_ARC_MM - field.midline_arc_mm - 10.0) / 3.0)
    np.testing.assert_allclose(
        field.p_any[:, 30], np.clip(exact, 1e-6, 1 - 1e-6), atol=1e-9
    )
    last = LAST - 3.0 * norm.ppf(0.95)
    assert found.kept.area_mm2 == pytest.approx(strip_mm2(80, last, 15, 50), rel=5e-3)
    assert found.rule_point.p_margin_broken == pytest.approx(norm.cdf(-5.0 / 3.0), abs=1e-4)


def test_a_hand_is_added_in_quadrature_and_by_where_it_is():
    """At a lateral arc u a step along the scalp moves the midline arc by 1 / cos(u / R)."""
    spreads = replace(NONE, suture_mm=3.0)
    found, field = mapped(spreads=spreads, hand=lambda m, s: (4.0 + 0.0 * m, 2.0 + 0.0 * s))
    k = int(np.argmin(np.abs(field.lateral_arc_mm - 30.0)))
    sd = np.hypot(3.0, 4.0 / np.cos(30.0 / R))
    exact = norm.cdf(-(SUTURE_ARC_MM - field.midline_arc_mm - 10.0) / sd)
    np.testing.assert_allclose(field.p_broken[0][1:-1, k], exact[1:-1], atol=1e-3)
    assert found.hand.sd_along_mm == 4.0
    without, _ = mapped(spreads=spreads)
    assert found.kept.area_mm2 < without.kept.area_mm2
    assert found.best == replace(without.best, centre=found.best.centre)


def test_odds_of_any_margin_are_those_that_are_drawn():
    """Simulated: one error along for the suture, one across for midline and sinus together."""
    rule = Rule(midline_margin_mm=18.0, sinus_margin_mm=3.0)
    spreads = replace(NONE, suture_mm=3.0, midline_mm=1.5, sinus_mm=1.5)
    _, field = mapped(rule=rule, spreads=spreads)
    rng = np.random.default_rng(8)
    e = rng.standard_normal((20_000, 2))
    for i, j in ((60, 12), (66, 8), (50, 14), (70, 30)):
        suture, midline, sinus, bone, thin = field.excess_mm[:, i, j]
        drawn = (
            (suture + 3.0 * e[:, 0] < 0)
            | (midline + 1.5 * e[:, 1] < 0)
            | (sinus + 1.5 * e[:, 1] < 0)
        )
        assert bone > 0
        assert thin > 0
        p = field.p_any[i, j]
        assert p == pytest.approx(drawn.mean(), abs=0.012)


def test_no_sound_bone_and_thin_bone_end_the_area():
    chart = sphere_chart()
    s, u = np.meshgrid(chart.midline_arc_mm, chart.lateral_arc_mm, indexing="ij")
    holed = replace(
        chart,
        no_sound_bone=np.hypot(s - 100.0, u - 32.0) < 8.0,
        skull_mm=np.where(np.hypot(s - 100.0, u - 32.0) < 8.0, np.nan, chart.skull_mm),
    )
    found, field = mapped(chart=holed, spreads=replace(NONE, along_mm=2.0, across_mm=2.0))
    whole, _ = mapped(chart=chart)
    lost = whole.best.area_mm2 - found.best.area_mm2
    # A cell with one corner on the hole belongs to it.
    assert strip_mm2(0, 1, 31.5, 32.5) * np.pi * 8.0**2 < lost < np.pi * 9.3**2
    assert found.share_without_sound_bone > 0.05
    inside = found.rules[0]
    assert inside.skull_mm is not None
    at = tuple(np.argmin(np.abs(a - w)) for a, w in
               ((field.midline_arc_mm, 100.0), (field.lateral_arc_mm, 32.0)))  # fmt: skip
    assert field.best_mm[at] < 0.0
    assert field.p_any[at] > 0.99
    point, _ = mapped(chart=holed, rule=Rule(midline_arc_mm=100.0, lateral_arc_mm=32.0))
    assert point.rule_point.broken == (Margin.BONE,)
    assert point.rule_point.skull_mm is None
    assert point.rule_point.edge_best_mm < -6.0
    thin, _ = mapped(Side.RIGHT, Rule(engagement_mm=7.5))
    assert thin.best.area_mm2 == 0.0
    assert thin.best.centre is None
    assert limits_of(Rule())[Margin.THICKNESS] == value("skull_child_limit")


def test_the_rules_in_use_and_the_mid_pupillary_line():
    names = [name for name, _ in rules_in_use(Rule())]
    assert len(names) == len(set(names)) == 6
    assert "mid-pupillary of the published mean" in names[2]
    found, _ = mapped(rule=Rule(interpupillary_mm=64.0))
    pupils = found.rules[2]
    assert pupils.name.endswith("mid-pupillary")
    assert pupils.lateral_arc_mm == pytest.approx(R * np.arcsin(32.0 / R), abs=0.01)
    assert pupils.midline_scalp_mm == pytest.approx(32.0, abs=0.01)
    own, _ = mapped(rule=Rule(lateral_by=LateralBy.MID_PUPILLARY, interpupillary_mm=64.0))
    assert own.rule_point.lateral_arc_mm == pytest.approx(pupils.lateral_arc_mm)
    wide, _ = mapped(rule=Rule(lateral_by=LateralBy.MID_PUPILLARY, interpupillary_mm=110.0))
    assert not wide.rule_point.in_map


def test_a_point_off_the_map_was_not_looked_at():
    found, _ = mapped(rule=Rule(midline_arc_mm=150.0))
    assert not found.rule_point.in_map
    assert found.rule_point.within_best is None
    assert found.rule_point.p_margin_broken is None


def test_labels_are_nested():
    _, field = mapped(spreads=replace(NONE, suture_mm=3.0))
    label = label_of(field)
    assert set(np.unique(label)) == {0, 1, 2}
    assert ((label >= 1) == (field.best_mm >= 0)).all()
    assert (field.p_any[label == 2] <= 0.05).all()


def test_a_chart_that_shows_nothing_at_one_end():
    chart = sphere_chart()
    blank = chart.midline_arc_mm > 110.0
    gone = {
        name: np.where(blank.reshape(-1, *[1] * (getattr(chart, name).ndim - 1)), np.nan,
                       getattr(chart, name))
        for name in ("scalp_entry_mm", "unit_inward", "unit_along", "unit_across", "skull_mm",
                     "suture_nearest_mm", "midline_scalp_mm", "sinus_mm", "scalp_mm")
    }  # fmt: skip
    part = replace(chart, **gone, no_sound_bone=np.repeat(blank[:, None], 36, axis=1))
    found, field = mapped(chart=part)
    assert found.best.area_mm2 == pytest.approx(strip_mm2(80, 110, 15, 50), rel=0.03)
    assert (field.best_mm[field.midline_arc_mm > 110.5] < 0).all()
    assert margin_field(part, Rule(), NONE).p_any.max() <= 1.0
