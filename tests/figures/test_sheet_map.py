"""The sheet's map: what the record places lies where the record puts it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from entrypoint import Side, api
from entrypoint.figures.sheet import bedside_sheet
from entrypoint.figures.sheet_map import map_points
from entrypoint.planning.model import How
from tests.figures.sheets import SIDES, lines, named, named_texts, page_mm, tape_plan


@pytest.mark.parametrize("side", SIDES)
def test_entry_and_suture_are_one_projection_of_the_record(adult, side):
    plan = named(adult.plan)
    figure = bedside_sheet(plan, side=side)
    ring = page_mm(figure, lines(figure, "map-entry")[0])
    entry = 0.5 * (ring.min(axis=0) + ring.max(axis=0))
    middle = page_mm(figure, lines(figure, "map-midline")[0])[:, 0]
    assert np.ptp(middle) == pytest.approx(0.0, abs=1e-9)
    sign = 1.0 if side is Side.RIGHT else -1.0
    scale = sign * (entry[0] - middle[0]) / plan.sides[side].clearance.midline_scalp_mm
    assert 0.25 < scale < 0.6  # positive: the patient's right is on the page's right
    world = plan.coronal_suture.curve_mm
    drawn = page_mm(figure, lines(figure, "map-suture")[0])
    plane = plan.midsagittal_plane
    across = (world - plane.point_mm) @ plane.unit_normal
    np.testing.assert_allclose(drawn[:, 0] - middle[0], scale * across, atol=1e-6)
    # Up the page: one linear view of the world for the suture, the nasion and the entry.
    tape = page_mm(figure, lines(figure, "map-midline-tape")[0])
    nasion = plan.landmarks["nasion_skin"].position_mm
    points = np.vstack([world, plan.sides[side].scalp_entry_mm, nasion])
    up = np.concatenate([drawn[:, 1], [entry[1], tape[0, 1]]])
    design = np.column_stack([points, np.ones(len(points))])
    fitted = np.linalg.lstsq(design, up, rcond=None)[0]
    np.testing.assert_allclose(design @ fitted, up, atol=1e-6)
    assert np.linalg.norm(fitted[:3]) == pytest.approx(scale, rel=1e-6)
    assert tape[0, 1] > entry[1] > drawn[:, 1].mean()  # nose at the top


@pytest.mark.parametrize("side", SIDES)
def test_ticks_are_centimetres_of_the_two_tapes(side):
    points = map_points(tape_plan(), side)
    assert len(points.midline_ticks_mm) == 12  # 0 to 10 cm, and the end at 10.5 cm
    assert len(points.lateral_ticks_mm) == 4  # 0, 1, 2 and 2.5 cm
    assert np.all(np.diff(points.midline_ticks_mm[:, 1]) < 0.0)
    sign = 1.0 if side is Side.RIGHT else -1.0
    assert np.all(sign * np.diff(points.lateral_ticks_mm[:, 0]) > 0.0)
    np.testing.assert_allclose(points.lateral_ticks_mm[-1], points.entry_mm)
    figure = bedside_sheet(tape_plan(), side=side)
    assert len(lines(figure, "map-midline-tick")) == 11
    assert len(lines(figure, "map-lateral-tick")) == 2
    assert named_texts(figure, "map-edge-right") == ["PATIENT'S RIGHT"]
    assert named_texts(figure, "map-edge-left") == ["PATIENT'S LEFT"]
    places = {t.get_gid(): t.get_position()[0] for t in figure.texts}
    assert places["map-edge-left"] < places["map-edge-right"]


def test_a_suture_that_was_not_seen_is_dashed(adult):
    plan = named(adult.plan)
    seen = lines(bedside_sheet(plan, side=Side.LEFT), "map-suture")[0]
    guessed = replace(plan.coronal_suture, left=How.ESTIMATED)
    plan = replace(plan, coronal_suture=guessed)
    dashed = lines(bedside_sheet(plan, side=Side.LEFT), "map-suture")[0]
    assert (seen.get_linestyle(), dashed.get_linestyle()) == ("-", "--")
    solid = lines(bedside_sheet(plan, side=Side.RIGHT), "map-suture")[0]
    assert solid.get_linestyle() == "-"


def test_landmarks_alone_place_it_too(adult):
    plan = named(api.plan_landmarks(adult.landmarks_path))
    points = map_points(plan, Side.RIGHT)
    on_ct = map_points(adult.plan, Side.RIGHT)
    np.testing.assert_allclose(points.entry_mm, on_ct.entry_mm, atol=8.0)
    assert points.suture_seen
