"""Planes in space: distances, projection, reflection, fit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from entrypoint.errors import GeometryError
from entrypoint.geometry.guards import as_point_mm, as_points_mm, read_only, unit

__all__ = ["Plane", "angle_deg", "fit_plane"]

FloatArray = NDArray[np.float64]


def angle_deg(a: ArrayLike, b: ArrayLike) -> float:
    """Angle between two directions, 0 to 180 degrees, accurate near both ends."""
    u, v = unit(a), unit(b)
    return float(
        np.degrees(2.0 * np.arctan2(float(np.linalg.norm(u - v)), float(np.linalg.norm(u + v))))
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Plane:
    """A plane with a named side: distances are positive on the side of ``unit_normal``.

    Parameters
    ----------
    point_mm : ndarray, shape (3,)
        Any point of the plane.
    unit_normal : ndarray, shape (3,)
        Its normal; made a unit vector here.

    Examples
    --------
    >>> floor = Plane(point_mm=[0, 0, 10], unit_normal=[0, 0, 2])
    >>> floor.signed_distance_mm([[5, 5, 13], [0, 0, 8]])
    array([ 3., -2.])
    """

    point_mm: FloatArray
    unit_normal: FloatArray

    def __post_init__(self) -> None:
        """Check and freeze what was given."""
        object.__setattr__(self, "point_mm", as_point_mm(self.point_mm, "point of the plane"))
        object.__setattr__(self, "unit_normal", unit(self.unit_normal, "normal of the plane"))

    def signed_distance_mm(self, points: ArrayLike) -> FloatArray:
        """Distance of points (n, 3) from the plane, shape (n,), positive along the normal."""
        p = as_points_mm(points)
        return np.asarray((p - self.point_mm) @ self.unit_normal)

    def distance_of_mm(self, point: ArrayLike) -> float:
        """Signed distance of one point."""
        return float((as_point_mm(point) - self.point_mm) @ self.unit_normal)

    def project(self, points: ArrayLike) -> FloatArray:
        """Points (n, 3) dropped onto the plane."""
        p = as_points_mm(points)
        return np.asarray(p - self.signed_distance_mm(p)[:, None] * self.unit_normal)

    def mirror(self, points: ArrayLike) -> FloatArray:
        """Points (n, 3) reflected in the plane."""
        p = as_points_mm(points)
        return np.asarray(p - 2.0 * self.signed_distance_mm(p)[:, None] * self.unit_normal)

    def tilt_deg(self, other: Plane) -> float:
        """Angle between two planes, 0 to 90 degrees, whichever way their normals point."""
        angle = angle_deg(self.unit_normal, other.unit_normal)
        return min(angle, 180.0 - angle)

    def isclose(self, other: Plane, *, atol_mm: float, atol_deg: float) -> bool:
        """Whether two planes agree: tilt, and distance of either's point from the other."""
        return (
            self.tilt_deg(other) <= atol_deg
            and abs(self.distance_of_mm(other.point_mm)) <= atol_mm
            and abs(other.distance_of_mm(self.point_mm)) <= atol_mm
        )


def fit_plane(points: ArrayLike) -> tuple[Plane, float]:
    """Least-squares plane through points, and the rms distance from it in mm.

    Raises
    ------
    GeometryError
        Fewer than three points, or points on a line.
    """
    p = as_points_mm(points, "points of a plane", at_least=3)
    centre = p.mean(axis=0)
    _, spread, axes = np.linalg.svd(p - centre, full_matrices=False)
    if spread[1] <= 1e-9 * max(float(spread[0]), 1e-300):
        raise GeometryError(
            found="the points of a plane lie on one line",
            expected="at least three points that do not",
            next_step="add a point away from that line",
        )
    plane = Plane(point_mm=read_only(centre), unit_normal=axes[2])
    return plane, float(spread[2] / np.sqrt(len(p)))
