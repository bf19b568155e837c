"""The head frame: right, anterior and superior of the head itself, and angles in it.

A direction is written by two angles. ``phi`` turns in the midsagittal plane from anterior (0)
over superior (90 degrees) to posterior (180); ``lam`` leaves that plane towards the patient's
right (positive) or left.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadFrame:
    """An origin in the cranial cavity and the head's three axes, world mm.

    ``unit_right`` is the normal of the midsagittal plane, which holds ``origin_mm``.
    """

    origin_mm: FloatArray
    unit_right: FloatArray
    unit_anterior: FloatArray
    unit_superior: FloatArray

    def directions(self, phi_deg: FloatArray, lam_deg: FloatArray) -> FloatArray:
        """Unit vectors, world, of directions given by their angles; shapes broadcast."""
        phi, lam = np.radians(phi_deg), np.radians(lam_deg)
        c = np.cos(lam)
        return (
            (c * np.cos(phi))[..., None] * self.unit_anterior
            + (c * np.sin(phi))[..., None] * self.unit_superior
            + (np.sin(lam) * np.ones_like(phi))[..., None] * self.unit_right
        )

    def head_from_world(self, points_mm: FloatArray) -> FloatArray:
        """Right, anterior, superior of the origin, mm."""
        axes = np.stack([self.unit_right, self.unit_anterior, self.unit_superior])
        return np.asarray((np.asarray(points_mm) - self.origin_mm) @ axes.T)

    def world_from_head(self, points_mm: FloatArray) -> FloatArray:
        """World mm of points given as right, anterior, superior of the origin."""
        axes = np.stack([self.unit_right, self.unit_anterior, self.unit_superior])
        return np.asarray(np.asarray(points_mm) @ axes + self.origin_mm)

    def phi_deg(self, points_mm: FloatArray) -> FloatArray:
        """Angle in the midsagittal plane of points, degrees in (-180, 180]."""
        head = self.head_from_world(points_mm)
        return np.degrees(np.arctan2(head[..., 2], head[..., 1]))


def frame_from(
    origin_mm: FloatArray, unit_right: FloatArray, towards_anterior: FloatArray
) -> HeadFrame:
    """Build a frame whose anterior is ``towards_anterior`` laid into the plane."""
    right = unit_right / np.linalg.norm(unit_right)
    anterior = towards_anterior - (towards_anterior @ right) * right
    anterior = anterior / np.linalg.norm(anterior)
    return HeadFrame(
        origin_mm=np.asarray(origin_mm, dtype=float),
        unit_right=right,
        unit_anterior=anterior,
        unit_superior=np.cross(right, anterior),
    )
