"""Sections along the path: what lies where on the page, and what every picture must carry."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest

import entrypoint
from entrypoint import Side
from entrypoint.errors import MeasurementError
from entrypoint.figures.readme import small_png
from entrypoint.figures.section import section_along_path
from entrypoint.figures.style import MARKS, PICTURE, Ground, Labels, Style
from entrypoint.figures.view import views_along_path
from entrypoint.planning.model import CAVEAT, Clearance, DrillStop, Thickness
from entrypoint.volume.grid import Grid
from entrypoint.volume.volume import Volume
from tests.conventions.test_budgets import DRAWING, loaded_after
from tests.figures.looking import (
    BANNER,
    assert_carries_what_it_must,
    assert_mark_at,
    assert_tidy,
    lines,
    pixels,
    said,
    texts,
    xy,
)
from tests.report.plans import tape_plan

SAMPLES = Path(entrypoint.__file__).parents[1] / "sample_volumes"


@pytest.fixture(scope="module")
def loaded(adult):
    return adult.loaded


@pytest.fixture(scope="module")
def plan(adult):
    return adult.plan


@pytest.fixture(scope="module")
def figures(loaded, plan):
    return {side: section_along_path(plan, loaded.volume, side) for side in Side}


@pytest.mark.parametrize("side", list(Side))
def test_both_pages_hold_the_path_and_are_seen_from_where_they_say(plan, side):
    along, across = views_along_path(plan, side)
    planned, plane = plan.sides[side], plan.midsagittal_plane
    path = np.array([planned.scalp_entry_mm, planned.outer_table_mm, planned.sensor_tip_mm])
    for view in (along, across):
        axes = [view.unit_page_right, view.unit_page_up, view.unit_to_viewer]
        np.testing.assert_allclose(np.array(axes) @ np.array(axes).T, np.eye(3), atol=1e-9)
        np.testing.assert_allclose((path - view.origin_mm) @ view.unit_to_viewer, 0.0, atol=0.02)
        page = np.array([[3.0, -7.0], [0.0, 12.5]])
        np.testing.assert_allclose(
            view.page_from_world(view.world_from_page(page)), page, atol=1e-9
        )
    # The lengthwise page is looked at from the named side; the other from behind and above.
    towards_named = plane.unit_normal * (1.0 if side is Side.RIGHT else -1.0)
    assert along.unit_to_viewer @ towards_named > 0.8
    assert side.value.upper() in along.seen_from
    forwards = plan.landmarks["nasion_skin"].position_mm - plan.landmarks["inion"].position_mm
    up = np.cross(plane.unit_normal, forwards)
    assert across.unit_to_viewer @ forwards < 0.0
    assert across.unit_to_viewer @ up > 0.0
    # Across its page, a distance is a distance to the midsagittal plane, right to the right.
    away = (path - plane.point_mm) @ plane.unit_normal
    np.testing.assert_allclose(across.page_from_world(path)[:, 0], away, atol=1e-6)
    # The face is on the page where the edge says so.
    face_right = along.page_from_world(along.origin_mm + forwards)[0] > 0.0
    assert (along.right_edge if face_right else along.left_edge) == "FRONT"


def test_the_page_shows_the_voxels_that_lie_on_it(plan):
    along, _ = views_along_path(plan, Side.RIGHT)
    matrix = np.eye(4)
    matrix[:3, 3] = -120.0
    ijk = np.stack(np.meshgrid(*[np.arange(0.0, 240.0, 2.0)] * 3, indexing="ij"), axis=-1)
    matrix[:3, :3] *= 2.0
    weights = np.array([1.0, 2.0, -1.5])
    stored = ((ijk - 120.0) @ weights).astype(np.float32)
    volume = Volume(grid=Grid(shape=stored.shape, world_from_index=matrix), stored=stored)
    hu = along.resample(volume, (-20.0, 10.0, -15.0, 5.0), 0.5)
    assert hu.shape == (40, 60)
    for row, column in ((0, 0), (39, 59), (7, 31)):
        page = np.array([-20.0 + 0.5 * (column + 0.5), 5.0 - 0.5 * (row + 0.5)])
        assert hu[row, column] == pytest.approx(along.world_from_page(page) @ weights, abs=1e-2)


@pytest.mark.parametrize("side", list(Side))
def test_a_picture_carries_sides_viewpoint_caveat_and_banner(figures, side):
    words = said(figures[side])
    assert_carries_what_it_must(figures[side])
    for needed in (
        f"PATIENT'S {side.value.upper()}: the path in section",
        f"Seen from the PATIENT'S {side.value.upper()}",
        "Seen from behind and above",
        "PATIENT'S LEFT", "PATIENT'S RIGHT", "FRONT", "BACK",
        "5 cm", "2 cm", "1 cm", "coronal suture", "margin", "midsagittal plane",
        "published, not this head's vein",
        "inner table; the dura begins", "sensor tip", "skin", "outer table",
    ):  # fmt: skip
        assert needed in words, needed
    assert words.count(BANNER) == len(figures[side].axes) == 3


def test_the_edges_of_the_page_across_are_the_patients(figures):
    for figure in figures.values():
        at = {t.get_text(): t.xy[0] for t in figure.axes[1].texts}
        assert at["PATIENT'S LEFT"] < 0.5 < at["PATIENT'S RIGHT"]


def test_marks_stand_where_the_plan_says_to_a_pixel(plan, figures):
    for side, figure in figures.items():
        sign = 1.0 if side is Side.RIGHT else -1.0
        clear, planned = plan.sides[side].clearance, plan.sides[side]
        picture = pixels(figure)
        across = figure.axes[1]
        # Across the page x is the distance to the midline; up is square to it, away from the path.
        plane = plan.midsagittal_plane
        inward = planned.unit_inward - (planned.unit_inward @ plane.unit_normal) * plane.unit_normal
        up = -inward / np.linalg.norm(inward)
        for name, point, away in (
            ("entry", planned.scalp_entry_mm, clear.midline_scalp_mm),
            ("tip", planned.sensor_tip_mm, clear.midline_tip_mm),
        ):
            at = (sign * away, (point - planned.scalp_entry_mm) @ up)
            colour = getattr(PICTURE, MARKS[name].colour)
            assert_mark_at(figure, picture, across, colour, at)
        (midline,) = lines(across, "midsagittal-plane")
        assert list(midline.get_xdata()) == [0, 0]
        (margin,) = lines(across, "midline-margin")
        assert margin.get_xdata()[0] == sign * plan.rule.midline_margin_mm
        # Enlarged, the path runs straight down: depths are lengths from the skin.
        depth = np.linalg.norm(planned.outer_table_mm - planned.scalp_entry_mm)
        (outer,) = lines(figure.axes[2], "outer-table")
        assert outer.get_ydata()[0] == pytest.approx(-depth, abs=0.02)
        tip = -np.linalg.norm(planned.sensor_tip_mm - planned.scalp_entry_mm)
        assert_mark_at(figure, picture, figure.axes[2], PICTURE.tip, (0.0, tip))


def test_skin_and_tables_are_followed_beside_the_path(plan, figures):
    for side, figure in figures.items():
        thick = plan.sides[side].thickness
        depths = {"skin-edge": 0.0, "outer-edge": -thick.scalp_mm,
                  "inner-edge": -thick.scalp_mm - thick.skull_mm}  # fmt: skip
        for gid, depth in depths.items():
            (line,) = lines(figure.axes[2], gid)
            middle = xy(line)[np.argmin(np.abs(line.get_xdata()))]
            assert middle[1] == pytest.approx(depth, abs=0.6)


@pytest.mark.parametrize("labels", list(Labels))
def test_no_text_covers_another_or_is_cut(loaded, plan, figures, small_head, labels):
    if labels is Labels.FULL:
        for figure in figures.values():
            assert_tidy(figure)
        return
    # Where the suture lies close to the path.
    style = Style(labels=labels, ground=Ground.DARK, size_ratio=1.5)
    figure = section_along_path(small_head.plan, small_head.loaded.volume, Side.RIGHT, style)
    assert_tidy(figure, least_pt=13.0)
    assert_carries_what_it_must(figure)
    words = {t.get_text() for t in texts(figure)}
    assert {"FRONT", "BACK", "PATIENT'S LEFT", "PATIENT'S RIGHT"} <= words
    assert ("T" in words) == (labels is Labels.SHORT)
    assert "sensor tip" not in words
    assert figure.get_size_inches()[0] == pytest.approx(18.0)


def test_the_suture_is_drawn_near_its_true_place(loaded, plan, figures):
    truth = json.loads((SAMPLES / "adult.truth.json").read_text(encoding="utf-8"))
    curve = np.array(truth["coronal_suture"]["curve_mm"])
    along, _ = views_along_path(plan, Side.RIGHT)
    drawn = next(
        line for line in figures[Side.RIGHT].axes[0].lines
        if line.get_gid() == "mark-suture"
    )  # fmt: skip
    point = along.world_from_page(np.array([drawn.get_xdata()[0], drawn.get_ydata()[0]]))
    assert np.linalg.norm(curve - point, axis=1).min() < 2.0


def test_the_bar_is_as_long_as_it_says(figures):
    for figure in figures.values():
        for axes, length in zip(figure.axes, (50.0, 20.0, 10.0), strict=True):
            parts = [line for line in axes.lines if line.get_gid() == "scale-bar"]
            x = np.concatenate([line.get_xdata() for line in parts])
            assert x.max() - x.min() == pytest.approx(length)
            assert axes.get_aspect() == 1.0


def test_a_patients_head_carries_no_banner(loaded, plan):
    figure = section_along_path(
        dataclasses.replace(plan, practice=False), loaded.volume, Side.RIGHT
    )
    assert BANNER not in said(figure)
    assert " ".join(CAVEAT.split()) in said(figure)


def test_what_is_not_known_is_not_drawn(loaded, plan):
    bare = dataclasses.replace(
        plan.sides[Side.RIGHT], inner_table_mm=None, sensor_tip_mm=None, thickness=Thickness(),
        clearance=Clearance(), drill_stop=DrillStop(),
    )  # fmt: skip
    figure = section_along_path(
        dataclasses.replace(plan, sides={Side.RIGHT: bare}, coronal_suture=None),
        loaded.volume, Side.RIGHT,
    )  # fmt: skip
    gids = {line.get_gid() for axes in figure.axes for line in axes.lines}
    assert "outer-table" in gids
    assert "inner-table" not in gids
    words = said(figure)
    assert "skull 6" not in words
    assert "sensor tip" not in words


def test_a_plan_without_a_path_is_refused(loaded):
    with pytest.raises(MeasurementError, match="No path on the patient's left"):
        section_along_path(tape_plan(), loaded.volume, Side.LEFT)


def test_a_picture_is_small_and_the_same_each_time(figures):
    first, again = (small_png(figures[Side.RIGHT], dpi=60) for _ in range(2))
    assert first == again
    assert len(first) < 400_000


def test_the_readme_pictures_are_small():
    pictures = sorted((SAMPLES.parent / "notebooks" / "pictures").glob("*.png"))
    assert len(pictures) == 4
    assert all(p.stat().st_size < 400_000 for p in pictures)


def test_importing_the_figures_loads_no_drawing_library():
    loaded_modules = loaded_after("import entrypoint.figures.section, entrypoint.figures.head")
    assert not loaded_modules & DRAWING
