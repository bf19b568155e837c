"""Polylines: an (n, 3) array of points in order, read by arc length."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from entrypoint.errors import GeometryError
from entrypoint.geometry.guards import as_point_mm, as_points_mm

__all__ = [
    "arc_lengths_mm",
    "between",
    "direction_over",
    "length_mm",
    "nearest_on",
    "point_at",
    "resample",
    "smooth",
    "without_repeats",
]

FloatArray = NDArray[np.float64]
_END_SLACK_MM = 1e-9  # rounding of a length that was itself read off the polyline


def without_repeats(poly: ArrayLike) -> FloatArray:
    """Drop points that repeat the one before them.

    Raises
    ------
    GeometryError
        Fewer than two different points remain.
    """
    p = as_points_mm(poly, "polyline", at_least=2)
    keep = np.ones(len(p), dtype=bool)
    keep[1:] = (np.diff(p, axis=0) != 0.0).any(axis=1)
    if int(keep.sum()) < 2:
        raise GeometryError(
            found="a polyline whose points all coincide",
            expected="at least two different points",
            next_step="check the section or the landmarks it comes from",
        )
    return p if keep.all() else as_points_mm(p[keep], "polyline")


def arc_lengths_mm(poly: ArrayLike) -> FloatArray:
    """Cumulative length at each point, shape (n,), starting at 0."""
    p = as_points_mm(poly, "polyline", at_least=2)
    out = np.zeros(len(p))
    np.cumsum(np.linalg.norm(np.diff(p, axis=0), axis=1), out=out[1:])
    return out


def length_mm(poly: ArrayLike) -> float:
    """Whole length."""
    return float(arc_lengths_mm(poly)[-1])


def _beyond(arc_mm: float, total: float) -> GeometryError:
    return GeometryError(
        found=f"an arc length of {arc_mm:.1f} mm on a curve that is {total:.1f} mm long",
        expected=f"a length between 0 and {total:.1f} mm",
        next_step="use a shorter arc, or an input that shows more of the head",
    )


def point_at(poly: ArrayLike, arc_mm: float) -> tuple[FloatArray, FloatArray]:
    """Point at an arc length, and the unit tangent of the segment it lies on.

    Parameters
    ----------
    poly : array_like, shape (n, 3)
        Polyline, mm.
    arc_mm : float
        Length along it from its first point.

    Returns
    -------
    point, unit_tangent : ndarray, shape (3,)

    Raises
    ------
    GeometryError
        The arc length is negative or beyond the end.

    Examples
    --------
    >>> point_at([[0, 0, 0], [10, 0, 0], [10, 5, 0]], 12.0)[0]
    array([10.,  2.,  0.])
    >>> point_at([[0, 0, 0], [10, 0, 0]], 12.0)
    Traceback (most recent call last):
    ...
    entrypoint.errors.GeometryError: An arc length of 12.0 mm on a curve that is 10.0 mm long; ...
    """
    p = without_repeats(poly)
    s = arc_lengths_mm(p)
    if not -_END_SLACK_MM <= arc_mm <= s[-1] + _END_SLACK_MM:
        raise _beyond(float(arc_mm), float(s[-1]))
    arc = min(max(float(arc_mm), 0.0), float(s[-1]))
    i = int(np.clip(np.searchsorted(s, arc, side="right") - 1, 0, len(p) - 2))
    step = p[i + 1] - p[i]
    tangent = step / np.linalg.norm(step)
    return np.asarray(p[i] + (arc - s[i]) * tangent), np.asarray(tangent)


def direction_over(poly: ArrayLike, arc_mm: float, span_mm: float) -> FloatArray:
    """Unit direction of the curve at an arc length, as the chord of ``span_mm`` around it.

    Near an end the span is shortened on that side only.
    """
    p = without_repeats(poly)
    total = length_mm(p)
    if not -_END_SLACK_MM <= arc_mm <= total + _END_SLACK_MM:
        raise _beyond(float(arc_mm), total)
    lo = max(arc_mm - span_mm / 2.0, 0.0)
    hi = min(arc_mm + span_mm / 2.0, total)
    chord = point_at(p, hi)[0] - point_at(p, lo)[0]
    size = float(np.linalg.norm(chord))
    if size == 0.0:
        return point_at(p, arc_mm)[1]
    return np.asarray(chord / size)


def nearest_on(poly: ArrayLike, point: ArrayLike) -> tuple[float, FloatArray, float]:
    """Nearest place on a polyline: (arc length, point, distance), mm."""
    p = without_repeats(poly)
    q = as_point_mm(point)
    step = np.diff(p, axis=0)
    squared = np.einsum("ij,ij->i", step, step)
    t = np.clip(np.einsum("ij,ij->i", q - p[:-1], step) / squared, 0.0, 1.0)
    feet = p[:-1] + t[:, None] * step
    gaps = np.linalg.norm(feet - q, axis=1)
    i = int(np.argmin(gaps))
    s = arc_lengths_mm(p)
    return float(s[i] + t[i] * np.sqrt(squared[i])), np.asarray(feet[i]), float(gaps[i])


def _at_many(p: FloatArray, s: FloatArray, arcs: FloatArray) -> FloatArray:
    return np.column_stack([np.interp(arcs, s, p[:, k]) for k in range(3)])


def resample(poly: ArrayLike, step_mm: float) -> FloatArray:
    """Points at equal arc lengths, at most ``step_mm`` apart, both ends kept.

    Raises
    ------
    GeometryError
        ``step_mm`` is not positive.
    """
    if not step_mm > 0.0:
        raise GeometryError(
            found=f"a step of {step_mm} mm",
            expected="a positive step",
            next_step="give the step in mm",
        )
    p = without_repeats(poly)
    s = arc_lengths_mm(p)
    n = max(int(np.ceil(s[-1] / step_mm - 1e-9)), 1)
    out = _at_many(p, s, np.linspace(0.0, s[-1], n + 1))
    out[0], out[-1] = p[0], p[-1]
    return out


def smooth(poly: ArrayLike, sigma_mm: float) -> FloatArray:
    """Gaussian smoothing along the curve; the two ends stay where they are.

    The curve is continued beyond each end by point reflection, so that a straight line is
    left unchanged and an end is not drawn inwards.

    Parameters
    ----------
    poly : array_like, shape (n, 3)
        Polyline, mm.
    sigma_mm : float
        Standard deviation along the curve; 0 returns the points as they are.

    Returns
    -------
    ndarray, shape (n, 3)
        One smoothed point for each point given.
    """
    p = without_repeats(poly)
    if sigma_mm <= 0.0:
        return p
    s = arc_lengths_mm(p)
    total = float(s[-1])
    n = max(int(np.ceil(total / (sigma_mm / 4.0))), 2)
    step = total / n
    even = _at_many(p, s, np.linspace(0.0, total, n + 1))
    reach = int(np.ceil(4.0 * sigma_mm / step))
    padded = even
    while len(padded) < len(even) + 2 * reach:  # a short curve is reflected more than once
        k = min(reach - (len(padded) - len(even)) // 2, len(padded) - 1)
        head = 2.0 * padded[0] - padded[k:0:-1]
        tail = 2.0 * padded[-1] - padded[-2 : -k - 2 : -1]
        padded = np.vstack([head, padded, tail])
    offsets = np.arange(-reach, reach + 1) * step
    weights = np.exp(-0.5 * (offsets / sigma_mm) ** 2)
    weights /= weights.sum()
    rounded = np.column_stack([np.convolve(padded[:, k], weights, mode="valid") for k in range(3)])
    rounded[0], rounded[-1] = p[0], p[-1]
    return _at_many(rounded, np.linspace(0.0, total, n + 1), s)


def between(poly: ArrayLike, arc0_mm: float, arc1_mm: float) -> FloatArray:
    """Return the part of a polyline from one arc length to a larger one.

    Raises
    ------
    GeometryError
        The lengths are not in order, or reach beyond an end.
    """
    p = without_repeats(poly)
    if not arc0_mm < arc1_mm:
        raise GeometryError(
            found=f"a span from {arc0_mm:.1f} to {arc1_mm:.1f} mm",
            expected="a span whose end lies after its start",
            next_step="swap the two lengths",
        )
    first, last = point_at(p, arc0_mm)[0], point_at(p, arc1_mm)[0]
    s = arc_lengths_mm(p)
    inside = p[(s > arc0_mm) & (s < arc1_mm)]
    return without_repeats(np.vstack([first, inside, last]))
