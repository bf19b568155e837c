"""Plane sections: segments put in order, closed contours cut open."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from entrypoint.errors import GeometryError
from entrypoint.geometry.guards import as_points_mm, unit
from entrypoint.geometry.polylines import arc_lengths_mm, nearest_on, without_repeats

__all__ = ["chain_segments", "is_closed", "open_between"]

FloatArray = NDArray[np.float64]


def is_closed(poly: ArrayLike, *, gap_mm: float = 1e-6) -> bool:
    """Whether the last point meets the first."""
    p = as_points_mm(poly, "contour", at_least=2)
    return len(p) > 2 and float(np.linalg.norm(p[0] - p[-1])) <= gap_mm


def chain_segments(segments: ArrayLike, *, join_mm: float = 1e-4) -> list[FloatArray]:
    """Loose segments of a plane section, joined end to end into polylines.

    Parameters
    ----------
    segments : array_like, shape (m, 2, 3)
        Segments, mm, in any order and direction.
    join_mm : float
        Ends nearer than this are one point.

    Returns
    -------
    list of ndarray, shape (n, 3)
        Longest first; a closed one repeats its first point at the end.
    """
    seg = np.asarray(segments, dtype=np.float64)
    if seg.size == 0:
        return []
    flat = as_points_mm(seg.reshape(-1, 3), "segments")
    keys = np.round(flat / join_mm).astype(np.int64)
    _, label = np.unique(keys, axis=0, return_inverse=True)
    ends = label.reshape(-1, 2)
    place: dict[int, FloatArray] = {}
    links: dict[int, set[int]] = {}
    for row, (a, b) in enumerate(ends.tolist()):
        if a == b:
            continue
        place.setdefault(a, flat[2 * row])
        place.setdefault(b, flat[2 * row + 1])
        links.setdefault(a, set()).add(b)
        links.setdefault(b, set()).add(a)

    def walk(start: int) -> list[int]:
        chain = [start]
        while links[chain[-1]]:
            after = min(links[chain[-1]])
            links[chain[-1]].discard(after)
            links[after].discard(chain[-1])
            chain.append(after)
        return chain

    chains = [walk(node) for node in sorted(links) if len(links[node]) == 1]
    chains += [walk(node) for node in sorted(links) if links[node]]
    lines = [np.array([place[i] for i in chain]) for chain in chains if len(chain) > 1]
    return sorted(lines, key=lambda line: -float(arc_lengths_mm(line)[-1]))


def open_between(
    contour: ArrayLike,
    start_point: ArrayLike,
    end_point: ArrayLike,
    through_direction: ArrayLike,
) -> FloatArray:
    """Cut a closed planar contour at two points and keep the way round on one side.

    Parameters
    ----------
    contour : array_like, shape (n, 3)
        Closed contour, mm; its first point may or may not be repeated at the end.
    start_point, end_point : array_like, shape (3,)
        Where to cut; the nearest points of the contour are used.
    through_direction : array_like, shape (3,)
        The way that is kept lies farther along this direction (up, for over the top).

    Returns
    -------
    ndarray, shape (m, 3)
        From the start to the end.

    Raises
    ------
    GeometryError
        Both points fall on the same place of the contour.
    """
    p = without_repeats(contour)
    ring = p if is_closed(p) else np.vstack([p, p[:1]])
    s = arc_lengths_mm(ring)
    total = float(s[-1])
    arc_a, a, _ = nearest_on(ring, start_point)
    arc_b, b, _ = nearest_on(ring, end_point)
    apart = (arc_b - arc_a) % total
    if min(apart, total - apart) < 1e-9:
        raise GeometryError(
            found="both ends of a profile fall on the same place of the contour",
            expected="two different places",
            next_step="check the two landmarks",
        )
    inner, inner_s = ring[:-1], s[:-1]
    after_a = (inner_s - arc_a) % total
    forth = np.argsort(after_a, kind="stable")
    onward = forth[(after_a[forth] > 1e-9) & (after_a[forth] < apart - 1e-9)]
    back = forth[(after_a[forth] > apart + 1e-9) & (after_a[forth] < total - 1e-9)][::-1]
    ways = [np.vstack([a, inner[way], b]) for way in (onward, back)]
    through = unit(through_direction, "direction of the way kept")

    def rise(line: FloatArray) -> float:
        mid = 0.5 * (line[1:] + line[:-1])
        weight = np.linalg.norm(np.diff(line, axis=0), axis=1)
        return float((mid @ through) @ weight / weight.sum())

    return without_repeats(max(ways, key=rise))
