"""Signed distances from a path to the midsagittal plane, the sinus envelope and the suture."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from entrypoint.errors import MeasurementError
from entrypoint.geometry.guards import as_point_mm, as_points_mm, unit
from entrypoint.geometry.planes import Plane
from entrypoint.geometry.polylines import nearest_on, resample
from entrypoint.planning.entry import side_sign
from entrypoint.planning.model import Side
from entrypoint.reference import value

__all__ = [
    "OuterSection",
    "SutureClearances",
    "arc_over_chord_mm",
    "midline_clearances_mm",
    "scalp_reading_mm",
    "sinus_clearance_mm",
    "sinus_half_width_mm",
    "sinus_path",
    "suture_clearances",
]

FloatArray = NDArray[np.float64]

OuterSection = Callable[[FloatArray, FloatArray, FloatArray], FloatArray]
"""(point, unit_plane_normal, unit_direction) to the polyline (n, 3) of the outer table (or of
the scalp, where no bone is known) in that plane, from the point onwards in that direction."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SutureClearances:
    """From a point on the outer table to the suture's centre line; positive in front of it.

    ``parallel_mm`` lies in the plane parallel to the midsagittal one, ``nearest_mm`` is the
    shortest way in any direction; both along the surface.
    """

    parallel_mm: float | None  # None where the curve does not reach that far to the side
    nearest_mm: float
    crossing_mm: FloatArray | None
    nearest_point_mm: FloatArray


def arc_over_chord_mm(chord_mm: float, radius_mm: float) -> float:
    """Length along a surface of a given radius over a straight distance."""
    half = min(chord_mm / (2.0 * radius_mm), 1.0)
    return 2.0 * radius_mm * math.asin(half)


def midline_clearances_mm(points: ArrayLike, plane: Plane, side: Side) -> FloatArray:
    """Distance of points (n, 3) from the midsagittal plane, positive on the named side."""
    return side_sign(side) * plane.signed_distance_mm(points)


def sinus_half_width_mm(side: Side) -> float:
    """Half-width of the sinus envelope: wider on the patient's right, where it lies oftener."""
    return value(f"sinus_half_width_{side.value}")


def sinus_path(
    outer_table: ArrayLike, inner_table: ArrayLike, unit_inward: ArrayLike
) -> FloatArray:
    """Both ends of the stretch of path that is compared with the sinus envelope.

    From the outer table to 10 mm inside the inner table; the sensor's tip lies deeper, where
    the envelope does not apply. Both surfaces of the envelope are planes here, so that the
    least distance is at one of the ends.
    """
    inside = as_point_mm(inner_table) + value("sinus_reach_inside") * unit(unit_inward)
    return np.vstack([as_point_mm(outer_table), as_point_mm(inner_table), inside])


def sinus_clearance_mm(path: ArrayLike, plane: Plane, side: Side) -> float:
    """Least distance from a path to the sinus envelope; negative inside it.

    Parameters
    ----------
    path : array_like, shape (n, 3)
        Points of the path, see ``sinus_path``.
    plane : Plane
        Midsagittal, its normal to the patient's right.
    side : Side
        The named side, the patient's.
    """
    return float(midline_clearances_mm(path, plane, side).min()) - sinus_half_width_mm(side)


def _crossing(curve: FloatArray, plane: Plane) -> FloatArray | None:
    away = plane.signed_distance_mm(curve)
    flips = np.flatnonzero((away[:-1] <= 0.0) != (away[1:] <= 0.0))
    if len(flips) == 0:
        return None
    # a curve that wanders may cross more than once: the crossing that an entry in front of it
    # meets first is the one nearest the plane's own point
    spots = []
    for i in flips:
        t = away[i] / (away[i] - away[i + 1])
        spots.append(curve[i] + t * (curve[i + 1] - curve[i]))
    return np.asarray(min(spots, key=lambda q: float(np.linalg.norm(q - plane.point_mm))))


def suture_clearances(
    *,
    point: ArrayLike,
    suture_curve: ArrayLike,
    midsagittal: Plane,
    unit_backward: ArrayLike,
    outer_section: OuterSection | None = None,
    radius_mm: float | None = None,
) -> SutureClearances:
    """Distances from a point on the outer table to the coronal suture, along the table.

    Parameters
    ----------
    point : array_like, shape (3,)
        Where the path meets the outer table (or the scalp, with a suture on the scalp).
    suture_curve : array_like, shape (n, 3)
        The suture's centre line on the same surface.
    midsagittal : Plane
        The parallel distance lies in the plane through the point with the same normal.
    unit_backward : array_like, shape (3,)
        Backwards along the midline at the entry; decides what is in front.
    outer_section : callable, optional
        See ``OuterSection``; without it, lengths follow a surface of ``radius_mm``.
    radius_mm : float, optional
        By default the reference row ``bone_radius`` (under 0.1 mm of error at 25 mm).

    Returns
    -------
    SutureClearances

    Raises
    ------
    MeasurementError
        The suture curve has fewer than two points.
    """
    p = as_point_mm(point, "point on the outer table")
    given = as_points_mm(suture_curve, "suture")
    if len(given) < 2:
        raise MeasurementError(
            found="a suture of a single point",
            expected="its course on the side of the entry",
            next_step="give at least two points of the suture",
        )
    curve = resample(given, 0.5)
    back = unit(unit_backward, "backward direction")
    radius = value("bone_radius") if radius_mm is None else radius_mm
    parallel_plane = Plane(point_mm=p, unit_normal=midsagittal.unit_normal)

    def along(target: FloatArray, normal: FloatArray) -> float:
        chord = float(np.linalg.norm(target - p))
        if outer_section is None or chord < 1e-6:
            return arc_over_chord_mm(chord, radius)
        arc, _, gap = nearest_on(outer_section(p, normal, unit(target - p)), target)
        return arc + gap if gap > 0.5 else max(arc, chord)

    _, near, _ = nearest_on(curve, p)
    crossing = _crossing(curve, parallel_plane)
    parallel = None
    if crossing is not None:
        sign = 1.0 if float((crossing - p) @ back) >= 0.0 else -1.0
        parallel = sign * along(crossing, parallel_plane.unit_normal)
    else:
        sign = 1.0 if float((near - p) @ back) >= 0.0 else -1.0
    shortest = arc_over_chord_mm(float(np.linalg.norm(near - p)), radius)
    if parallel is not None:
        shortest = min(shortest, abs(parallel))
    return SutureClearances(
        parallel_mm=parallel,
        nearest_mm=sign * shortest,
        crossing_mm=crossing,
        nearest_point_mm=near,
    )


def scalp_reading_mm(
    bone_arc_mm: float, scalp_mm: float, *, radius_mm: float | None = None
) -> float:
    """What a tape on the scalp reads over a length on bone, the scalp being ``scalp_mm`` thick."""
    radius = value("bone_radius") if radius_mm is None else radius_mm
    return bone_arc_mm * (radius + scalp_mm) / radius
