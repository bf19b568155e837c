"""Spheres and ellipses: a fit, and closed forms to check other code against."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from entrypoint.errors import GeometryError
from entrypoint.geometry.guards import as_points_mm

__all__ = ["arc_of_chord_mm", "chord_of_arc_mm", "ellipse_arc_mm", "fit_sphere"]

FloatArray = NDArray[np.float64]


def fit_sphere(points: ArrayLike) -> tuple[FloatArray, float, float]:
    """Least-squares sphere: centre, radius and rms distance from it, mm.

    The algebraic fit is followed by Gauss-Newton steps on the distances themselves.

    Raises
    ------
    GeometryError
        Fewer than four points, or points in one plane.
    """
    p = as_points_mm(points, "points of a sphere", at_least=4)
    middle = p.mean(axis=0)
    q = p - middle
    rows = np.column_stack([2.0 * q, np.ones(len(q))])
    solution, _, rank, _ = np.linalg.lstsq(rows, np.einsum("ij,ij->i", q, q), rcond=1e-10)
    if rank < 4:
        raise GeometryError(
            found="the points of a sphere lie in one plane",
            expected="at least four points that do not",
            next_step="add a point away from that plane",
        )
    centre = solution[:3]
    for _ in range(20):
        away = q - centre
        reach = np.linalg.norm(away, axis=1)
        if float(reach.min()) == 0.0:
            break
        jac = np.column_stack([-away / reach[:, None], -np.ones(len(q))])
        step = np.linalg.lstsq(jac, -(reach - reach.mean()), rcond=None)[0]
        centre = centre + step[:3]
        if float(np.abs(step[:3]).max()) < 1e-10:
            break
    reach = np.linalg.norm(q - centre, axis=1)
    radius = float(reach.mean())
    return centre + middle, radius, float(np.sqrt(np.mean((reach - radius) ** 2)))


def chord_of_arc_mm(arc_mm: float, radius_mm: float) -> float:
    """Straight distance between the ends of a circular arc: 2 R sin(s / 2R)."""
    return 2.0 * radius_mm * math.sin(arc_mm / (2.0 * radius_mm))


def arc_of_chord_mm(chord_mm: float, radius_mm: float) -> float:
    """Circular arc over a chord: 2 R asin(c / 2R).

    Raises
    ------
    GeometryError
        The chord is longer than the diameter.
    """
    if not 0.0 <= chord_mm <= 2.0 * radius_mm:
        raise GeometryError(
            found=f"a chord of {chord_mm:.1f} mm in a circle of radius {radius_mm:.1f} mm",
            expected="a chord no longer than the diameter",
            next_step="check both lengths",
        )
    return 2.0 * radius_mm * math.asin(chord_mm / (2.0 * radius_mm))


def ellipse_arc_mm(a_mm: float, b_mm: float, t0: float, t1: float) -> float:
    """Arc length of (a cos t, b sin t) from t0 to t1, by elliptic integral.

    With the integral E(phi | m) of the second kind,
    s = b (E(t1 | m) - E(t0 | m)), m = 1 - a^2 / b^2.
    """
    from scipy.special import ellipeinc

    m = 1.0 - (a_mm / b_mm) ** 2
    return abs(float(b_mm * (ellipeinc(t1, m) - ellipeinc(t0, m))))
