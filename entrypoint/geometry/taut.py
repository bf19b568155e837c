"""A tape pulled tight over a planar profile: it bridges hollows and never enters the head.

The profile is a polyline in one plane, its two ends held. The tape is the shortest curve
between the ends on the outer side. Seen from a centre inside the head the outer profile is
met once in each direction (what lies behind an overhang cannot touch the tape), so that the
tape is found by one pass that drops every inward corner, whatever the total turn.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from entrypoint.errors import GeometryError
from entrypoint.geometry.guards import read_only, unit
from entrypoint.geometry.polylines import arc_lengths_mm, point_at, without_repeats

__all__ = ["TautCurve", "drop_to_surface", "in_plane_axes", "taut"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class TautCurve:
    """A taut curve over a polyline.

    Parameters
    ----------
    points_mm : ndarray, shape (m, 3)
        Its corners; each is a point of the polyline.
    index : ndarray of int, shape (m,)
        Which point of the polyline (repeats dropped) each corner is.
    on_surface : ndarray of bool, shape (n,)
        For each point of the polyline, whether the curve touches it.
    unit_normal : ndarray, shape (3,)
        Normal of the plane that both lie in.
    unit_inward_turn : float
        +1 or -1: inward is ``unit_inward_turn * cross(unit_normal, tangent)``.
    """

    points_mm: FloatArray
    index: NDArray[np.intp]
    on_surface: NDArray[np.bool_]
    unit_normal: FloatArray
    unit_inward_turn: float

    @property
    def length_mm(self) -> float:
        """Length of the tape."""
        return float(arc_lengths_mm(self.points_mm)[-1])

    def bridged(self) -> NDArray[np.bool_]:
        """For each stretch between corners, whether it passes over points of the profile."""
        return np.asarray(np.diff(self.index) != 1)


def in_plane_axes(unit_normal: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Two unit vectors that span the plane; with the normal they are right-handed."""
    n = unit(unit_normal, "normal of the plane")
    seed = np.zeros(3)
    seed[int(np.argmin(np.abs(n)))] = 1.0
    u = unit(np.cross(seed, n))
    return u, read_only(np.cross(n, u))


def _inside_centre(xy: FloatArray, outward_sign: float) -> FloatArray:
    """Centre of the circle through both ends and the point farthest from their chord."""
    first, last = xy[0], xy[-1]
    chord = last - first
    size = float(np.linalg.norm(chord))
    if size < 1e-6:
        return np.asarray(xy.mean(axis=0))
    # outward is to the right of the direction of travel when outward_sign is +1
    out = outward_sign * np.array([chord[1], -chord[0]]) / size
    middle = 0.5 * (first + last)
    rise = float(((xy - first) @ out).max())
    if rise < 1e-3 * size:
        return np.asarray(middle - 10.0 * size * out)
    radius = (size**2 / 4.0 + rise**2) / (2.0 * rise)
    return np.asarray(middle + (rise - radius) * out)


def _outermost(xy: FloatArray, centre: FloatArray) -> NDArray[np.intp]:
    """Points of the polyline that nothing of it covers, seen from the centre, in order."""
    rel = xy - centre
    turn = np.unwrap(np.arctan2(rel[:, 1], rel[:, 0]))
    if turn[-1] < turn[0]:
        turn = -turn
    n = len(xy)
    if (np.diff(turn) > 0).all():
        return np.arange(n)
    lo = np.minimum(turn[:-1], turn[1:])
    hi = np.maximum(turn[:-1], turn[1:])
    radius = np.linalg.norm(rel, axis=1)
    keep = (turn > turn[0]) & (turn < turn[-1])
    candidates = np.flatnonzero(keep)
    covered = np.zeros(n, dtype=bool)
    step = xy[1:] - xy[:-1]
    for i in candidates:
        across = np.flatnonzero((lo <= turn[i]) & (turn[i] <= hi))
        across = across[(across != i) & (across != i - 1)]
        if len(across) == 0:
            continue
        ray = rel[i] / max(float(radius[i]), 1e-300)
        bottom = ray[0] * step[across, 1] - ray[1] * step[across, 0]
        top = rel[across, 0] * step[across, 1] - rel[across, 1] * step[across, 0]
        with np.errstate(divide="ignore", invalid="ignore"):
            reach = np.where(np.abs(bottom) > 1e-12, top / bottom, radius[across])
        covered[i] = bool((reach > radius[i] + 1e-9).any())
    middle = candidates[~covered[candidates]]
    middle = middle[np.argsort(turn[middle], kind="stable")]
    return np.concatenate([[0], middle, [n - 1]]).astype(np.intp)


def taut(
    poly: ArrayLike, unit_normal: ArrayLike, *, unit_outward: ArrayLike | None = None
) -> TautCurve:
    """Shortest curve outside the head between the two held ends of a planar profile.

    Parameters
    ----------
    poly : array_like, shape (n, 3)
        The profile, mm, in order, in one plane.
    unit_normal : array_like, shape (3,)
        Normal of that plane, either way round.
    unit_outward : array_like, shape (3,), optional
        Any direction that points out of the head on the whole. Without it the outer side is
        the one to which the profile bulges from the chord between its ends.

    Returns
    -------
    TautCurve

    Raises
    ------
    GeometryError
        Fewer than two different points.

    Examples
    --------
    >>> profile = [[0, 0, 0], [5, 5, 0], [10, 3, 0], [15, 5, 0], [20, 0, 0]]
    >>> taut(profile, [0, 0, 1]).points_mm[:, 0]
    array([ 0.,  5., 15., 20.])
    >>> taut([[1, 1, 1], [1, 1, 1]], [0, 0, 1])
    Traceback (most recent call last):
    ...
    entrypoint.errors.GeometryError: A polyline whose points all coincide; ...
    """
    p = without_repeats(poly)
    n = unit(unit_normal, "normal of the plane")
    u, v = in_plane_axes(n)
    xy = np.column_stack([p @ u, p @ v])
    xy = xy - xy[0]
    if unit_outward is None:
        following = np.roll(xy, -1, axis=0)
        area = float(np.sum(xy[:, 0] * following[:, 1] - xy[:, 1] * following[:, 0]))
        outward_sign = 1.0 if area >= 0.0 else -1.0
    else:
        out = unit(unit_outward, "outward direction")
        chord = xy[-1]
        outward_sign = 1.0 if chord[1] * (out @ u) - chord[0] * (out @ v) >= 0.0 else -1.0
    order = _outermost(xy, _inside_centre(xy, outward_sign))
    # walked with the head on the left when outward_sign is +1: a right turn is a hollow
    pts = [(float(x), float(y)) for x, y in xy[order]]
    stack: list[int] = []
    for i, (x, y) in enumerate(pts):
        while len(stack) > 1:
            ax, ay = pts[stack[-2]]
            bx, by = pts[stack[-1]]
            turn = (bx - ax) * (y - by) - (by - ay) * (x - bx)
            if turn * outward_sign > 0.0:
                break
            stack.pop()
        stack.append(i)
    index = order[np.asarray(stack, dtype=np.intp)]
    touched = np.zeros(len(p), dtype=bool)
    touched[index] = True
    return TautCurve(
        points_mm=read_only(np.ascontiguousarray(p[index])),
        index=index,
        on_surface=touched,
        unit_normal=n,
        unit_inward_turn=outward_sign,
    )


def drop_to_surface(tape: TautCurve, poly: ArrayLike, arc_mm: float) -> FloatArray:
    """Point of the profile below a place on the tape.

    Where the tape touches, that place itself; on a bridged stretch, the first point of the
    profile met when going straight down (in the plane, square to the tape).

    Parameters
    ----------
    tape : TautCurve
        The tape over ``poly``.
    poly : array_like, shape (n, 3)
        The same profile that the tape was made from.
    arc_mm : float
        Length along the tape.

    Returns
    -------
    ndarray, shape (3,)

    Raises
    ------
    GeometryError
        The length is beyond the end of the tape, or the profile is another one.
    """
    p = without_repeats(poly)
    if len(p) != len(tape.on_surface):
        raise GeometryError(
            found=f"a profile of {len(p)} points with a tape made from {len(tape.on_surface)}",
            expected="the profile that the tape was made from",
            next_step="make the tape again from this profile",
        )
    place, tangent = point_at(tape.points_mm, arc_mm)
    s = arc_lengths_mm(tape.points_mm)
    k = int(np.clip(np.searchsorted(s, arc_mm, side="right") - 1, 0, len(s) - 2))
    first, last = int(tape.index[k]), int(tape.index[k + 1])
    if abs(last - first) == 1:
        return place
    below = p[min(first, last) : max(first, last) + 1]
    inward = tape.unit_inward_turn * np.cross(tape.unit_normal, tangent)
    along = (below - place) @ tangent
    depth = (below - place) @ inward
    lo, hi = along[:-1], along[1:]
    crossing = np.flatnonzero((np.minimum(lo, hi) <= 0.0) & (np.maximum(lo, hi) >= 0.0))
    if len(crossing) == 0:
        return place
    gap = hi[crossing] - lo[crossing]
    t = np.where(np.abs(gap) > 1e-12, -lo[crossing] / np.where(gap == 0.0, 1.0, gap), 0.0)
    depths = depth[crossing] + t * (depth[crossing + 1] - depth[crossing])
    best = int(np.argmin(np.abs(depths)))
    i, ti = int(crossing[best]), float(t[best])
    return np.asarray(below[i] + ti * (below[i + 1] - below[i]))
