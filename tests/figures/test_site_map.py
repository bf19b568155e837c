"""The site map as a picture, and the chart that it is read from."""

from __future__ import annotations

import numpy as np
import pytest

from entrypoint import Side
from entrypoint.errors import MeasurementError
from entrypoint.figures.site import read_sites
from entrypoint.figures.site_map import site_map_picture
from entrypoint.figures.style import LIGHT, Ground, Labels, Style
from entrypoint.planning.chart_lookup import look_up
from entrypoint.planning.site_map_model import NOT_IN_IT
from tests.figures.looking import (
    assert_carries_what_it_must,
    assert_mark_at,
    assert_tidy,
    lines,
    pixels,
    said,
    xy,
)
from tests.report.plans import tape_plan


@pytest.fixture(scope="module")
def figure(adult, adult_sites):
    return site_map_picture(adult.plan, adult_sites)


def test_the_chart_read_from_the_record_holds_the_records_point(adult, adult_sites):
    for side, site in adult_sites.items():
        planned, rule = adult.plan.sides[side], adult.plan.rule
        got = look_up(site.chart, rule.midline_arc_mm, rule.lateral_arc_mm)
        assert np.linalg.norm(got.scalp_entry_mm[0] - planned.scalp_entry_mm) < 0.15
        assert got.skull_mm[0] == pytest.approx(planned.thickness.skull_mm, abs=0.15)
        assert got.suture_nearest_mm[0] == pytest.approx(
            planned.clearance.suture_nearest_mm, abs=0.4
        )
        assert got.midline_scalp_mm[0] == pytest.approx(planned.clearance.midline_scalp_mm, abs=0.1)


def test_axes_are_tape_distances_with_the_nose_on_top(adult, figure):
    axes = figure.axes[0]
    left, right = axes.get_xlim()
    below, above = axes.get_ylim()
    assert left < -50.0 < 50.0 < right
    assert above < 80.0 < 140.0 < below
    assert axes.get_aspect() == 1.0
    shown = [t.get_text() for t in axes.get_yticklabels()]
    assert shown[list(axes.get_yticks()).index(110.0)] == "11"
    picture = pixels(figure)
    for side in Side:
        sign = 1.0 if side is Side.RIGHT else -1.0
        assert_mark_at(figure, picture, axes, LIGHT.path, (sign * 30.0, 110.0))


def test_areas_suture_and_rules_lie_where_the_map_has_them(adult_sites, figure):
    axes = figure.axes[0]
    for side, site in adult_sites.items():
        sign = 1.0 if side is Side.RIGHT else -1.0
        field = site.field
        for kind, score in (("area", field.best_mm), ("kept", site.kept_score())):
            drawn = np.concatenate([xy(line) for line in lines(axes, kind)])
            own = drawn[sign * drawn[:, 0] > 0.0]
            i = np.rint((own[:, 1] - field.midline_arc_mm[0]) / 0.5).astype(int)
            j = np.rint((sign * own[:, 0] - field.lateral_arc_mm[0]) / 0.5).astype(int)
            # Beside an edge lie both signs.
            signs = [score[max(a - 1, 0) : a + 2, max(b - 1, 0) : b + 2] >= 0.0
                     for a, b in zip(i, j, strict=True)]  # fmt: skip
            assert np.mean([s.any() and not s.all() for s in signs]) > 0.95
            assert all(line.is_dashed() for line in lines(axes, kind))
        sutures = np.concatenate([xy(line) for line in lines(axes, "coronal-suture")])
        own = sutures[sign * sutures[:, 0] > 0.0]
        zero = look_up(site.chart, own[:, 1], sign * own[:, 0]).suture_nearest_mm
        assert np.nanmax(np.abs(zero)) < 1.5
        for k, rule in enumerate(site.side_map.rules):
            at = [xy(line)[0] for line in lines(axes, f"rule-{k}")]
            assert any(
                np.allclose(p, (sign * rule.lateral_arc_mm, rule.midline_arc_mm)) for p in at
            )


def test_rules_are_told_apart_by_shape_and_by_name(adult_sites, figure):
    rules = next(iter(adult_sites.values())).side_map.rules
    shapes = {lines(figure.axes[0], f"rule-{k}")[0].get_marker() for k in range(len(rules))}
    assert len(shapes) == len(rules)
    words = said(figure)
    for rule in rules:
        assert rule.name.removesuffix(" of the published mean") in words
    for item in NOT_IN_IT:
        assert " ".join(item.split()) in words


def test_it_is_tidy_and_carries_what_it_must(adult, adult_sites, figure):
    assert_tidy(figure)
    assert_carries_what_it_must(figure)
    at = {t.get_text(): t.xy for t in figure.axes[0].texts if hasattr(t, "xy")}
    assert at["PATIENT'S LEFT"][0] < 0.5 < at["PATIENT'S RIGHT"][0]
    assert at["BACK"][1] < 0.5 < at["FRONT"][1]
    one = site_map_picture(
        adult.plan, {Side.LEFT: adult_sites[Side.LEFT]},
        Style(ground=Ground.DARK, labels=Labels.SHORT),
    )  # fmt: skip
    assert_tidy(one)
    assert_carries_what_it_must(one)
    assert "PATIENT'S LEFT" in said(one)
    assert one.axes[0].get_xlim()[0] < -50.0
    assert one.axes[0].get_xlim()[1] < 25.0


def test_a_plan_without_a_scan_has_no_site(adult):
    with pytest.raises(MeasurementError, match="midsagittal plane, nasion or coronal suture"):
        read_sites(tape_plan(), adult.loaded.volume, (Side.RIGHT,))
    with pytest.raises(MeasurementError, match="No side to map"):
        site_map_picture(adult.plan, {})
