"""Signed shortest distances from many points of the outer table to the suture, at once.

The same figures as ``clearance.suture_clearances`` gives point by point.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from entrypoint.geometry.planes import Plane
from entrypoint.geometry.polylines import resample
from entrypoint.reference import value

__all__ = ["suture_nearest_many_mm"]

FloatArray = NDArray[np.float64]
_AT_ONCE = 512  # points; bounds the memory


def suture_nearest_many_mm(
    points_mm: FloatArray,
    suture_curve_mm: FloatArray,
    midsagittal: Plane,
    unit_backward: FloatArray,
) -> FloatArray:
    """Shortest way along the outer table to the suture, positive in front of it.

    Parameters
    ----------
    points_mm : (n, 3) array
        On the outer table; rows that are NaN give NaN.
    suture_curve_mm : (q, 3) array
        Centre line of the suture.
    midsagittal : Plane
    unit_backward : (n, 3) array
        Backwards along the midline tape at each point.

    Returns
    -------
    (n,) array
    """
    curve = resample(suture_curve_mm, 0.5)
    out = np.full(len(points_mm), np.nan)
    seen = np.flatnonzero(np.isfinite(points_mm).all(axis=1))
    for start in range(0, len(seen), _AT_ONCE):
        part = seen[start : start + _AT_ONCE]
        out[part] = _nearest(points_mm[part], curve, midsagittal, unit_backward[part])
    return out


def _nearest(
    points: FloatArray, curve: FloatArray, midsagittal: Plane, back: FloatArray
) -> FloatArray:
    row = np.arange(len(points))
    step = np.diff(curve, axis=0)
    squared = np.einsum("ij,ij->i", step, step)
    from_start = points[:, None, :] - curve[:-1]
    share = np.clip(np.einsum("nij,ij->ni", from_start, step) / squared, 0.0, 1.0)
    gap = from_start - share[..., None] * step
    distance = np.sqrt(np.einsum("nij,nij->ni", gap, gap))
    best = np.argmin(distance, axis=1)
    nearest = _along(distance[row, best])
    towards = -gap[row, best]

    # Where the curve meets the plane through the point that is parallel to the midsagittal one.
    away = midsagittal.signed_distance_mm(curve) - midsagittal.signed_distance_mm(points)[:, None]
    flips = (away[:, :-1] <= 0.0) != (away[:, 1:] <= 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.where(flips, away[:, :-1] / (away[:, :-1] - away[:, 1:]), 0.0)
    spot = t[..., None] * step - from_start
    chord = np.where(flips, np.sqrt(np.einsum("nij,nij->ni", spot, spot)), np.inf)
    first = np.argmin(chord, axis=1)
    crosses = flips.any(axis=1)
    towards = np.where(crosses[:, None], spot[row, first], towards)
    parallel = _along(np.where(crosses, chord[row, first], 1e3))
    sign = np.where(np.einsum("ij,ij->i", towards, back) >= 0.0, 1.0, -1.0)
    return np.asarray(sign * np.minimum(nearest, np.where(crosses, parallel, np.inf)))


def _along(chord_mm: FloatArray) -> FloatArray:
    """Length along bone of the published radius over straight distances."""
    radius = value("bone_radius")
    return np.asarray(2.0 * radius * np.arcsin(np.clip(chord_mm / (2.0 * radius), 0.0, 1.0)))
