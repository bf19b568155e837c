"""Metal painted into a scan without the phantom maker: supersampled, blurred, clipped."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from entrypoint.volume.grid import Grid
from entrypoint.volume.volume import Volume

FINE = 3  # samples along each edge of a voxel


class Thing:
    """A shape, and a ball that holds it."""

    def __init__(self, inside, centre, reach_mm):
        self.inside, self.centre, self.reach_mm = inside, np.asarray(centre, float), reach_mm


def rod(a, b, radius_mm) -> Thing:
    """A rod with flat ends."""
    a, b = np.asarray(a, float), np.asarray(b, float)
    length = float(np.linalg.norm(b - a))
    along = (b - a) / length

    def inside(p):
        q = p - a
        t = q @ along
        away = np.linalg.norm(q - t[..., None] * along, axis=-1)
        return (t >= 0.0) & (t <= length) & (away <= radius_mm)

    return Thing(inside, 0.5 * (a + b), float(np.hypot(0.5 * length, radius_mm)))


def box(centre, axes, half_mm) -> Thing:
    """A box along three axes (rows)."""
    centre, axes, half = np.asarray(centre), np.asarray(axes), np.asarray(half_mm)

    def inside(p):
        return (np.abs((p - centre) @ axes.T) <= half).all(axis=-1)

    return Thing(inside, centre, float(np.linalg.norm(half)))


def painted(volume: Volume, things, *, fwhm_mm=0.9, streak_hu=0.0) -> Volume:
    """A copy with things in it, each a shape and its HU; later ones over earlier ones.

    ``streak_hu`` adds a bright and a dark fan within the slices that hold metal.
    """
    hu = volume.to_hu(volume.stored).astype(np.float32)
    size = np.asarray(volume.grid.voxel_mm)
    for thing, value in things:
        middle = volume.grid.index(thing.centre[None])[0]
        reach = (thing.reach_mm + 3.0) / size
        lo = np.maximum(np.floor(middle - reach).astype(int), 0)
        hi = np.minimum(np.ceil(middle + reach).astype(int) + 1, hu.shape)
        n = hi - lo
        at = [(np.arange(k * FINE) + 0.5) / FINE - 0.5 + a for k, a in zip(n, lo, strict=True)]
        index = np.stack(np.meshgrid(*at, indexing="ij"), axis=-1)
        cover = thing.inside(volume.grid.world(index.reshape(-1, 3))).reshape(index.shape[:3])
        share = cover.reshape(n[0], FINE, n[1], FINE, n[2], FINE).mean(axis=(1, 3, 5))
        part = tuple(slice(a, b) for a, b in zip(lo, hi, strict=True))
        change = ndimage.gaussian_filter(
            share * (value - np.minimum(hu[part], 3071.0)), fwhm_mm / 2.3548 / size
        )
        hu[part] = hu[part] + change
    if streak_hu:
        metal = hu > 3071.0
        for k in np.flatnonzero(metal.any(axis=(0, 1))):
            at = np.argwhere(metal[:, :, k]).mean(axis=0)
            i, j = np.ogrid[: hu.shape[0], : hu.shape[1]]
            turn, away = np.arctan2(j - at[1], i - at[0]), np.hypot(i - at[0], j - at[1])
            hu[:, :, k] += streak_hu * np.cos(3 * turn + 0.4) / (1.0 + away / 15.0)
    stored = np.clip(np.rint(hu), -1024, 3071).astype(np.int16)
    return Volume(grid=volume.grid, stored=stored)


def moved(volume: Volume, rotation, shift_mm, *, voxel_mm, noise_hu, seed=1) -> Volume:
    """The same head in another pose, on other voxels, with its own noise."""
    size = np.asarray(voxel_mm, dtype=float)
    corners = np.array(
        [[a, b, c] for a in (0, 1) for b in (0, 1) for c in (0, 1)]
    ) * (np.array(volume.shape) - 1.0)
    world = volume.grid.world(corners) @ np.asarray(rotation).T + shift_mm
    lo = world.min(axis=0)
    shape = np.ceil((world.max(axis=0) - lo) / size).astype(int) + 1
    matrix = np.diag([*size, 1.0])
    matrix[:3, 3] = lo
    # From a new index to an old one.
    back = volume.grid.index_from_world[:3, :3] @ np.asarray(rotation).T
    offset = (
        back @ (lo - shift_mm) + volume.grid.index_from_world[:3, 3]
    )
    hu = ndimage.affine_transform(
        volume.stored.astype(np.float32), back * size, offset, output_shape=tuple(shape),
        order=1, cval=-1000.0,
    )  # fmt: skip
    hu = hu + np.random.default_rng(seed).normal(0.0, noise_hu, hu.shape).astype(np.float32)
    stored = np.clip(np.rint(hu), -1024, 3071).astype(np.int16)
    return Volume(grid=Grid(shape=stored.shape, world_from_index=matrix), stored=stored)
