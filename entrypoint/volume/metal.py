"""Pieces of metal in a scan: connected voxels denser than any bone of a vault.

Metal saturates: the readings of its inside are cut off, and the scanner's point spread widens it.
What is used of a piece is therefore where it lies and which way it runs, not what it reads.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from entrypoint.anatomy.frame import HeadFrame
from entrypoint.errors import MeasurementError
from entrypoint.volume.edges import METAL_HU
from entrypoint.volume.rays import FloatArray
from entrypoint.volume.skull import CoarseHead, coarse_radii

if TYPE_CHECKING:
    from entrypoint.volume.volume import Volume

__all__ = ["MetalPiece", "VaultRadii", "metal_pieces", "vault_radii"]

_LEAST_MM3 = 4.0  # smaller pieces are noise, or too little to say anything of
_STEP_DEG = 3.0
_SMOOTH_CELLS = 7  # a median over some 30 mm: wider than a bolt with its cap
_VAULT_PHI_DEG, _VAULT_LAM_DEG = (-20.0, 200.0), 75.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MetalPiece:
    """Connected metal.

    Attributes
    ----------
    points_mm : (n, 3) array
        Centres of its voxels, world.
    volume_mm3 : float
        As it reads: blooming included.
    """

    points_mm: FloatArray
    volume_mm3: float


@dataclass(frozen=True, slots=True, kw_only=True)
class VaultRadii:
    """The outer table from the head's middle, smoothed so that no metal pulls it out."""

    frame: HeadFrame
    phi_deg: FloatArray
    lam_deg: FloatArray
    radius_mm: FloatArray  # (p, q)

    def height_mm(self, points_mm: FloatArray) -> FloatArray:
        """Height of points above the outer table along the ray from the head's middle.

        NaN for points that do not lie over the vault.
        """
        from scipy import ndimage

        local = self.frame.head_from_world(points_mm)
        r = np.linalg.norm(local, axis=1)
        phi = np.degrees(np.arctan2(local[:, 2], local[:, 1]))
        phi = np.where(phi < -90.0, phi + 360.0, phi)
        lam = np.degrees(np.arcsin(np.clip(local[:, 0] / np.maximum(r, 1e-9), -1.0, 1.0)))
        index = np.stack([(phi - self.phi_deg[0]) / _STEP_DEG, (lam - self.lam_deg[0]) / _STEP_DEG])
        vault = ndimage.map_coordinates(self.radius_mm, index, order=1, mode="nearest")
        over = (
            (phi >= _VAULT_PHI_DEG[0])
            & (phi <= _VAULT_PHI_DEG[1])
            & (np.abs(lam) <= _VAULT_LAM_DEG)
        )
        return np.where(over, r - vault, np.nan)


def vault_radii(head: CoarseHead, frame: HeadFrame) -> VaultRadii:
    """Read the outer table over the vault, coarsely, past metal."""
    from scipy import ndimage

    phi = np.arange(_VAULT_PHI_DEG[0], _VAULT_PHI_DEG[1] + _STEP_DEG, _STEP_DEG)
    lam = np.arange(-_VAULT_LAM_DEG, _VAULT_LAM_DEG + _STEP_DEG, _STEP_DEG)
    dirs = frame.directions(phi[:, None] + 0 * lam, lam + 0 * phi[:, None]).reshape(-1, 3)
    bone = coarse_radii(head, dirs, centre_mm=frame.origin_mm).bone_mm.reshape(len(phi), -1)
    seen = np.isfinite(bone)
    filled = np.where(seen, bone, np.median(bone[seen]) if seen.any() else 80.0)
    return VaultRadii(
        frame=frame,
        phi_deg=phi,
        lam_deg=lam,
        radius_mm=ndimage.median_filter(filled, size=_SMOOTH_CELLS, mode="nearest"),
    )


def metal_pieces(volume: Volume, head: CoarseHead) -> list[MetalPiece]:
    """Every piece of metal, largest first.

    Raises
    ------
    MeasurementError
        The file's readings are cut off below what metal reads: it cannot be told from bone.
    """
    from scipy import ndimage

    cut = head.levels.clip_high_hu
    if cut is not None and cut < METAL_HU:
        raise MeasurementError(
            found=f"readings above {cut:.0f} HU are cut off in this file",
            expected=f"a range that reaches {METAL_HU:.0f} HU, so that metal differs from bone",
            next_step="export the scan with its full range",
        )
    least = (METAL_HU - volume.inter) / volume.slope
    dense = volume.stored >= least if volume.slope > 0 else volume.stored <= least
    where = _bounds(dense)
    if where is None:
        return []
    labels, count = ndimage.label(dense[where], structure=np.ones((3, 3, 3)))
    first = np.array([part.start for part in where], dtype=float)
    voxel = abs(float(np.linalg.det(volume.grid.world_from_index[:3, :3])))
    pieces = []
    for number, box in enumerate(ndimage.find_objects(labels, max_label=count), start=1):
        if box is None:
            continue
        at = np.argwhere(labels[box] == number)
        if len(at) * voxel < _LEAST_MM3:
            continue
        start = first + [part.start for part in box]
        pieces.append(
            MetalPiece(points_mm=volume.grid.world(at + start), volume_mm3=len(at) * voxel)
        )
    return sorted(pieces, key=lambda piece: -piece.volume_mm3)


def _bounds(mask: np.ndarray) -> tuple[slice, slice, slice] | None:
    """The smallest block that holds everything that is true."""
    out = []
    for axis in range(3):
        line = mask.any(axis=tuple(k for k in range(3) if k != axis))
        if not line.any():
            return None
        at = np.flatnonzero(line)
        out.append(slice(int(at[0]), int(at[-1]) + 1))
    return (out[0], out[1], out[2])
