"""A head of round shells with a path on either side: every depth known, changes painted in."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from types import SimpleNamespace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from entrypoint.planning.model import Side
from entrypoint.volume.grid import Grid
from entrypoint.volume.levels import Levels
from entrypoint.volume.volume import Volume

FloatArray = NDArray[np.float64]
SKIN_MM, OUTER_MM, INNER_MM, BRAIN_MM = 90.0, 84.0, 77.0, 75.0
BRAIN_HU, FLUID_HU = 32.0, 10.0
VOXEL_MM, BLUR_MM = 0.8, 0.45
LEAN = np.radians(21.0)
SIGN = {Side.RIGHT: 1.0, Side.LEFT: -1.0}
# Across the path, along it from the skin inwards, from the origin, world: to what is painted.
Paint = Callable[[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray], None]


def outward(side: Side) -> FloatArray:
    return np.array([SIGN[side] * np.sin(LEAN), 0.0, np.cos(LEAN)])


@lru_cache
def head(
    paint: Paint | None = None,
    *,
    on: Side = Side.RIGHT,
    noise_hu: float = 12.0,
    left_shift_mm: float = 0.0,
    least_x_mm: float = -52.0,
    seed: int = 3,
) -> Any:
    """Part of the head round both paths.

    ``paint(hu, across, depth, radius, world)`` changes the left or the right half before blur and
    noise; ``left_shift_mm`` makes the left half larger; ``least_x_mm`` cuts the field.
    """
    x = np.arange(least_x_mm, 52.0, VOXEL_MM)
    y, z = np.arange(-17.0, 17.1, VOXEL_MM), np.arange(36.0, 98.0, VOXEL_MM)
    world = np.stack(np.meshgrid(x, y, z, indexing="ij"), axis=-1)
    radius = np.linalg.norm(world, axis=-1)
    radius = radius - np.where(world[..., 0] < 0.0, left_shift_mm, 0.0)
    hu = np.full(radius.shape, -1000.0)
    for below_mm, value in (
        (SKIN_MM, 40.0), (OUTER_MM, 1300.0), (OUTER_MM - 1.8, 450.0), (INNER_MM + 1.4, 1300.0),
        (INNER_MM, FLUID_HU), (BRAIN_MM, BRAIN_HU),
    ):  # fmt: skip
        hu[radius < below_mm] = value
    if paint is not None:
        n = outward(on)
        along = world @ n
        across = np.linalg.norm(world - along[..., None] * n, axis=-1)
        half = world[..., 0] * SIGN[on] > 0.0
        changed = hu.copy()
        paint(changed, across, SKIN_MM - along, radius, world)
        hu = np.where(half, changed, hu)
    hu = ndimage.gaussian_filter(hu, BLUR_MM / VOXEL_MM)
    hu += np.random.default_rng(seed).normal(0.0, noise_hu, hu.shape)
    matrix = np.diag([VOXEL_MM, VOXEL_MM, VOXEL_MM, 1.0])
    matrix[:3, 3] = x[0], y[0], z[0]
    volume = Volume(
        grid=Grid(shape=hu.shape, world_from_index=matrix),
        stored=np.rint(np.clip(hu, -1024, 3071)).astype(np.int16),
    )
    return SimpleNamespace(
        volume=volume,
        coarse=SimpleNamespace(
            volume=volume.block_means(2.6),
            levels=Levels(air_hu=-1000.0, soft_hu=33.0, bone_hu=900.0),
        ),
        frame=SimpleNamespace(
            origin_mm=np.zeros(3),
            unit_right=np.array([1.0, 0.0, 0.0]),
            unit_anterior=np.array([0.0, 1.0, 0.0]),
        ),
        noise_hu=noise_hu,
    )


def site(side: Side = Side.RIGHT, *, shift_mm: float = 0.0, **other: Any) -> Any:
    """The path of one side, as planning would have found it."""
    n = outward(side)
    fields = {
        "side": side,
        "entry": SimpleNamespace(
            scalp_entry_mm=(SKIN_MM + shift_mm) * n, unit_along=np.array([0.0, -1.0, 0.0])
        ),
        "unit_inward": -n,
        "profile": SimpleNamespace(blur_sigma_mm=BLUR_MM, skull_mm=OUTER_MM - INNER_MM),
        "scalp_mm": SKIN_MM - OUTER_MM,
        "too_blurred_mm": None,
        "metal_mm": None,
        "air_in_bone_mm": None,
        "no_bone": None,
    }
    return SimpleNamespace(**{**fields, **other})


def clot(hu, across, depth, radius, world):
    hu[(radius < INNER_MM) & (radius > INNER_MM - 4.0) & (across < 16.0)] = 62.0


def fluid(hu, across, depth, radius, world):
    hu[(radius < INNER_MM) & (radius > INNER_MM - 6.0) & (across < 18.0)] = FLUID_HU


def deep_clot(hu, across, depth, radius, world):
    hu[(across < 5.0) & (np.abs(depth - 27.0) < 4.0)] = 64.0


def air_in_scalp(hu, across, depth, radius, world):
    hu[across**2 + (depth - 3.4) ** 2 < 4.0] = -990.0


def air_inside(hu, across, depth, radius, world):
    hu[across**2 + (depth - 22.0) ** 2 < 4.0] = -990.0


def air_aside(hu, across, depth, radius, world):
    spot = np.abs(across - 4.2) + np.abs(depth - 17.0)
    hu[(spot < 1.6) & (world[..., 1] > 0)] = -990.0


def metal_inside(hu, across, depth, radius, world):
    hu[across**2 + (depth - 26.0) ** 2 < 1.3] = 9000.0


def plate(hu, across, depth, radius, world):
    hu[(radius < INNER_MM - 3.0) & (radius > INNER_MM - 4.8) & (across < 7.0)] = 700.0


def deep_plate(hu, across, depth, radius, world):
    hu[(across < 3.0) & (np.abs(depth - 27.0) < 1.2)] = 700.0


def swelling(hu, across, depth, radius, world):
    lifted = SKIN_MM + 4.0 * np.exp(-0.5 * (across / 14.0) ** 2)
    hu[(radius < lifted) & (radius >= SKIN_MM)] = 45.0


def cavity(hu, across, depth, radius, world):
    hu[(radius < OUTER_MM - 1.8) & (radius > INNER_MM + 1.4) & (across < 7.0)] = -990.0


def space(hu, across, depth, radius, world):
    """A ball of fluid 9 mm in radius, its middle 24 mm below the tip of 15 mm."""
    hu[across**2 + (depth - 13.0 - 15.0 - 24.0) ** 2 < 81.0] = FLUID_HU
