"""Regions of a surface that is known on a grid: their edges, areas and distances to the edge.

A region is where a field is 0 or more; edges lie where the field, straight between grid points,
crosses 0. Lengths are straight distances between points of the surface.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Edges", "area_mm2", "edges_of", "signed_distances_mm"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
LIMIT = -1  # the cause of an edge at which the grid itself ends
_SUB = 5  # places across a cell at which its part of the area is counted


@dataclass(frozen=True, slots=True, kw_only=True)
class Edges:
    """Points of a region's edge, and what ends the region there."""

    points_mm: FloatArray  # (e, 3)
    cause: IntArray  # (e,) of the grid point just outside; -1 where the grid ends


def edges_of(points_mm: FloatArray, field: FloatArray, cause: IntArray, *, closed: bool) -> Edges:
    """Where a region ends.

    Parameters
    ----------
    points_mm : (n, m, 3) array
        Surface; a point that is NaN is outside.
    field : (n, m) array
        The region is where it is 0 or more; NaN is outside.
    cause : (n, m) array
        For each point outside, what ends the region there.
    closed : bool
        Whether the grid's own border is an edge.

    Returns
    -------
    Edges
    """
    seen = np.isfinite(points_mm).all(axis=-1)
    value = np.where(seen & np.isfinite(field), field, -np.inf)
    inside = value >= 0.0
    spots, causes = [np.empty((0, 3))], [np.empty(0, dtype=np.intp)]
    for axis in (0, 1):
        low, high = _ends(axis)
        a, b = value[low], value[high]
        p, q = points_mm[low], points_mm[high]
        ca, cb = cause[low], cause[high]
        crosses = (a >= 0.0) != (b >= 0.0)
        a, b, p, q = a[crosses], b[crosses], p[crosses], q[crosses]
        out_b = a >= 0.0
        near = np.where(out_b[:, None], p, q)
        far = np.where(out_b[:, None], q, p)
        within, beyond = np.where(out_b, a, b), np.where(out_b, b, a)
        with np.errstate(invalid="ignore"):
            share = np.where(np.isfinite(beyond), within / (within - beyond), 0.0)
        far = np.where(np.isfinite(far), far, near)
        spots.append(near + np.clip(share, 0.0, 1.0)[:, None] * (far - near))
        causes.append(np.where(out_b, cb[crosses], ca[crosses]))
    if closed:
        border = np.zeros(inside.shape, dtype=bool)
        border[[0, -1], :] = border[:, [0, -1]] = True
        spots.append(points_mm[border & inside])
        causes.append(np.full(int((border & inside).sum()), LIMIT, dtype=np.intp))
    return Edges(points_mm=np.concatenate(spots), cause=np.concatenate(causes))


def _ends(axis: int) -> tuple[tuple[slice, ...], tuple[slice, ...]]:
    """Both ends of every step of a grid along an axis."""
    before, after, every = slice(None, -1), slice(1, None), slice(None)
    return ((before,), (after,)) if axis == 0 else ((every, before), (every, after))


def signed_distances_mm(
    edges: Edges, points_mm: FloatArray, inside: NDArray[np.bool_]
) -> tuple[FloatArray, IntArray]:
    """Distance of points to the nearest edge, positive inside, and that edge's cause.

    Parameters
    ----------
    points_mm : (k, 3) array
        Rows that are NaN give NaN.
    inside : (k,) bool array

    Returns
    -------
    distance_mm, cause : (k,) arrays
        Infinite, with the grid's own end as the cause, where there is no edge.
    """
    from scipy.spatial import cKDTree

    seen = np.isfinite(points_mm).all(axis=1)
    out = np.full(len(points_mm), np.nan)
    cause = np.full(len(points_mm), LIMIT, dtype=np.intp)
    if len(edges.points_mm):
        distance, at = cKDTree(edges.points_mm).query(points_mm[seen])
        out[seen], cause[seen] = distance, edges.cause[at]
    else:
        out[seen] = np.inf
    return np.where(inside, out, -out), cause


def area_mm2(points_mm: FloatArray, field: FloatArray) -> float:
    """Area of the surface on which the field, bilinear between grid points, is 0 or more."""
    a, b, c, d = (
        points_mm[:-1, :-1],
        points_mm[1:, :-1],
        points_mm[1:, 1:],
        points_mm[:-1, 1:],
    )
    cell = 0.5 * np.linalg.norm(np.cross(c - a, d - b), axis=-1)
    value = np.where(np.isfinite(field), field, -1e3)
    share = (np.arange(_SUB) + 0.5) / _SUB
    part = np.zeros(cell.shape)
    for s in share:
        for t in share:
            at = (1 - s) * ((1 - t) * value[:-1, :-1] + t * value[:-1, 1:]) + s * (
                (1 - t) * value[1:, :-1] + t * value[1:, 1:]
            )
            part += at >= 0.0
    return float(np.nansum(cell * part) / _SUB**2)
