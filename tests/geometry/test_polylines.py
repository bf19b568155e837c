"""Polylines by arc length."""

from __future__ import annotations

import math

import numpy as np
import pytest

from entrypoint.errors import GeometryError
from entrypoint.geometry.polylines import (
    arc_lengths_mm,
    between,
    direction_over,
    length_mm,
    nearest_on,
    point_at,
    resample,
    smooth,
    without_repeats,
)

CORNER = np.array([[0.0, 0, 0], [10, 0, 0], [10, 5, 0]])


def helix(n: int = 2000) -> np.ndarray:
    """Radius 3, rise 4 a radian: length 5 a radian."""
    t = np.linspace(0.0, 6.0, n)
    return np.column_stack([3 * np.cos(t), 3 * np.sin(t), 4 * t])


def test_lengths_of_a_corner_and_a_helix():
    np.testing.assert_allclose(arc_lengths_mm(CORNER), [0, 10, 15])
    assert length_mm(helix()) == pytest.approx(30.0, abs=1e-4)


def test_point_and_tangent():
    point, tangent = point_at(CORNER, 12.0)
    np.testing.assert_allclose(point, [10, 2, 0])
    np.testing.assert_allclose(tangent, [0, 1, 0])
    np.testing.assert_allclose(point_at(CORNER, 15.0)[0], [10, 5, 0])
    for beyond in (-0.1, 15.1):
        with pytest.raises(GeometryError, match="on a curve that is"):
            point_at(CORNER, beyond)


def test_direction_over_a_span_rounds_a_corner():
    np.testing.assert_allclose(
        direction_over(CORNER, 10.0, 4.0), [math.sqrt(0.5), math.sqrt(0.5), 0.0]
    )
    np.testing.assert_allclose(direction_over(CORNER, 0.0, 4.0), [1, 0, 0])


def test_nearest_on_inverts_point_at():
    curve = helix()
    for arc in (0.0, 7.3, 21.9, 29.9):
        point = point_at(curve, arc)[0]
        found, foot, distance = nearest_on(curve, point)
        assert found == pytest.approx(arc, abs=1e-6)
        assert distance < 1e-9
        np.testing.assert_allclose(foot, point)
    assert nearest_on(CORNER, [5, -3, 0])[2] == pytest.approx(3.0)


def test_resample_keeps_ends_and_steps():
    out = resample(CORNER, 1.0)
    assert len(out) == 16
    np.testing.assert_allclose(out[[0, -1]], CORNER[[0, -1]])
    np.testing.assert_allclose(np.diff(arc_lengths_mm(resample(helix(), 0.5))), 0.5, atol=1e-3)
    with pytest.raises(GeometryError, match="positive step"):
        resample(CORNER, 0.0)


def test_smoothing_keeps_a_line_and_the_ends():
    line = np.linspace(0, 1, 50)[:, None] ** 1.5 * [30.0, -20.0, 10.0]
    np.testing.assert_allclose(smooth(line, 3.0), line, atol=0.02)
    out = smooth(CORNER, 1.0)
    np.testing.assert_allclose(out[[0, -1]], CORNER[[0, -1]], atol=1e-9)
    np.testing.assert_allclose(smooth(CORNER, 0.0), CORNER)


@pytest.mark.parametrize("wavelength", [4.0, 8.0, 16.0])
def test_smoothing_damps_a_ripple_as_a_gaussian_does(wavelength):
    """Amplitude falls by exp(-2 (pi sigma / wavelength)^2); small, so that arc is x."""
    x = np.linspace(0.0, 160.0, 3201)
    ripple = np.column_stack([x, 0.02 * np.sin(2 * np.pi * x / wavelength), 0 * x])
    middle = (x > 40) & (x < 120)
    got = np.abs(smooth(ripple, 1.0)[middle, 1]).max()
    assert got == pytest.approx(0.02 * math.exp(-2 * (math.pi / wavelength) ** 2), rel=0.02)


def test_smoothing_a_curve_shorter_than_the_kernel():
    out = smooth([[0, 0, 0], [1, 0, 0], [2, 0.2, 0]], 5.0)
    assert np.isfinite(out).all()
    np.testing.assert_allclose(out[[0, -1]], [[0, 0, 0], [2, 0.2, 0]], atol=1e-9)


def test_between():
    part = between(CORNER, 4.0, 12.0)
    np.testing.assert_allclose(part, [[4, 0, 0], [10, 0, 0], [10, 2, 0]])
    with pytest.raises(GeometryError, match="end lies after its start"):
        between(CORNER, 5.0, 5.0)


def test_repeats_are_dropped_and_no_curve_is_refused():
    assert len(without_repeats([[0, 0, 0], [0, 0, 0], [1, 0, 0]])) == 2
    with pytest.raises(GeometryError, match="all coincide"):
        without_repeats([[1, 1, 1], [1, 1, 1]])
