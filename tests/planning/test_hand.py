"""What a hand adds: counts against closed forms on a sphere, and against published heads."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from entrypoint.planning.hand import hand_of_side, with_hand
from entrypoint.planning.hand_figures import counted, stop_of
from entrypoint.planning.hand_model import HandOptions, HandSpreads
from entrypoint.planning.landmark_head import plan_from_landmarks
from entrypoint.planning.model import Population, Rule, Seat, SensorDepth, Side, Thickness
from entrypoint.planning.odds import normal_cdf
from entrypoint.planning.suture_odds import Arc, expected_bregma_mm, suture_odds
from entrypoint.planning.tape import plan_from_tape
from tests.planning.charts import (
    SCALP_MM,
    SKULL_MM,
    SUTURE_ARC_MM,
    sphere_chart,
    sphere_plan,
)

R = 83.0
NONE = HandSpreads.none()
POINTS = {
    "nasion": [0.0083, 86.8110, -39.9830], "inion": [0.0045, -118.5650, -23.0780],
    "left_preauricular": [-86.0761, -19.9897, -47.9860],
    "right_preauricular": [85.7939, -20.0093, -48.0310], "vertex": [0.4009, -9.1670, 100.2440],
}  # fmt: skip


def only(**spreads):
    return dataclasses.replace(NONE, **spreads)


def simulated(plan, chart=None, *, side=Side.RIGHT, spreads=None, draws=10_000, seed=1, past=0.0):
    options = HandOptions(draws=draws, seed=seed, spreads=spreads or HandSpreads(),
                          past_inner_mm=past)  # fmt: skip
    return hand_of_side(plan, side, chart, options)


def near(p, draws=10_000):
    """A count at four standard deviations of its own chance, plus a half."""
    return pytest.approx(p, abs=4.0 * math.sqrt(p * (1.0 - p) / draws) + 0.5 / draws)


def share(margin):
    return margin.broken / margin.draws


# -- against Gaussians ------------------------------------------------------------------------


@pytest.mark.parametrize("margin", [13.0, 15.0, 18.0])
def test_the_suture_against_the_normal_distribution(margin):
    # Only the midline tape is read: its error is the error of the distance.
    plan = sphere_plan(rule=Rule(suture_margin_mm=margin))
    got = simulated(plan, sphere_chart(), spreads=only(tape_reading_mm=2.5))
    have = SUTURE_ARC_MM - 110.0
    assert share(got.suture) == near(normal_cdf((margin - have) / 2.5))
    assert share(got.behind_suture) == near(normal_cdf(-have / 2.5))


@pytest.mark.parametrize("side", list(Side))
def test_midline_and_sinus_against_the_normal_distribution(side):
    # Distance to the midline is R sin(l / R): nearer than a limit where l is shorter than
    # R asin(limit / R). The sinus envelope is judged 10 mm inside the inner table.
    plan = sphere_plan(side, rule=Rule(midline_margin_mm=24.0, sinus_margin_mm=10.0))
    got = simulated(plan, sphere_chart(side), side=side, spreads=only(midline_offset_mm=3.0))
    limit = R * math.asin(24.0 / R)
    assert share(got.midline) == near(normal_cdf((limit - 30.0) / 3.0))
    half = 11.0 if side is Side.RIGHT else 6.0
    deepest = R - SCALP_MM - SKULL_MM - 10.0
    limit = R * math.asin((10.0 + half) / deepest)
    assert share(got.sinus) == near(normal_cdf((limit - 30.0) / 3.0))


def test_without_a_hand_the_plans_own_probability_comes_back():
    plan = sphere_plan(along=0.8, suture=1.4, readers=2.8, rule=Rule(suture_margin_mm=13.0))
    got = simulated(plan, sphere_chart(), spreads=NONE, draws=40_000)
    # The same two spreads that a plan's own probability uses, the point's part only once.
    assert share(got.suture) == near(normal_cdf((13.0 - 15.0) / math.hypot(1.4, 2.8)), 40_000)
    plan = sphere_plan(across=0.5, midline=0.7, rule=Rule(midline_margin_mm=29.0))
    got = simulated(plan, sphere_chart(), spreads=NONE, draws=40_000)
    have = R * math.sin(30.0 / R)
    assert share(got.midline) == near(normal_cdf((29.0 - have) / 0.7), 40_000)
    assert got.point.hand_sd_along_mm == 0.0
    assert got.point.sd_across_mm == pytest.approx(0.5, rel=0.03)
    assert got.tilt.within_95_deg == 0.0


def test_the_point_and_its_ellipse():
    got = simulated(sphere_plan(), sphere_chart(), spreads=only(mark_mm=1.0, tape_reading_mm=2.0))
    # A tape error of 2 mm along moves the point by 2 cos(l / R), beside 1 mm of the mark.
    assert got.point.sd_along_mm == pytest.approx(math.hypot(2 * math.cos(30 / R), 1.0), rel=0.02)
    assert got.point.sd_across_mm == pytest.approx(math.sqrt(5.0), rel=0.02)
    # half-axis of the 95 % ellipse of a normal pair: sqrt(5.991) deviations
    assert got.point.ellipse_long_mm == pytest.approx(2.4477 * math.sqrt(5.0), rel=0.03)
    assert abs(got.point.ellipse_turn_deg) > 60.0


def test_tilt_slant_and_tip_of_a_drill_that_leans():
    s = 5.0
    got = simulated(sphere_plan(), sphere_chart(), spreads=only(tilt_deg=s))
    # Rayleigh: median s sqrt(2 ln 2), 95 % s sqrt(-2 ln 0.05).
    assert got.tilt.median_deg == pytest.approx(s * math.sqrt(2.0 * math.log(2.0)), rel=0.02)
    most = s * math.sqrt(-2.0 * math.log(0.05))
    assert got.tilt.within_95_deg == pytest.approx(most, rel=0.02)
    outer, inner = R - SCALP_MM, R - SCALP_MM - SKULL_MM

    def bone(deg):
        a = math.radians(deg)
        return outer * math.cos(a) - math.sqrt(inner**2 - (outer * math.sin(a)) ** 2)

    assert got.bone.high_mm == pytest.approx(bone(got.tilt.within_95_deg), abs=1e-3)
    assert got.bone.median_mm == pytest.approx(bone(got.tilt.median_deg), abs=1e-3)
    reach = SKULL_MM + 15.0
    assert got.tip.sd_along_mm == pytest.approx(reach * math.sin(math.radians(s)), rel=0.03)
    assert got.tip.sd_across_mm == pytest.approx(reach * math.sin(math.radians(s)), rel=0.03)
    assert got.tip.radius_95_mm == pytest.approx(
        2.0 * reach * math.sin(math.radians(most) / 2.0), rel=0.02
    )


@pytest.mark.parametrize("seat", list(Seat))
def test_the_stop_against_the_normal_distribution(seat):
    base = sphere_plan(skull=0.8, scalp=0.6, seat=seat)
    got = simulated(base, sphere_chart(), spreads=NONE, past=0.5).stop
    start, way, sd = (5.0, 7.0, 0.8) if seat is Seat.BONE else (11.0, 13.0, 1.0)
    assert share(got.start_past_inner) == near(normal_cdf((start - 0.5 - way) / sd))
    assert share(got.bone_left_at_through) == near(normal_cdf(-1.0 / sd))
    assert got.not_a_setting_past_in_1_percent_mm == pytest.approx(
        way + 0.5 - 2.326 * sd, abs=0.1
    )
    assert got.not_a_setting_bone_left_in_5_percent_mm == pytest.approx(way + 1.645 * sd, abs=0.05)


# -- against published heads (check row 1.8, and the same model at 30 mm) ---------------------


@pytest.mark.parametrize(
    ("arc", "midline", "lateral", "near_p", "behind_p"),
    [
        (Arc.BONE, 110.0, 25.0, 0.361, 0.042), (Arc.BONE, 120.0, 25.0, 0.845, 0.361),
        (Arc.BONE, 100.0, 25.0, 0.04, 0.001), (Arc.SCALP, 110.0, 25.0, 0.07, 0.002),
        (Arc.BONE, 110.0, 30.0, 0.41, None), (Arc.SCALP, 110.0, 30.0, 0.09, None),
    ],
)  # fmt: skip
def test_a_hand_that_adds_nothing_gives_published_heads(arc, midline, lateral, near_p, behind_p):
    plan = plan_from_tape({}, rule=Rule(midline_arc_mm=midline, lateral_arc_mm=lateral))
    odds = suture_odds(midline_arc_mm=midline, lateral_arc_mm=lateral, margin_mm=10.0, arc=arc)
    bregma, sd = expected_bregma_mm(arc)
    side = plan.sides[Side.RIGHT]
    plan = dataclasses.replace(
        plan,
        population=dataclasses.replace(
            plan.population, bregma_arc_mm=bregma, bregma_arc_sd_mm=sd
        ),
        sides={Side.RIGHT: dataclasses.replace(side, clearance=dataclasses.replace(
            side.clearance, suture_mm=odds.clearance_mm, suture_definition_sd_mm=0.0))},
    )  # fmt: skip
    got = simulated(plan, spreads=NONE)
    # The quoted figures are rounded to a tenth, or a whole, of a percent.
    assert share(got.suture) == pytest.approx(near_p, abs=4.0 * 0.005 + 0.005)
    assert share(got.suture) == near(odds.p_below_margin)
    assert share(got.behind_suture) == near(odds.p_behind)
    if behind_p is not None:
        assert share(got.behind_suture) == pytest.approx(behind_p, abs=4.0 * 0.005)


def test_a_tape_plans_hand_adds_to_the_heads():
    plan = plan_from_tape({"nasion_inion_mm": 366.0})
    few, many = simulated(plan, spreads=NONE), simulated(plan)
    population = plan.population
    assert isinstance(population, Population)
    spread = math.hypot(population.bregma_arc_sd_mm, math.hypot(3.0, 2.0))
    assert share(few.suture) == near(normal_cdf((10 - population.suture_clearance_mm) / spread))
    hand = many.point.hand_sd_along_mm / math.cos(30.0 / R)
    wide = math.hypot(spread, hand)
    got = share(many.suture)
    assert got == pytest.approx(normal_cdf((10 - population.suture_clearance_mm) / wide), abs=0.012)
    assert got > share(few.suture)
    assert (many.sinus, many.sound_bone, many.bone, many.tip, many.stop) == (None,) * 5
    assert any("NOT KNOWN WITHOUT A SCAN" in words for words in many.not_included)


def test_a_landmark_plan_moves_its_own_figures():
    plan = plan_from_landmarks(POINTS)
    got = simulated(plan, spreads=NONE)
    side = plan.sides[Side.RIGHT]
    assert share(got.suture) == near(side.clearance.p_suture_below_margin)
    assert got.point.sd_along_mm == pytest.approx(side.scalp_entry_sd_along_mm, rel=0.03)
    assert simulated(plan).suture.broken > got.suture.broken
    assert got.stop is None


# -- what must hold whatever the head ---------------------------------------------------------


def turned():
    a, b = np.radians(25.0), np.radians(-40.0)
    yaw = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]])
    roll = np.array([[1, 0, 0], [0, np.cos(b), -np.sin(b)], [0, np.sin(b), np.cos(b)]])
    return roll @ yaw


def test_same_seed_same_numbers_and_another_seed_others():
    plan, chart = sphere_plan(skull=0.3), sphere_chart()
    assert simulated(plan, chart) == simulated(plan, chart)
    assert simulated(plan, chart) != simulated(plan, chart, seed=2)
    both = with_hand(plan, HandOptions(seed=4), {Side.RIGHT: chart})
    assert both.seed == 4
    assert both.sides[Side.RIGHT].hand == simulated(plan, chart, seed=4)


def test_mirrored_heads_give_mirrored_numbers():
    # The envelope of the sinus is wider on the right; everything else is the same.
    right, left = (
        simulated(
            sphere_plan(side, skull=0.3, along=0.5, across=0.5), sphere_chart(side), side=side
        )
        for side in (Side.RIGHT, Side.LEFT)
    )
    assert dataclasses.replace(right, sinus=None, any_margin=None, point=None, tip=None,
                               bone=None) == dataclasses.replace(
        left, sinus=None, any_margin=None, point=None, tip=None, bone=None)  # fmt: skip
    for name in ("point", "tip", "bone"):
        assert dataclasses.astuple(getattr(right, name)) == pytest.approx(
            dataclasses.astuple(getattr(left, name)), abs=1e-9
        )


def test_a_turned_head_gives_the_same_numbers():
    straight = simulated(sphere_plan(), sphere_chart())
    other = simulated(sphere_plan(turn=turned()), sphere_chart(turn=turned()))
    for name in ("suture", "midline", "sinus", "any_margin"):
        assert getattr(straight, name) == getattr(other, name)
    for name in ("point", "tip", "bone"):
        assert dataclasses.astuple(getattr(straight, name)) == pytest.approx(
            dataclasses.astuple(getattr(other, name)), abs=1e-6
        )


def test_what_lies_outside_the_chart_is_counted_and_broken():
    plan, chart = sphere_plan(), sphere_chart(columns=(28, 50))
    got = simulated(plan, chart)
    cut = share(got.sound_bone)
    assert 0.15 < cut < 0.45  # 2 mm of some 3.1 mm of spread
    assert got.outside_chart == got.sound_bone.broken
    assert min(m.broken for m in (got.suture, got.midline, got.sinus)) >= got.outside_chart
    assert got.stop.start_past_inner.broken == got.outside_chart
    assert got.stop.not_a_setting_past_in_1_percent_mm is None
    whole = simulated(plan, sphere_chart())
    assert whole.outside_chart == 0
    assert whole.sound_bone.broken == 0


def test_a_gap_in_the_bone_is_no_sound_bone_and_takes_no_part_in_thickness():
    chart = sphere_chart()
    gap = chart.no_sound_bone.copy()
    gap[:, chart.lateral_arc_mm >= 33.0] = True
    skull = np.where(gap, np.nan, chart.skull_mm)
    got = simulated(sphere_plan(), dataclasses.replace(chart, no_sound_bone=gap, skull_mm=skull))
    assert got.outside_chart == 0
    assert share(got.sound_bone) == pytest.approx(0.27, abs=0.06)  # beyond 2 mm of some 3.2
    assert got.stop.start_past_inner.broken == got.sound_bone.broken
    assert got.bone.median_mm == pytest.approx(7.0, abs=0.05)


def test_no_bone_no_child_no_seat_no_stop():
    plan, chart = sphere_plan(), sphere_chart()
    side = plan.sides[Side.RIGHT]

    def changed(**changes):
        return dataclasses.replace(plan, sides={Side.RIGHT: dataclasses.replace(side, **changes)})

    bare = simulated(changed(thickness=Thickness(), sensor=SensorDepth(below_inner_table_mm=15.0)),
                     chart)  # fmt: skip
    assert (bare.bone, bare.tip, bare.stop) == (None, None, None)
    child = simulated(changed(sensor=None), chart)
    assert (child.bone, child.tip, child.stop) == (None, None, None)
    none = simulated(sphere_plan(seat=None), chart)
    assert none.stop is None
    assert none.bone is not None
    stopped = dataclasses.replace(side.drill_stop, start_on_bone_mm=None)
    assert simulated(changed(drill_stop=stopped), chart).stop is None
    unmeasured = simulated(changed(tapes=None), chart)
    assert unmeasured.suture is None
    assert unmeasured.point is None


def test_a_chart_that_does_not_show_the_point_is_not_used():
    got = simulated(sphere_plan(), sphere_chart(rows=(115, 140)))
    assert got.sinus is None
    assert any("no chart" in words for words in got.not_included)


def test_counts_are_never_none_and_never_all():
    none, all_ = counted(np.zeros(1000, dtype=bool)), counted(np.ones(1000, dtype=bool))
    assert 0.0 < none.p_broken < all_.p_broken < 1.0
    # Rule of three, and the exact bound that it stands for.
    assert none.p_at_most == pytest.approx(3.0 / 1000.0, rel=0.01)
    assert none.p_at_most == pytest.approx(1.0 - 0.05 ** (1.0 / 1000.0), rel=1e-9)
    assert all_.p_at_most is None
    half = counted(np.arange(1000) % 2 == 0)
    assert half.p_at_most == pytest.approx(0.5 + 1.645 * math.sqrt(0.25 / 1000.0), abs=1.5e-3)


def test_no_stop_length_is_found_where_too_few_placements_meet_bone():
    way = np.full(1000, 7.0)
    way[:11] = np.nan
    got = stop_of(way, 5.0, 8.0, 0.0)
    assert got.start_past_inner.broken == 11
    assert got.not_a_setting_past_in_1_percent_mm is None
    assert got.not_a_setting_bone_left_in_5_percent_mm == 7.0
    way[:60] = np.nan
    assert stop_of(way, 5.0, None, 0.0).not_a_setting_bone_left_in_5_percent_mm is None
