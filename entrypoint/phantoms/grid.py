"""The grid that a head is rendered on."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

__all__ = ["GridSpec"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class GridSpec:
    """Shape and index-to-world matrix of a picture.

    ``slice_axis`` is the index axis along which slices are stacked (or None: no slice
    profile); the slice thickness is the spacing along it unless ``slice_mm`` says otherwise.
    """

    shape: tuple[int, int, int]
    world_from_index: FloatArray
    slice_axis: int | None = 2
    slice_mm: float | None = None

    @property
    def spacing_mm(self) -> tuple[float, float, float]:
        """Length of one index step along each axis."""
        n = np.linalg.norm(self.world_from_index[:3, :3], axis=0)
        return (float(n[0]), float(n[1]), float(n[2]))

    @staticmethod
    def around(
        lo_mm: tuple[float, float, float],
        hi_mm: tuple[float, float, float],
        *,
        voxel_mm: float = 0.5,
        slice_mm: float = 0.6,
        axes: str = "LPS",
        oblique_deg: tuple[float, float, float] = (0.0, 0.0, 0.0),
        shear: float = 0.0,
    ) -> GridSpec:
        """Grid that covers a world box.

        Parameters
        ----------
        lo_mm, hi_mm
            Corners of the box, world mm.
        voxel_mm, slice_mm
            Spacing in plane and along the third index axis.
        axes
            World direction in which each index grows, e.g. ``"RAS"``, ``"LPS"``, ``"PIR"``.
        oblique_deg
            Rotation of the grid about the world axes.
        shear
            Step along the second index axis per mm of the third (a tilted gantry).
        """
        letters = {"R": (0, 1), "L": (0, -1), "A": (1, 1), "P": (1, -1), "S": (2, 1), "I": (2, -1)}
        spacing = (voxel_mm, voxel_mm, slice_mm)
        m = np.zeros((3, 3))
        for i, ch in enumerate(axes):
            row, sign = letters[ch]
            m[row, i] = sign * spacing[i]
        m[:, 2] += shear * slice_mm * m[:, 1] / voxel_mm
        ax, ay, az = np.deg2rad(oblique_deg)
        rx = np.array([[1, 0, 0], [0, np.cos(ax), -np.sin(ax)], [0, np.sin(ax), np.cos(ax)]])
        ry = np.array([[np.cos(ay), 0, np.sin(ay)], [0, 1, 0], [-np.sin(ay), 0, np.cos(ay)]])
        rz = np.array([[np.cos(az), -np.sin(az), 0], [np.sin(az), np.cos(az), 0], [0, 0, 1]])
        m = rz @ ry @ rx @ m
        corners = np.array(list(product(*zip(lo_mm, hi_mm, strict=True))))
        index = corners @ np.linalg.inv(m).T
        first, last = index.min(axis=0), index.max(axis=0)
        shape = np.ceil(last - first).astype(int) + 1
        world = np.eye(4)
        world[:3, :3] = m
        world[:3, 3] = m @ first
        return GridSpec(shape=(int(shape[0]), int(shape[1]), int(shape[2])), world_from_index=world)

    def cropped(self, lo: tuple[int, int, int], hi: tuple[int, int, int]) -> GridSpec:
        """Part of the grid, index ranges ``lo <= i < hi``."""
        world = self.world_from_index.copy()
        world[:3, 3] += world[:3, :3] @ np.array(lo, dtype=float)
        shape = (hi[0] - lo[0], hi[1] - lo[1], hi[2] - lo[2])
        return GridSpec(
            shape=shape, world_from_index=world, slice_axis=self.slice_axis, slice_mm=self.slice_mm
        )
