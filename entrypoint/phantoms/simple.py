"""Simple bodies with closed-form answers, as volumes: balls, ellipsoids and their shells."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from entrypoint.phantoms.fields import Points, ellipsoid
from entrypoint.phantoms.grid import GridSpec

__all__ = ["Shell", "simple_volume"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Shell:
    """An ellipsoid of matter; later ones are painted over earlier ones."""

    semi_mm: tuple[float, float, float]
    hu: float
    centre_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)


def simple_volume(
    grid: GridSpec, shells: list[Shell], *, per_axis: int = 3
) -> tuple[NDArray[np.int16], NDArray[np.float64]]:
    """Render nested ellipsoids in air by averaging points within each voxel.

    Parameters
    ----------
    grid : GridSpec
    shells : list of Shell
        From the outside inwards: a scalp ball, a bone ball, a brain ball.
    per_axis : int
        Points per axis in a voxel; each counts by how far it lies within a border, so that a
        surface is true to a few hundredths of a voxel.

    Returns
    -------
    hu : array of int16, ``grid.shape``
    world_from_index : array (4, 4)
    """
    world = grid.world_from_index
    fine = min(grid.spacing_mm) / per_axis
    offsets = (np.arange(per_axis) + 0.5) / per_axis - 0.5
    i, j, k = (np.arange(n, dtype=np.float64) for n in grid.shape)
    total = np.zeros(grid.shape, dtype=np.float32)
    for a in offsets:
        for b in offsets:
            for c in offsets:
                p = Points(
                    *(
                        world[r, 0] * (i + a)[:, None, None]
                        + world[r, 1] * (j + b)[None, :, None]
                        + world[r, 2] * (k + c)[None, None, :]
                        + world[r, 3]
                        for r in range(3)
                    )
                )
                hu = np.full(grid.shape, -1000.0)
                for shell in shells:
                    cover = np.clip(
                        0.5 - ellipsoid(p, shell.centre_mm, shell.semi_mm) / fine, 0.0, 1.0
                    )
                    hu += (shell.hu - hu) * cover
                total += hu.astype(np.float32)
    total /= per_axis**3
    return np.rint(total).astype(np.int16), world.copy()
