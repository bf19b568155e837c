"""The corner at the back of the head, on profiles with one planted."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from entrypoint.anatomy.inion import find_inion
from entrypoint.errors import MeasurementError

RIGHT = np.array([1.0, 0.0, 0.0])
# Nasion-inion on bone: Anatomy 2018;12(3):135-139.
NORM = {"expected_arc_mm": 330.2, "expected_sd_mm": 15.2}


def profile(at_mm=325.0, height_mm=5.0, spread_mm=7.0, total_mm=400.0, radius=90.0):
    """A vault of one radius with a blunt bump ``at_mm`` along it; its peak in closed form."""
    s = np.arange(0.0, total_mm, 0.7)
    a = s / radius
    r = radius + height_mm * np.exp(-0.5 * ((s - at_mm) / spread_mm) ** 2)
    line = np.column_stack([0 * s, r * np.cos(a), r * np.sin(a)])
    peak = (radius + height_mm) * np.array([0, np.cos(at_mm / radius), np.sin(at_mm / radius)])
    return line, peak


@pytest.mark.parametrize("at", [300.0, 318.0, 330.0, 345.0])
@pytest.mark.parametrize(("height", "spread"), [(3.0, 5.0), (5.0, 7.0), (8.0, 10.0)])
def test_planted_protuberance_is_found(at, height, spread):
    line, peak = profile(at, height, spread)
    found, arc, sd = find_inion(line, RIGHT, **NORM)
    assert np.linalg.norm(found - peak) < 3.0
    steps = np.linalg.norm(np.diff(line, axis=0), axis=1)
    true_arc = steps[: int(np.argmin(np.linalg.norm(line - peak, axis=1)))].sum()
    assert arc == pytest.approx(true_arc, abs=4.0)
    assert 3.0 <= sd <= 12.0


@pytest.mark.parametrize("seed", range(5))
def test_any_pose_and_either_sense_of_the_normal(seed):
    rng = np.random.default_rng(seed)
    turn, shift = Rotation.random(random_state=rng), rng.uniform(-200, 200, 3)
    line, _ = profile()
    plain, arc, sd = find_inion(line, RIGHT, **NORM)
    for sign in (1.0, -1.0):
        found, its_arc, its_sd = find_inion(
            turn.apply(line) + shift, turn.apply(sign * RIGHT), **NORM
        )
        np.testing.assert_allclose(turn.inv().apply(found - shift), plain, atol=1e-6)
        assert its_arc == pytest.approx(arc, abs=1e-6)
        assert its_sd == pytest.approx(sd, abs=1e-6)


def test_a_blunt_back_is_less_certain_than_a_sharp_one():
    sharp = find_inion(profile(328.0, 9.0, 6.0)[0], RIGHT, **NORM)[2]
    blunt = find_inion(profile(328.0, 3.0, 12.0)[0], RIGHT, **NORM)[2]
    assert sharp < blunt


def test_no_corner_or_two_are_refused():
    """The published length alone is no inion."""
    with pytest.raises(MeasurementError, match="wo places"):
        find_inion(profile(328.0, 0.0)[0], RIGHT, **NORM)
    both = profile(312.0, 4.0, 6.0)[0] + profile(344.0, 4.0, 6.0)[0] - profile(0.0, 0.0)[0]
    with pytest.raises(MeasurementError, match="wo places"):
        find_inion(both, RIGHT, **NORM)


def test_a_corner_far_from_any_head_does_not_win():
    """A step between bones, 240 mm behind the nasion, is not the inion."""
    line, _ = profile(325.0, 4.0, 7.0)
    step, _ = profile(240.0, 4.0, 5.0)
    both = line + step - profile(0.0, 0.0)[0]
    _, arc, _ = find_inion(both, RIGHT, **NORM)
    assert arc > 300.0


@pytest.mark.parametrize("total", [120.0, 250.0, 300.0])
def test_a_profile_that_ends_before_the_back_is_refused(total):
    with pytest.raises(MeasurementError, match="ends"):
        find_inion(profile(total_mm=total)[0], RIGHT, **NORM)


def test_a_head_rest_taken_for_skull_is_refused():
    """Above the apparent corner the profile is as hollow as no skull is."""
    s = np.arange(0.0, 400.0, 0.7)
    r = 90.0 - 9.0 * np.exp(-0.5 * ((s - 300.0) / 14.0) ** 2) + 9.0 * np.exp(
        -0.5 * ((s - 335.0) / 9.0) ** 2
    )  # fmt: skip
    line = np.column_stack([0 * s, r * np.cos(s / 90.0), r * np.sin(s / 90.0)])
    with pytest.raises(MeasurementError, match="not that of a skull"):
        find_inion(line, RIGHT, **NORM)
