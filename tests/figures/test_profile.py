"""The depth profile: edges, stop and sensor on one ruler, from the record."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from entrypoint import Side
from entrypoint.figures.places import spread_apart
from entrypoint.figures.profile import depth_profile
from entrypoint.figures.style import LIGHT, PICTURE, Ground, Labels, Style
from entrypoint.planning.model import DrillStop, Seat, Thickness
from entrypoint.report.rounding import HALF_WIDTH_95, figure_mm
from tests.figures.looking import (
    assert_carries_what_it_must,
    assert_mark_at,
    assert_tidy,
    lines,
    pixels,
    said,
)


def seated(plan, seat, stop=None):
    rule = dataclasses.replace(plan.rule, stop_seats_on=seat)
    stop = stop or DrillStop(start_on_bone_mm=5.0, start_on_scalp_mm=11.0)
    right = dataclasses.replace(plan.sides[Side.RIGHT], drill_stop=stop)
    return dataclasses.replace(plan, rule=rule, sides={Side.RIGHT: right})


@pytest.fixture(scope="module")
def figure(adult):
    return depth_profile(seated(adult.plan, Seat.BONE), adult.loaded.volume, Side.RIGHT)


def test_edges_stand_at_the_records_depths_with_their_spread(adult, figure):
    thick = adult.plan.sides[Side.RIGHT].thickness
    _, ruler, curve = figure.axes
    depths = {
        "skin": 0.0, "outer": thick.scalp_mm, "inner": thick.scalp_mm + thick.skull_mm,
        "outer-diploe": thick.scalp_mm + thick.outer_table_mm,
        "diploe-inner": thick.scalp_mm + thick.skull_mm - thick.inner_table_mm,
    }  # fmt: skip
    for name, depth in depths.items():
        for axes in (ruler, curve):
            (line,) = lines(axes, f"edge-{name}")
            assert line.get_ydata()[0] == pytest.approx(depth, abs=0.02)
    (band,) = (c for c in curve.collections if c.get_gid() == "spread-outer")
    y = band.get_paths()[0].vertices[:, 1]
    assert np.ptp(y) == pytest.approx(2 * HALF_WIDTH_95 * thick.scalp_sd_mm, rel=1e-6)
    words = said(figure)
    assert f"scalp {figure_mm(thick.scalp_mm, thick.scalp_sd_mm)}" in words
    assert f"skull {figure_mm(thick.skull_mm, thick.skull_sd_mm)}" in words
    assert f"diploe {figure_mm(thick.diploe_mm)}" in words


def test_the_curve_is_the_scan_along_the_path(adult, figure):
    planned = adult.plan.sides[Side.RIGHT]
    (curve,) = lines(figure.axes[2], "profile")
    hu, depth = curve.get_xdata(), curve.get_ydata()
    inside = (depth > planned.thickness.scalp_mm) & (
        depth < planned.thickness.scalp_mm + planned.thickness.skull_mm
    )
    assert hu[inside].max() > 900.0
    assert hu[depth < -2.0].max() < -800.0
    assert abs(np.median(hu[depth > 20.0])) < 80.0
    centre = adult.loaded.volume.sample_hu(
        planned.scalp_entry_mm + depth[inside][:, None] * planned.unit_inward
    )
    assert np.abs(hu[inside] - centre).max() < 250.0  # the mean of a ring of 0.8 mm round it


@pytest.mark.parametrize(
    ("seat", "face", "length", "words"),
    [(Seat.BONE, "outer", 5.0, "ON BONE"), (Seat.SCALP, "skin", 11.0, "ON SCALP")],
)
def test_one_stop_is_shown_for_the_seat_that_was_named(adult, seat, face, length, words):
    figure = depth_profile(seated(adult.plan, seat), adult.loaded.volume, Side.RIGHT)
    ruler = figure.axes[1]
    (bar,) = lines(ruler, "drill-stop")
    start = 0.0 if face == "skin" else adult.plan.sides[Side.RIGHT].thickness.scalp_mm
    np.testing.assert_allclose(bar.get_ydata(), [start, start + length], atol=1e-9)
    assert f"stop seated {words}: {length:g} mm from the stop's face" in said(figure)
    assert ("ON BONE" in said(figure)) != ("ON SCALP" in said(figure))
    assert "through" not in said(figure)


def test_marks_lie_on_the_ruler_to_a_pixel(adult, figure):
    picture = pixels(figure)
    tip = adult.plan.sides[Side.RIGHT].sensor.from_scalp_mm
    assert_mark_at(figure, picture, figure.axes[1], LIGHT.tip, (0.30, tip))
    assert_mark_at(figure, picture, figure.axes[0], PICTURE.tip, (0.0, -tip))
    ticks = lines(figure.axes[1], "ruler-tick")
    assert [t.get_ydata()[0] for t in ticks] == list(range(len(ticks)))


def test_it_is_tidy_and_carries_what_it_must(adult, figure):
    assert_tidy(figure)
    assert_carries_what_it_must(figure)
    assert "Seen from the PATIENT'S RIGHT." in said(figure)
    for labels in (Labels.SHORT, Labels.OFF):
        style = Style(labels=labels, ground=Ground.DARK)
        other = depth_profile(adult.plan, adult.loaded.volume, Side.LEFT, style)
        assert_tidy(other)
        assert_carries_what_it_must(other)


def test_without_a_seat_no_stop_is_shown_and_it_is_said(adult):
    figure = depth_profile(adult.plan, adult.loaded.volume, Side.RIGHT)
    assert not lines(figure.axes[1], "drill-stop")
    assert "No stop length is shown" in said(figure)


def test_what_is_not_known_is_not_drawn(adult):
    bare = dataclasses.replace(
        adult.plan.sides[Side.RIGHT], thickness=Thickness(scalp_mm=6.0), sensor=None,
        drill_stop=DrillStop(),
    )  # fmt: skip
    plan = dataclasses.replace(adult.plan, sides={Side.RIGHT: bare}, practice=False)
    figure = depth_profile(plan, adult.loaded.volume, Side.RIGHT)
    assert lines(figure.axes[2], "edge-outer")
    assert not lines(figure.axes[2], "edge-inner")
    assert "skull" not in said(figure)
    assert_carries_what_it_must(figure, practice=False)


def test_names_keep_their_order_and_their_room():
    at = spread_apart([0.0, 0.1, 0.2, 9.9], [1.0, 2.0, 1.0, 1.0], (-5.0, 10.0))
    assert at == sorted(at)
    assert np.diff(at) == pytest.approx([1.5, 1.5, at[3] - at[2]], abs=0.01)
    assert at[3] <= 9.5 + 1e-6
