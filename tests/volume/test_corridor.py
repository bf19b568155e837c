"""The rays of a corridor: surfaces through them, samples below a surface, noise of means."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from entrypoint.volume.corridor import (
    STEP_MM,
    Bundle,
    below,
    block_sd_hu,
    first_skin,
    smooth_surface,
)
from entrypoint.volume.levels import Levels

LEVELS = Levels(air_hu=-1000.0, soft_hu=35.0, bone_hu=900.0)


def disc():
    o = np.arange(-8.0, 8.1, 0.8)
    u, v = np.meshgrid(o, o, indexing="ij")
    inside = np.hypot(u, v) <= 8.0
    return np.stack([u[inside], v[inside]], axis=1)


def test_a_surface_goes_through_its_rays_and_past_what_stands_off_it():
    across = disc()
    u, v = across.T
    true = 6.0 + 0.1 * u - 0.05 * v + 0.006 * (u * u + v * v)
    rng = np.random.default_rng(1)
    depth = true + rng.normal(0.0, 0.05, len(true))
    off = rng.random(len(true)) < 0.2
    depth[off] += 4.0
    depth[rng.random(len(true)) < 0.2] = np.nan
    assert np.abs(smooth_surface(across, depth) - true).max() < 0.1


def test_too_few_rays_show_no_surface():
    across = disc()
    depth = np.full(len(across), np.nan)
    depth[: len(across) // 3] = 6.0
    assert np.isnan(smooth_surface(across, depth)).all()


def test_the_skin_is_the_first_lasting_tissue_from_outside():
    depths = np.arange(-10.0, 10.0, STEP_MM)
    plain = np.where(depths < 0.0, -1000.0, 40.0)
    bubble = np.where((depths > 2.0) & (depths < 5.0), -990.0, plain)
    strand = np.where((depths > -4.1) & (depths < -3.9), 60.0, plain)
    inside = np.full_like(depths, 40.0)
    got = first_skin(depths, np.stack([plain, bubble, strand, inside]), LEVELS)
    assert got[:3] == pytest.approx(-0.25, abs=0.26)
    assert np.isnan(got[3])


def test_samples_below_a_surface_are_read_between_the_steps():
    depths = np.arange(0.0, 30.0, STEP_MM)
    hu = np.stack([10.0 * depths, 100.0 - depths])
    n = np.zeros(2)
    bundle = Bundle(
        across_mm=np.zeros((2, 2)), depths_mm=depths, hu=hu, skin_mm=n, outer_mm=n, inner_mm=n,
        inner_own_mm=n, thickness_mm=n,
    )  # fmt: skip
    got = below(bundle, np.array([3.3, 20.0]), np.array([0.0, 1.7, 15.0]))
    assert got[0] == pytest.approx([33.0, 50.0, 183.0])
    assert got[1, :2] == pytest.approx([80.0, 78.3])
    assert np.isnan(got[1, 2])


@pytest.mark.parametrize("grain", [0.0, 0.8])
def test_noise_of_block_means_is_found_whatever_its_grain_and_beside_edges(grain):
    rng = np.random.default_rng(4)
    noise = rng.normal(0.0, 1.0, (60, 60, 60))
    if grain:
        noise = ndimage.gaussian_filter(noise, (grain, grain, 0.0))
    noise *= 20.0 / noise.std()
    means = noise.reshape(15, 4, 15, 4, 15, 4).mean(axis=(1, 3, 5))
    true = float(means.std())
    means[7:] += 30.0  # a step through the middle
    assert block_sd_hu(means.astype(np.float32)) == pytest.approx(true, rel=0.2)


def test_too_few_blocks_tell_no_noise():
    assert block_sd_hu(np.zeros((2, 2, 2), dtype=np.float32)) == np.inf
