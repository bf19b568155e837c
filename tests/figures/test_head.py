"""The head with its tapes: where the tapes lie, and drawing that cannot take the process down."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import pytest

import entrypoint
from entrypoint import Side
from entrypoint.errors import MissingExtra
from entrypoint.figures import head as head_figure
from entrypoint.figures.offscreen import draw
from entrypoint.geometry.polylines import length_mm
from tests.figures.looking import assert_carries_what_it_must, assert_tidy, said

SAMPLES = Path(entrypoint.__file__).parents[1] / "sample_volumes"


@pytest.fixture(scope="module")
def loaded(adult):
    return adult.loaded


@pytest.fixture(scope="module")
def plan(adult):
    return adult.plan


@pytest.mark.parametrize("side", list(Side))
def test_tapes_are_as_long_as_the_rule_and_end_at_the_entry(loaded, plan, side):
    truth = json.loads((SAMPLES / "adult.truth.json").read_text(encoding="utf-8"))
    midline, lateral = head_figure.tapes_on_skin(plan, loaded.volume, side)
    assert length_mm(midline) == pytest.approx(110.0, abs=0.1)
    assert length_mm(lateral) == pytest.approx(30.0, abs=1.0)
    assert np.linalg.norm(midline[-1] - np.array(truth["midline"]["point_mm"])) < 3.0
    np.testing.assert_allclose(midline[0], plan.landmarks["nasion_skin"].position_mm)
    np.testing.assert_allclose(lateral[0], midline[-1])
    np.testing.assert_allclose(lateral[-1], plan.sides[side].scalp_entry_mm)


def ball_scene(size_px=(240, 200)):
    """A ball of 50 mm round (30, -20, 10), on a grid that is turned, mirrored and shifted."""
    shape = (60, 64, 56)
    turn = np.deg2rad(35.0)
    matrix = np.eye(4)
    matrix[:3, :3] = 2.0 * np.array(
        [[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, -1.0]]
    )
    centre = np.array([30.0, -20.0, 10.0])
    matrix[:3, 3] = centre - matrix[:3, :3] @ ((np.array(shape) - 1) / 2)
    ijk = np.stack(np.meshgrid(*[np.arange(n) for n in shape], indexing="ij"), axis=-1)
    world = ijk @ matrix[:3, :3].T + matrix[:3, 3]
    return {
        "hu_ball": (50.0 - np.linalg.norm(world - centre, axis=-1)).astype(np.float32),
        "world_from_index": matrix,
        "level_ball": np.array(0.0),
        "colour_ball": np.array("#808080"),
        "opacity_ball": np.array(1.0),
        "background": np.array("#ffffff"),
        "eye_mm": centre + np.array([0, 500, 0]),
        "focus_mm": centre - np.array([20.0, 0, 0]),
        "unit_up": np.array([0, 0, 1.0]),
        "half_height_mm": np.array(100.0),
        "size_px": np.array(size_px),
    }


def test_a_ball_is_drawn_in_its_place_and_size_or_what_is_missing_is_named():
    picture, missing = None, ""
    try:
        picture = draw(ball_scene())
    except MissingExtra as error:
        missing = str(error)
    if picture is None:
        assert "libegl1" in missing
        return
    assert picture.shape == (200, 240, 3)
    drawn = np.argwhere(picture.min(axis=2) < 250)  # 1 mm a pixel
    height, width = np.ptp(drawn, axis=0) + 1
    assert abs(height - 100) <= 3
    assert abs(width - 100) <= 3
    # Looking backwards along y, x runs to the left: 20 mm to that side of the focus.
    middle = drawn.mean(axis=0)
    assert abs(middle[0] - 99.5) <= 1.5
    assert abs(middle[1] - (119.5 - 20.0)) <= 1.5


def test_a_drawing_process_that_dies_is_named_not_met(monkeypatch, tmp_path):
    dying = tmp_path / "dies"
    dying.write_text("#!/bin/sh\nkill -SEGV $$\n")
    dying.chmod(0o755)
    monkeypatch.setattr(sys, "executable", str(dying))
    with pytest.raises(MissingExtra, match="libegl1") as raised:
        draw(ball_scene())
    assert raised.value.exit_code == 3


def drawn_without_a_window(monkeypatch):
    asked = {}

    def remembered(scene):
        asked.update(scene)
        return np.full((100, 100, 3), 255, dtype=np.uint8)

    monkeypatch.setattr(head_figure, "draw", remembered)
    return asked


def test_the_figure_says_where_it_is_seen_from(loaded, plan, monkeypatch):
    asked = drawn_without_a_window(monkeypatch)
    for side in Side:
        figure = head_figure.head_with_tapes(plan, loaded.volume, side)
        assert_carries_what_it_must(figure)
        assert_tidy(figure)
        words = said(figure)
        assert f"Seen from in front and above, on the PATIENT'S {side.value.upper()}." in words
        for name in ("nasion", "coronal suture", "entry on the scalp", "sensor tip", "5 cm"):
            assert name in words
        axes = figure.axes[0]
        at = {t.get_text(): t.xy[0] for t in axes.texts}
        assert at["PATIENT'S RIGHT"] < 0.5 < at["PATIENT'S LEFT"]
        # The patient's right lies to the left of the page, and the eye on the named side.
        right = plan.midsagittal_plane.unit_normal
        towards_eye = asked["eye_mm"] - asked["focus_mm"]
        page_right = np.cross(asked["unit_up"], towards_eye)
        assert page_right @ right < 0.0
        assert (towards_eye @ right > 0.0) == (side is Side.RIGHT)
        # What is written over the drawing lies where the drawing has it.
        (tip,) = (line for line in axes.lines if line.get_gid() == "mark-tip")
        off = plan.sides[side].sensor_tip_mm - asked["focus_mm"]
        page_right = page_right / np.linalg.norm(page_right)
        assert tip.get_xdata()[0] == pytest.approx(off @ page_right, abs=1e-6)
        assert tip.get_ydata()[0] == pytest.approx(off @ asked["unit_up"], abs=1e-6)


def test_the_scene_holds_bone_under_a_translucent_scalp_and_tapes_with_ticks(
    loaded, plan, monkeypatch
):
    asked = drawn_without_a_window(monkeypatch)
    head_figure.head_with_tapes(plan, loaded.volume, Side.LEFT)
    assert 0.0 < asked["opacity_skin"] < 0.7
    assert asked["opacity_bone"] == 1.0
    entry = plan.sides[Side.LEFT].scalp_entry_mm
    np.testing.assert_allclose(asked["ball_entry"][:3], entry)
    np.testing.assert_allclose(asked["tube_path"][-1], entry)
    ticks = [k for k in asked if k.startswith("tube_tick_midline")]
    assert len(ticks) == 12  # 0 to 11 cm
    middles = [asked[f"tube_tick_midline_{cm}"].mean(axis=0) for cm in range(12)]
    np.testing.assert_allclose(
        np.linalg.norm(np.diff(middles, axis=0), axis=1), 10.0, atol=0.35
    )  # chords of a centimetre of tape
