"""The bone seen along the path: where its surface, its suture and the area lie."""

from __future__ import annotations

import numpy as np
import pytest

from entrypoint import Side
from entrypoint.figures.square_on import area_edges, bone_face, square_on, square_on_view
from entrypoint.figures.style import PICTURE, Ground, Labels, Style
from entrypoint.figures.view import View
from entrypoint.planning.site_map_model import NOT_IN_IT
from entrypoint.volume.grid import Grid
from entrypoint.volume.volume import Volume
from tests.figures.looking import (
    assert_carries_what_it_must,
    assert_mark_at,
    assert_tidy,
    lines,
    pixels,
    said,
    xy,
)


@pytest.fixture(scope="module")
def figures(adult, adult_sites):
    return {
        side: square_on(adult.plan, adult.loaded.volume, side, adult_sites[side]) for side in Side
    }


def test_a_ball_of_bone_is_met_where_it_is():
    n, centre, radius = 120, np.array([60.0, 60.0, 40.0]), 35.0
    ijk = np.stack(np.meshgrid(*[np.arange(float(n))] * 2, np.arange(90.0), indexing="ij"), axis=-1)
    away = np.linalg.norm(ijk - centre, axis=-1)
    hu = np.where(away < radius, 1000.0, 40.0)
    hu[(ijk[..., 0] > 58.0) & (ijk[..., 0] < 62.0) & (away < radius)] = 40.0  # a gap along y
    blurred = Volume(grid=Grid(shape=hu.shape, world_from_index=np.eye(4)),
                     stored=hu.astype(np.float32))  # fmt: skip
    view = View(
        origin_mm=centre + np.array([0.0, 0.0, radius]), unit_page_right=np.array([1.0, 0, 0]),
        unit_page_up=np.array([0, 1.0, 0]), seen_from="", left_edge="", right_edge="",
    )  # fmt: skip
    face = bone_face(blurred, view, soft_hu=40.0, radius_mm=20.0, pixel_mm=1.0)
    x = np.arange(40) + 0.5 - 20.0
    page_x, page_y = np.meshgrid(x, x[::-1])
    expected = np.sqrt(radius**2 - page_x**2 - page_y**2) - radius
    away = np.hypot(page_x, page_y) < 19.0
    beside = away & (np.abs(page_x) > 4.0)
    assert np.nanmax(np.abs(face.height_mm - expected)[beside]) < 0.8
    assert np.nanmean(np.abs(face.height_mm - expected)[beside]) < 0.35
    gap = np.nanmean(np.where(np.isfinite(face.density_hu), face.density_hu, 40.0)[away & ~beside])
    assert gap < np.nanmean(face.density_hu[beside]) - 200.0


@pytest.mark.parametrize("side", list(Side))
def test_it_is_seen_along_the_path_with_the_nose_on_top(adult, side):
    view, planned = square_on_view(adult.plan, side), adult.plan.sides[side]
    np.testing.assert_allclose(view.unit_to_viewer, -planned.unit_inward, atol=1e-9)
    np.testing.assert_allclose(view.page_from_world(planned.outer_table_mm), 0.0, atol=1e-9)
    marks = adult.plan.landmarks
    assert view.page_from_world(marks["nasion_skin"].position_mm)[1] > 20.0
    assert view.unit_page_right @ adult.plan.midsagittal_plane.unit_normal > 0.8


def test_the_drawn_suture_lies_on_the_dark_line_and_on_the_truth(adult, figures):
    curve = np.array(adult.truth["coronal_suture"]["curve_mm"])
    for side, figure in figures.items():
        view = square_on_view(adult.plan, side)
        true = view.page_from_world(curve)
        drawn = np.concatenate([xy(line) for line in lines(figure.axes[0], "coronal-suture")])
        near = np.linalg.norm(drawn[:, None] - true, axis=-1).min(axis=1)
        assert np.median(near) < 1.5


def test_midline_and_marks_lie_where_the_record_says(adult, figures):
    for side, figure in figures.items():
        axes = figure.axes[0]
        sign = 1.0 if side is Side.RIGHT else -1.0
        (midline, *_) = lines(axes, "midsagittal-plane")
        # The midline lies on the page's other half, about as far as the record's clearance.
        x = xy(midline)[np.argmin(np.abs(xy(midline)[:, 1]))][0]
        assert -sign * x == pytest.approx(
            adult.plan.sides[side].clearance.midline_outer_table_mm, abs=6.0
        )
        assert_mark_at(figure, pixels(figure), axes, PICTURE.path, (0.0, 0.0))


def test_the_area_is_dashed_and_what_it_leaves_out_is_said(figures):
    for figure in figures.values():
        axes = figure.axes[0]
        for kind in ("area", "kept"):
            assert lines(axes, kind)
            assert all(line.is_dashed() for line in lines(axes, kind))
        words = said(figure)
        for item in NOT_IN_IT:
            assert " ".join(item.split()) in words
        assert "within-margins area" in words
        assert not [line for line in axes.lines if "centre" in str(line.get_gid())]


def test_it_is_tidy_and_carries_what_it_must(adult, adult_sites, figures):
    for figure in figures.values():
        assert_tidy(figure)
        assert_carries_what_it_must(figure)
        at = {t.get_text(): t.xy[0] for t in figure.axes[0].texts if hasattr(t, "xy")}
        assert at["PATIENT'S LEFT"] < 0.5 < at["PATIENT'S RIGHT"]
    style = Style(labels=Labels.SHORT, ground=Ground.DARK)
    short = square_on(adult.plan, adult.loaded.volume, Side.LEFT, None, style)
    assert_tidy(short)
    assert not lines(short.axes[0], "area")


def test_edges_of_an_area_on_a_curved_grid():
    x, y = np.meshgrid(np.linspace(-3.0, 3.0, 61), np.linspace(-3.0, 3.0, 61), indexing="ij")
    bent = np.stack([x + 0.1 * y**2, y], axis=-1)
    (edge,) = area_edges(bent, 4.0 - x**2 - y**2)
    back = edge - np.stack([0.1 * edge[:, 1] ** 2, np.zeros(len(edge))], axis=-1)
    np.testing.assert_allclose(np.hypot(back[:, 0], back[:, 1]), 2.0, atol=0.01)
    assert area_edges(bent, np.full(x.shape, np.nan)) == []
