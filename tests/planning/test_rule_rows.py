"""Rows of a table of rules on spheres with closed forms, and the grids that are refused."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest

from entrypoint.errors import FieldRefused
from entrypoint.planning import model as m
from entrypoint.planning.chart_lookup import look_up
from entrypoint.planning.odds import normal_cdf
from entrypoint.planning.rule_rows import (
    BLURRED,
    NEAR_EDGE,
    NO_BONE,
    NOT_SHOWN,
    OUTSIDE,
    side_rules,
)
from entrypoint.planning.rule_table import grid_of
from entrypoint.planning.rule_table_model import MOST_RULES
from entrypoint.reference import value
from tests.planning.charts import SCALP_MM, SENSOR_MM, SKULL_MM, SUTURE_ARC_MM, sphere_chart
from tests.planning.charts import sphere_plan as whole_plan

RADIUS_MM = value("scalp_sphere_radius")


def rows_of(chart, arcs, *, rule=None, **options):
    midline, lateral = (np.array(a, dtype=float) for a in zip(*arcs, strict=True))
    plan = whole_plan(chart.side, suture=1.0, readers=2.0).sides[chart.side]
    options = {"plane_sd_mm": np.full(len(midline), 0.2), "how": m.How.MEASURED, **options}
    return side_rules(
        chart, look_up(chart, midline, lateral), midline, lateral, plan, rule or m.Rule(), **options
    )


def levels(row):
    return {f.code: f.level for f in row.findings}


@pytest.mark.parametrize("side", list(m.Side))
def test_figures_are_those_of_the_sphere(side):
    arcs = [(110.0, 30.0), (97.0, 22.0), (121.0, 41.0)]
    for (s, u), row in zip(arcs, rows_of(sphere_chart(side), arcs), strict=True):
        lift = np.sin(u / RADIUS_MM)
        inner = RADIUS_MM - SCALP_MM - SKULL_MM
        assert (row.midline_arc_mm, row.lateral_arc_mm, row.charted) == (s, u, True)
        assert row.skull_mm == pytest.approx(SKULL_MM)
        assert row.scalp_mm == pytest.approx(SCALP_MM)
        assert row.slope_deg == pytest.approx(np.degrees(u / RADIUS_MM))
        assert row.midline_scalp_mm == pytest.approx(RADIUS_MM * lift, abs=0.01)
        assert row.midline_inner_table_mm == pytest.approx(inner * lift, abs=0.01)
        assert row.midline_tip_mm == pytest.approx((inner - SENSOR_MM) * lift, abs=0.01)
        half = value(f"sinus_half_width_{side.value}")
        deep = value("sinus_reach_inside")
        assert row.sinus_mm == pytest.approx((inner - deep) * lift - half, abs=0.01)
        ahead = SUTURE_ARC_MM - s
        assert row.suture_nearest_mm == pytest.approx(ahead)
        sd = np.hypot(1.0, 2.0)
        assert row.p_suture_below_margin == pytest.approx(max(normal_cdf((10 - ahead) / sd), 1e-6))
        assert row.p_behind_suture == pytest.approx(max(normal_cdf(-ahead / sd), 1e-6))
        assert row.sensor_from_scalp_mm == pytest.approx(SCALP_MM + SKULL_MM + SENSOR_MM)
        assert row.start_stop_mm is None
        assert ("suture-margin" in levels(row)) == (s == 121.0)


@pytest.mark.parametrize(
    ("seat", "most"), [(m.Seat.BONE, SKULL_MM), (m.Seat.SCALP, SKULL_MM + SCALP_MM)]
)
def test_the_start_is_of_the_named_seat_and_of_the_thinnest_bone_near(seat, most):
    rule = m.Rule(stop_seats_on=seat)
    even = rows_of(sphere_chart(), [(110, 30)], rule=rule)[0]
    assert most - 2.3 <= even.start_stop_mm <= most - 1.0

    def dip(s, u):
        return np.where(np.hypot(s - 113.0, u - 30.0) < 1.5, SKULL_MM - 2.0, SKULL_MM)

    chart = sphere_chart(skull=dip)
    near, far = rows_of(chart, [(110, 30), (100, 30)], rule=rule)
    assert near.start_stop_mm == even.start_stop_mm - 2.0
    assert far.start_stop_mm == even.start_stop_mm
    assert near.skull_mm == pytest.approx(SKULL_MM)


def test_what_is_outside_the_chart_is_said_a_row_at_a_time():
    arcs = [(79, 30), (141, 30), (110, 14), (110, 51), (80, 50), (84, 30)]
    rows = rows_of(sphere_chart(), arcs, rule=m.Rule(stop_seats_on=m.Seat.BONE))
    for row in rows[:4]:
        assert (row.charted, row.note, row.findings) == (False, OUTSIDE, ())
        kept = {"midline_arc_mm", "lateral_arc_mm", "charted", "note", "findings"}
        for field in dataclasses.fields(row):
            assert field.name in kept or getattr(row, field.name) is None
    for row in rows[4:]:
        assert (row.charted, row.note, row.start_stop_mm) == (True, NEAR_EDGE, None)
        assert row.skull_mm == pytest.approx(SKULL_MM)


def test_no_bone_no_thickness_and_a_stop_finding():
    chart = sphere_chart()
    gap = chart.no_sound_bone.copy()
    gap[28:33, 13:18] = True
    chart = dataclasses.replace(
        chart, no_sound_bone=gap, skull_mm=np.where(gap, np.nan, chart.skull_mm)
    )
    hidden = chart.midline_scalp_mm.copy()
    hidden[0:4] = np.nan
    chart = dataclasses.replace(chart, midline_scalp_mm=hidden)
    rule = m.Rule(stop_seats_on=m.Seat.BONE)
    bare, sound, unseen = rows_of(chart, [(110, 30), (100, 30), (81, 30)], rule=rule)
    assert levels(bare)["bone-missing"] is m.Level.STOP
    assert bare.note == NO_BONE
    for name in ("skull_mm", "scalp_mm", "start_stop_mm", "midline_tip_mm", "sensor_from_scalp_mm",
                 "midline_inner_table_mm"):  # fmt: skip
        assert getattr(bare, name) is None, name
        assert getattr(sound, name) is not None, name
    assert bare.suture_nearest_mm is not None
    assert (unseen.charted, unseen.note, unseen.sinus_mm) == (True, NOT_SHOWN, None)
    chart = dataclasses.replace(sphere_chart(), skull_mm=np.full_like(chart.skull_mm, np.nan))
    blurred = rows_of(chart, [(110, 30)], rule=rule)[0]
    assert blurred.note == BLURRED
    assert levels(blurred)["coarse-slices"] is m.Level.CAUTION
    assert blurred.scalp_mm is None


def test_rows_are_judged_as_a_plan_is():
    arcs = [(110, 30)]
    seat = m.Rule(stop_seats_on=m.Seat.BONE)
    near = rows_of(
        sphere_chart(), [(110, 17)], rule=dataclasses.replace(seat, midline_margin_mm=18.0)
    )[0]
    assert {"sinus-envelope", "midline-margin"} <= set(levels(near))
    inside = rows_of(sphere_chart(), [(110, 15)], rule=seat)[0]
    assert levels(inside)["sinus-envelope"] is m.Level.STOP
    assert inside.start_stop_mm is None, "no length on a path that a stop finding names"
    rule = dataclasses.replace(seat, engagement_mm=9.0)
    assert (
        levels(rows_of(sphere_chart(), arcs, rule=rule)[0])["engagement-too-deep"] is m.Level.STOP
    )
    swollen = rows_of(
        sphere_chart(), arcs, rule=m.Rule(stop_seats_on=m.Seat.SCALP),
        other_scalp_mm=np.array([SCALP_MM - 5.0]),
    )[0]  # fmt: skip
    assert levels(swollen)["scalp-swelling"] is m.Level.CAUTION
    assert swollen.start_stop_mm is None
    assert "suture-not-visible" in levels(rows_of(sphere_chart(), arcs, how=m.How.ESTIMATED)[0])
    assert "suture-closed" in levels(rows_of(sphere_chart(), arcs, dense=True)[0])
    out = rows_of(sphere_chart(), arcs, tip_inside={0: False})[0]
    assert levels(out)["tip-outside-skull"] is m.Level.STOP


def test_a_child_gets_geometry_only():
    rule = m.Rule(stop_seats_on=m.Seat.BONE)
    thin = sphere_chart(skull=lambda s, u: 2.5 + 0.0 * s)
    for row in (
        rows_of(sphere_chart(), [(110, 30)], rule=rule, geometry_only=True)[0],
        rows_of(thin, [(110, 30)], rule=rule)[0],
    ):
        assert row.skull_mm is not None
        assert row.start_stop_mm is None
        assert row.sensor_from_scalp_mm is None
        assert row.midline_tip_mm is None
    assert levels(row)["child-suspected"] is m.Level.STOP


def test_a_grid_is_every_arc_with_every_arc():
    midline, lateral = grid_of([110, 100, 110.0], (30.0, 20.0))
    assert list(zip(midline, lateral, strict=True)) == [(100, 20), (100, 30), (110, 20), (110, 30)]


@pytest.mark.parametrize(
    ("midline", "lateral"),
    [
        ([], [30]),
        ([110], []),
        ([110], [np.nan]),
        ([np.inf], [30]),
        (range(10**9), [30]),
        (itertools.count(80), [30]),
        (np.linspace(80, 140, 50), np.linspace(15, 50, MOST_RULES // 50 + 1)),
    ],
)
def test_grids_that_are_refused(midline, lateral):
    with pytest.raises(FieldRefused):
        grid_of(midline, lateral)
