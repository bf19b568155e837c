"""Samples along rays, and where a ray crosses a level, to a fraction of a voxel."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from entrypoint.volume.volume import Volume

FloatArray = NDArray[np.float64]


def sample_rays(
    volume: Volume, origin_mm: FloatArray, unit_dirs: FloatArray, depths_mm: FloatArray
) -> FloatArray:
    """HU along rays.

    Parameters
    ----------
    volume : Volume
    origin_mm : (3,) or (n, 3) array, world mm
    unit_dirs : (n, 3) or (3,) array of unit vectors, world
    depths_mm : (m,) or (n, m) array
        Distances from the origin along each ray.

    Returns
    -------
    (n, m) array, HU; NaN outside the volume.
    """
    origin = np.atleast_2d(np.asarray(origin_mm, dtype=float))
    dirs = np.atleast_2d(np.asarray(unit_dirs, dtype=float))
    depths = np.atleast_2d(np.asarray(depths_mm, dtype=float))
    points = origin[:, None, :] + depths[..., None] * dirs[:, None, :]
    n, m = points.shape[:2]
    return volume.sample_hu(points.reshape(-1, 3)).reshape(n, m)


def crossing(
    depths_mm: FloatArray, values: FloatArray, level: FloatArray | float, at: NDArray[np.intp]
) -> FloatArray:
    """Depth of the crossing between sample ``at`` and the next one, by straight-line interpolation.

    Parameters
    ----------
    depths_mm : (m,) or (n, m) array
    values : (n, m) array
    level : float or (n,) array
    at : (n,) int array; -1 where there is no crossing

    Returns
    -------
    (n,) array, NaN where ``at`` is -1.
    """
    n, m = values.shape
    depths = np.broadcast_to(depths_mm, (n, m))
    row = np.arange(n)
    ok = (at >= 0) & (at < m - 1)
    i = np.where(ok, at, 0)
    a, b = values[row, i], values[row, np.minimum(i + 1, m - 1)]
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.clip((np.broadcast_to(level, (n,)) - a) / (b - a), 0.0, 1.0)
    d0, d1 = depths[row, i], depths[row, np.minimum(i + 1, m - 1)]
    return np.where(ok, d0 + np.nan_to_num(t) * (d1 - d0), np.nan)


def first_fall(
    values: FloatArray,
    level: FloatArray | float,
    *,
    run: int = 1,
    start: NDArray[np.intp] | None = None,
) -> NDArray[np.intp]:
    """Index of the last sample above ``level`` before the first fall that lasts ``run`` samples.

    NaN (outside the volume) counts as neither: a ray that leaves the volume while above the
    level has no crossing.

    Parameters
    ----------
    values : (n, m) array
    level : float or (n,) array
    run : int
        How many samples in a row must lie below.
    start : (n,) int array, optional
        First sample to look at.

    Returns
    -------
    (n,) int array; -1 where there is none.
    """
    n, m = values.shape
    lev = np.broadcast_to(np.asarray(level, dtype=float), (n,))[:, None]
    below = values < lev
    lasting = below.copy()
    for k in range(1, run):
        shifted = np.ones_like(below)
        shifted[:, : m - k] = below[:, k:]
        lasting &= shifted
    if start is not None:
        lasting &= np.arange(m)[None, :] > start[:, None]
    lasting[:, 0] = False
    hit = lasting.any(axis=1)
    first = np.argmax(lasting, axis=1) - 1
    row = np.arange(n)
    above = values[row, np.maximum(first, 0)] >= lev[:, 0]
    return np.where(hit & (first >= 0) & above, first, -1)


def last_above(values: FloatArray, level: FloatArray | float) -> NDArray[np.intp]:
    """Index of the last sample above ``level`` on each ray; -1 where there is none."""
    n, m = values.shape
    lev = np.broadcast_to(np.asarray(level, dtype=float), (n,))[:, None]
    above = values > lev
    return np.where(above.any(axis=1), m - 1 - np.argmax(above[:, ::-1], axis=1), -1)
