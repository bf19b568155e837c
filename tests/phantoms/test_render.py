"""The picture agrees with the formulas: borders to a few hundredths of a millimetre."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from entrypoint.phantoms import GridSpec, Head, Scanner

_QUIET = Scanner(noise_hu=0.0, fwhm_mm=0.7)


def _block(centre: np.ndarray, half: float, **grid: Any) -> GridSpec:
    lo, hi = centre - half, centre + half
    return GridSpec.around(tuple(lo), tuple(hi), **grid)


def _along(hu: np.ndarray, world: np.ndarray, p: np.ndarray) -> np.ndarray:
    index = (p - world[:3, 3]) @ np.linalg.inv(world[:3, :3]).T
    return map_coordinates(hu.astype(float), index.T, order=1, mode="nearest")


def _crossing(t: np.ndarray, v: np.ndarray, level: float) -> float:
    k = int(np.argmax(v > level))
    return float(t[k - 1] + (level - v[k - 1]) / (v[k] - v[k - 1]) * (t[k] - t[k - 1]))


@pytest.mark.parametrize(
    "grid",
    [
        {"voxel_mm": 0.4, "slice_mm": 0.5},
        {"voxel_mm": 0.5, "slice_mm": 0.6, "axes": "PIR"},
        {"voxel_mm": 0.5, "slice_mm": 0.5, "axes": "RAS", "oblique_deg": (12.0, -9.0, 20.0)},
        {"voxel_mm": 0.5, "slice_mm": 0.6, "shear": 0.3},
    ],
)
def test_skin_lies_where_the_answers_say(
    adult: Head, adult_truth: dict[str, Any], grid: dict[str, Any]
) -> None:
    side = adult_truth["sides"]["right"]
    entry, u = np.array(side["scalp_entry_mm"]), np.array(side["unit_inward"])
    hu, world = adult.render(_block(entry, 9.0, **grid), _QUIET)
    a = np.cross(u, [0.0, 0.0, 1.0])
    a /= np.linalg.norm(a)
    b = np.cross(u, a)
    t = np.arange(-4.0, 1.0, 0.05)
    found = []
    for x in np.linspace(-1.0, 1.0, 7):
        for y in np.linspace(-1.0, 1.0, 7):
            v = _along(hu, world, entry + x * a + y * b + t[:, None] * u)
            found.append(_crossing(t, v, -477.0))  # half-way from air to skin
    assert np.mean(found) == pytest.approx(0.0, abs=0.06)


def test_bone_mass_along_the_path_is_that_of_the_layers(
    adult: Head, adult_truth: dict[str, Any]
) -> None:
    # blur moves matter and keeps its sum: the integral over the tables does not depend on it
    side = adult_truth["sides"]["left"]
    foot, u = np.array(side["outer_table_mm"]), np.array(side["unit_inward"])
    sums = []
    for fwhm in (0.7, 1.2):
        hu, world = adult.render(
            _block(foot, 13.0, voxel_mm=0.5, slice_mm=0.5), Scanner(noise_hu=0.0, fwhm_mm=fwhm)
        )
        t = np.arange(-3.0, side["thickness"]["skull_mm"] + 3.0, 0.05)
        sums.append(float((_along(hu, world, foot + t[:, None] * u)).sum() * 0.05))
    assert sums[0] == pytest.approx(sums[1], rel=0.02)
    t3 = side["thickness"]
    s = adult.spec
    tables = s.cortical_hu * (t3["outer_table_mm"] + 1.04 * t3["inner_table_mm"])
    low = tables + (s.diploe_hu - 3 * s.diploe_texture_hu) * t3["diploe_mm"]
    high = tables + (s.diploe_hu + 3 * s.diploe_texture_hu) * t3["diploe_mm"]
    assert low < sums[0] < high + 6 * 60.0


def test_suture_is_dark_where_the_curve_runs(adult: Head, adult_truth: dict[str, Any]) -> None:
    curve = np.array(adult_truth["coronal_suture"]["curve_mm"])
    origin = adult.world_from_head[:3, 3]
    mid = len(curve) // 2
    for k in (mid - 20, mid + 20):
        p = curve[k]
        out = (p - origin) / np.linalg.norm(p - origin)
        hu, world = adult.render(_block(p, 9.0, voxel_mm=0.4, slice_mm=0.5), _QUIET)
        front = np.cross(out, curve[k + 1] - curve[k - 1])
        front /= np.linalg.norm(front)
        s = np.arange(-3.5, 3.55, 0.1)
        v = np.mean(
            [_along(hu, world, p - d * out + s[:, None] * front) for d in (0.5, 0.8, 1.1)], axis=0
        )
        assert abs(s[int(np.argmin(v))]) < 2.0  # it interdigitates about its centre line
        assert v.min() < 0.75 * np.median(v)


def test_same_matter_on_every_grid(adult: Head) -> None:
    p = adult.world_from_head[:3, :3] @ np.array([0.0, 60.0, 40.0]) + adult.world_from_head[:3, 3]
    ras, w1 = adult.render(_block(p, 16.0, voxel_mm=1.0, slice_mm=1.0, axes="RAS"), _QUIET)
    lps, w2 = adult.render(_block(p, 16.0, voxel_mm=1.0, slice_mm=1.0, axes="LPS"), _QUIET)
    q = p + np.random.default_rng(1).uniform(-10, 10, (400, 3))
    assert np.abs(_along(ras, w1, q) - _along(lps, w2, q)).max() < 120.0
    assert np.abs(_along(ras, w1, q) - _along(lps, w2, q)).mean() < 8.0


def test_block_size_and_crop_do_not_show(adult: Head) -> None:
    p = adult.world_from_head[:3, 3] + np.array([0.0, 70.0, 30.0])
    grid = _block(p, 20.0, voxel_mm=0.9, slice_mm=1.1)
    one, _ = adult.render(grid, Scanner(noise_hu=0.0, block=64))
    two, _ = adult.render(grid, Scanner(noise_hu=0.0, block=13))
    assert np.abs(one.astype(int) - two).max() <= 1
    part, _ = adult.render(grid.cropped((8, 9, 7), (30, 31, 30)), Scanner(noise_hu=0.0))
    # the coarse grid starts elsewhere, so that fields differ by their interpolation
    assert np.abs(one[8:30, 9:31, 7:30].astype(int) - part).mean() < 6.0


def test_noise_has_its_spread_and_its_seed(adult: Head) -> None:
    air = GridSpec.around((300.0,) * 3, (340.0,) * 3, voxel_mm=0.8, slice_mm=0.8)
    a, _ = adult.render(air, Scanner(noise_hu=20.0), seed=3)
    b, _ = adult.render(air, Scanner(noise_hu=20.0), seed=3)
    c, _ = adult.render(air, Scanner(noise_hu=20.0), seed=4)
    inner = a[4:-4, 4:-4] + 1000.0
    assert np.array_equal(a, b)
    assert not np.array_equal(a, c)
    # stored values stop at -1024: only the upper half of the noise is whole
    half = 20.0 * np.sqrt(0.5 - 0.5 / np.pi)
    assert np.clip(inner, 0, None).std() == pytest.approx(half, rel=0.1)
