"""Samples along rays and crossings, on edges whose place is known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import erf

from entrypoint.volume.rays import crossing, first_fall, last_above, sample_rays
from tests.volume.made import volume_of


def step(depth, at, sigma, low=-1000.0, high=40.0):
    """Edge in closed form; half-way between its levels exactly at ``at``."""
    return low + (high - low) * 0.5 * (1 + erf((depth - at) / (sigma * np.sqrt(2))))


@pytest.mark.parametrize("sigma", [0.25, 0.4, 0.8])
@pytest.mark.parametrize("spacing", [0.2, 0.4, 0.5])
def test_half_way_crossing_of_an_erf_edge(sigma, spacing):
    depths = np.arange(0.0, 20.0, spacing)
    true = np.linspace(8.0, 8.0 + spacing, 41)
    values = step(depths, true[:, None], sigma)
    at = first_fall(-values, 480.0)
    found = crossing(depths, values, -480.0, at)
    # A chord leaves an erf by at most h^2 / 8 times its curvature over its slope; the worst is
    # where the samples lie far out on the tails, so a tenth of a sample where they do not.
    limit = 0.02 * spacing if spacing <= sigma else 0.1 * spacing
    assert np.abs(found - true).max() < limit


def test_crossing_of_a_straight_ramp_is_exact_at_any_level():
    depths = np.array([0.0, 1.0, 3.0, 4.0])
    values = np.tile([10.0, 20.0, 60.0, 80.0], (3, 1))
    found = crossing(depths, values, np.array([12.5, 50.0, 79.0]), np.array([0, 1, 2]))
    np.testing.assert_allclose(found, [0.25, 2.5, 3.95])


def test_no_crossing_is_nan_and_not_a_depth():
    values = np.array([[5.0, 6.0, 7.0]])
    assert np.isnan(crossing(np.arange(3.0), values, 6.5, np.array([-1]))).all()
    assert np.isnan(crossing(np.arange(3.0), values, 6.5, np.array([2]))).all()


def test_first_fall_is_the_last_sample_above_the_level():
    values = np.array([[1.0, 9.0, 9.0, 2.0, 9.0, 1.0, 1.0, 1.0]])
    assert first_fall(values, 5.0).tolist() == [2]
    assert first_fall(values, 5.0, run=2).tolist() == [4]
    assert first_fall(values, 5.0, start=np.array([3])).tolist() == [4]


def test_a_ray_that_never_falls_or_leaves_the_volume_while_above_has_no_fall():
    above = np.full((1, 6), 9.0)
    leaving = np.array([[9.0, 9.0, 9.0, np.nan, np.nan, np.nan]])
    assert first_fall(above, 5.0).tolist() == [-1]
    assert first_fall(leaving, 5.0).tolist() == [-1]


@pytest.mark.parametrize("run", [1, 2, 4])
def test_first_fall_against_the_definition_written_out(run):
    rng = np.random.default_rng(run)
    values = rng.normal(size=(300, 24))
    values[rng.random(values.shape) < 0.05] = np.nan
    found = first_fall(values, 0.0, run=run)
    for row, k in zip(values, found, strict=True):
        wanted = -1
        for i in range(1, len(row)):
            if all(row[j] < 0.0 for j in range(i, min(i + run, len(row)))):
                wanted = i - 1 if row[i - 1] >= 0.0 else -1
                break
        assert k == wanted


def test_last_above_against_the_definition_written_out():
    values = np.random.default_rng(3).normal(size=(200, 15))
    values[0] = -9.0
    found = last_above(values, 0.8)
    for row, k in zip(values, found, strict=True):
        hits = np.flatnonzero(row > 0.8)
        assert k == (hits[-1] if hits.size else -1)
    assert found[0] == -1


def test_rays_read_a_linear_field_exactly_and_nan_outside():
    slope = np.array([3.0, -5.0, 8.0])
    volume = volume_of(lambda p: np.rint(p @ slope), [-10, -10, -10], [10, 10, 10], (1, 1, 1))
    rng = np.random.default_rng(1)
    dirs = rng.normal(size=(20, 3))
    dirs /= np.linalg.norm(dirs, axis=1, keepdims=True)
    depths = np.arange(0.0, 9.0, 0.7)
    origin = np.array([0.3, -0.2, 0.1])
    got = sample_rays(volume, origin, dirs, depths)
    points = origin + depths[None, :, None] * dirs[:, None, :]
    np.testing.assert_allclose(got, points @ slope, atol=1e-9)
    out = sample_rays(volume, origin, dirs, np.array([40.0]))
    assert np.isnan(out).all()


def test_one_origin_a_ray_and_own_depths_a_ray():
    slope = np.array([2.0, 4.0, -6.0])
    volume = volume_of(lambda p: p @ slope, [-10, -10, -10], [10, 10, 10], (1, 1, 1))
    origins = np.array([[0.0, 0.0, 0.0], [1.0, 2.0, 3.0]])
    depths = np.array([[0.0, 1.0], [2.0, 5.0]])
    got = sample_rays(volume, origins, np.array([0.0, 0.0, 1.0]), depths)
    wanted = (origins[:, None, :] + depths[..., None] * [0.0, 0.0, 1.0]) @ slope
    np.testing.assert_allclose(got, wanted, atol=1e-9)
