"""A chart says at each of its points what a plan of that point says."""

from __future__ import annotations

import time
from dataclasses import fields

import numpy as np
import pytest

from entrypoint.planning.chart_lookup import ChartPoints, look_up
from entrypoint.planning.chart_read import read_chart
from entrypoint.planning.clearance import (
    sinus_clearance_mm,
    sinus_path,
    suture_clearances,
)
from entrypoint.planning.ct_site import foot_on_bone, place_on_ct
from entrypoint.planning.model import Side
from entrypoint.planning.suture_many import suture_nearest_many_mm
from entrypoint.volume.bone_sheet import bone_sheet, mean_normals, square_feet
from entrypoint.volume.skull_profile import read_skull_profile
from tests.planning.ct.ct_charts import found, scanned_charts

OTHERS = ((97.0, 24.0), (104.3, 41.7), (88.6, 18.2), (121.0, 33.0), (117.4, 22.9), (128.5, 38.5))


def one_by_one(this, side, midline, lateral):
    """Entry, foot, normal and profile of one point, as a plan takes them."""
    entry, _ = place_on_ct(this.head, this.tape, this.midsagittal, this.rule, side, midline,
                           lateral)  # fmt: skip
    patch, foot = foot_on_bone(this.head, entry)
    profile = read_skull_profile(
        this.head.volume, this.head.coarse.levels, patch, entry.scalp_entry_mm,
        -foot.unit_outward, noise_hu=this.head.noise_hu,
    )  # fmt: skip
    return entry, foot, profile


def off(a, b):
    return float(np.linalg.norm(np.asarray(a) - np.asarray(b)))


def turned_deg(a, b):
    return float(np.degrees(2.0 * np.arcsin(min(1.0, off(a, b) / 2.0))))


@pytest.mark.parametrize("side", list(Side))
def test_the_chart_agrees_with_the_plan_at_the_rules_point(adult, side):
    this, mine = found(adult.volume), adult.plan.sides[side]
    got = look_up(this.charts[side], 110.0, 30.0)
    assert off(got.scalp_entry_mm[0], mine.scalp_entry_mm) < 0.1
    assert turned_deg(got.unit_inward[0], mine.unit_inward) < 0.5
    assert off(got.outer_table_mm[0], mine.outer_table_mm) < 0.2
    t, c = mine.thickness, mine.clearance
    for figure, value, within in (
        (got.skull_mm, t.skull_mm, 0.2), (got.scalp_mm, t.scalp_mm, 0.2),
        (got.outer_layer_mm, t.outer_table_mm, 0.3), (got.inner_layer_mm, t.inner_table_mm, 0.3),
        (got.diploe_mm, t.diploe_mm, 0.4), (got.midline_scalp_mm, c.midline_scalp_mm, 0.1),
        (got.midline_inner_table_mm, c.midline_inner_table_mm, 0.15),
        (got.midline_tip_mm, c.midline_tip_mm, 0.25), (got.sinus_mm, c.sinus_mm, 0.2),
        (got.suture_nearest_mm, c.suture_nearest_mm, 0.1),
    ):  # fmt: skip
        assert figure[0] == pytest.approx(value, abs=within)
    assert not got.no_sound_bone[0]
    assert 0.0 < this.charts[side].skull_sd_mm < 0.3


@pytest.mark.parametrize(("midline", "lateral"), OTHERS)
def test_the_chart_agrees_with_a_plan_elsewhere(adult, midline, lateral):
    this = found(adult.volume)
    for side in Side:
        entry, foot, profile = one_by_one(this, side, midline, lateral)
        got = look_up(this.charts[side], midline, lateral)
        assert off(got.scalp_entry_mm[0], entry.scalp_entry_mm) < 0.15
        assert turned_deg(got.unit_inward[0], -foot.unit_outward) < 0.5
        assert turned_deg(got.unit_along[0], entry.unit_along) < 0.5
        assert turned_deg(got.unit_across[0], entry.unit_across) < 1.5
        assert got.skull_mm[0] == pytest.approx(profile.skull_mm, abs=0.2)
        assert got.scalp_mm[0] == pytest.approx(profile.scalp_mm, abs=0.2)
        inner = foot.foot_mm - profile.skull_mm * foot.unit_outward
        path = sinus_path(foot.foot_mm, inner, -foot.unit_outward)
        assert got.sinus_mm[0] == pytest.approx(
            sinus_clearance_mm(path, this.midsagittal, side), abs=0.2
        )


def test_suture_distances_are_those_of_one_point_at_a_time(adult):
    this = found(adult.volume)
    for side in Side:
        chart = this.charts[side]
        for i, j in ((0, 0), (30, 15), (60, 35), (50, 2), (44, 30)):
            one = suture_clearances(
                point=chart.outer_table_mm[i, j], suture_curve=this.suture.curve_mm,
                midsagittal=this.midsagittal, unit_backward=chart.unit_along[i, j],
            )  # fmt: skip
            assert chart.suture_nearest_mm[i, j] == pytest.approx(one.nearest_mm, abs=1e-6)


def test_suture_distance_of_what_is_not_seen_is_not_known(adult):
    this = found(adult.volume)
    points = np.vstack([np.full(3, np.nan), this.suture.curve_mm[4]])
    back = np.tile(-this.head.frame.unit_anterior, (2, 1))
    got = suture_nearest_many_mm(points, this.suture.curve_mm, this.midsagittal, back)
    assert np.isnan(got[0])
    assert got[1] == pytest.approx(0.0, abs=0.02)  # the curve is resampled between its points


def test_both_sides_of_a_lookup_are_the_grid_itself(adult):
    chart = found(adult.volume).charts[Side.LEFT]
    got = look_up(chart, chart.midline_arc_mm[[0, 7, -1]], chart.lateral_arc_mm[[0, 20, -1]])
    at = ([0, 7, -1], [0, 20, -1])
    for field in fields(ChartPoints):
        np.testing.assert_allclose(
            getattr(got, field.name), getattr(chart, field.name)[at], atol=1e-9
        )
    outside = look_up(chart, [79.0, 110.0, np.nan], [30.0, 50.5, 30.0])
    assert np.isnan(outside.skull_mm).all()
    assert outside.no_sound_bone.all()


def test_ten_thousand_points_are_looked_up_in_no_time(adult):
    chart = found(adult.volume).charts[Side.RIGHT]
    rng = np.random.default_rng(3)
    arcs = rng.uniform(82.0, 138.0, 10_000), rng.uniform(16.0, 49.0, 10_000)
    took = []
    for _ in range(5):
        start = time.process_time()
        got = look_up(chart, *arcs)
        took.append(time.process_time() - start)
    assert np.isfinite(got.skull_mm).all()
    assert min(took) < 0.02


@pytest.mark.parametrize("side", list(Side))
def test_no_thickness_near_missing_bone_or_metal(side):
    """A hole of a drill on the right, a plate on the left; the far bone stays measured."""
    chart = scanned_charts("burr hole right, plate left").charts[side]
    assert chart.no_sound_bone[30, 15]
    assert np.isnan(chart.skull_mm[chart.no_sound_bone]).all()
    assert np.isfinite(chart.skull_mm[~chart.no_sound_bone]).all()
    assert 0.03 < chart.no_sound_bone.mean() < 0.6
    assert not chart.no_sound_bone[2:8].any()
    assert np.isfinite(chart.unit_inward).all()
    around = look_up(chart, 109.5, 29.5)
    assert around.no_sound_bone[0]


def test_a_clean_head_has_sound_bone_everywhere(adult):
    for chart in found(adult.volume).charts.values():
        assert not chart.no_sound_bone.any()


def test_what_the_tape_does_not_reach_is_not_known(adult):
    this = found(adult.volume)
    arcs = np.arange(this.tape.length_mm - 6.0, this.tape.length_mm + 6.0, 2.0)
    chart = read_chart(this.head, this.tape, this.midsagittal, this.suture, this.rule,
                       Side.RIGHT, arcs, np.arange(20.0, 30.5, 2.0))  # fmt: skip
    assert np.isnan(chart.skull_mm[-1]).all()
    assert chart.no_sound_bone[-1].all()
    assert np.isfinite(chart.scalp_entry_mm[0]).all()


def test_a_sphere_of_bone_has_its_own_normals(adult):
    """Closed form: every square path runs through the middle of the ball."""
    this = found(adult.volume)
    sheet = bone_sheet(this.head.volume, this.head.coarse, this.head.frame,
                       np.arange(60.0, 100.0, 0.8), np.arange(-30.0, 30.0, 0.8))  # fmt: skip
    ball = type(sheet)(
        **{f.name: getattr(sheet, f.name) for f in fields(sheet) if f.name != "radius_mm"},
        radius_mm=np.full(sheet.radius_mm.shape, 78.0),
    )
    origin = this.head.frame.origin_mm
    out = this.head.frame.directions(np.array([75.0, 82.0]), np.array([5.0, -8.0]))
    np.testing.assert_allclose(mean_normals(ball, origin + 78.0 * out, 10.0), out, atol=2e-4)
    lean = -out + 0.1 * this.head.frame.unit_right
    feet, normals = square_feet(ball, origin + 84.0 * out, lean, turns=4)
    np.testing.assert_allclose(feet, origin + 78.0 * out, atol=0.05)
    np.testing.assert_allclose(normals, out, atol=1e-3)


@pytest.mark.parametrize("side", list(Side))
def test_a_wide_suture_is_no_missing_bone(side):
    """A child's: the chart and the plan's own point both have bone beside it."""
    this = scanned_charts("child")
    assert this.parts.sites[side].no_bone is None
    assert this.charts[side].no_sound_bone.mean() < 0.05
