"""The skull as seen from inside: a centre in the cranial cavity, and radii along rays.

Nothing here depends on how the head lies: the centre is the middle of the largest ball of soft
tissue that bone or outside air bounds, and rays go out in every direction.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import MeasurementError
from entrypoint.volume.levels import Levels, cut_off, read_levels
from entrypoint.volume.rays import FloatArray, crossing, sample_rays

if TYPE_CHECKING:
    from entrypoint.volume.grid import Grid
    from entrypoint.volume.volume import Volume

COARSE_MM = 2.6
_BALL_MM = (35.0, 95.0)
# Bone lies round the middle of a cranial cavity in most directions (90 to 99 % on phantoms, 92 % on
# one real scan; less where the field cuts the vault), round that of a neck in fewer.
_MOST_BALLS, _ENCLOSED, _DIRECTIONS = 4, 0.7, 240


@dataclass(frozen=True, slots=True, kw_only=True)
class CoarseHead:
    """Block means of the whole scan, what its levels are, and the middle of the cranial cavity."""

    volume: Volume  # the block means as a volume of its own
    exterior: NDArray[np.bool_]  # air that reaches the edge of the field, on the same grid
    levels: Levels
    centre_mm: FloatArray
    ball_mm: float  # radius of the largest ball round the centre

    @property
    def grid(self) -> Grid:
        """Grid of the block means."""
        return self.volume.grid

    def is_exterior(self, points_mm: FloatArray) -> NDArray[np.bool_]:
        """Whether points (..., 3) lie in air that reaches the edge of the field, or beyond it."""
        points = np.asarray(points_mm, dtype=float)
        index = np.rint(self.grid.index(points.reshape(-1, 3))).astype(np.intp)
        inside = np.all((index >= 0) & (index < np.asarray(self.exterior.shape)), axis=1)
        safe = np.where(inside[:, None], index, 0)
        found = self.exterior[safe[:, 0], safe[:, 1], safe[:, 2]] | ~inside
        return np.asarray(found.reshape(points.shape[:-1]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Radii:
    """Where rays from one centre meet the outer bone and leave the skin; NaN where they do not."""

    bone_mm: FloatArray
    skin_mm: FloatArray


def coarse_head(volume: Volume) -> CoarseHead:
    """Reduce the scan to block means and find the middle of the cranial cavity.

    Raises
    ------
    FileRefused
        When the levels are not those of a CT.
    MeasurementError
        When no cavity of the size of a cranial cavity is there.
    """
    from scipy import ndimage

    coarse = volume.block_means(COARSE_MM)
    hu = coarse.stored
    thin = volume.to_hu(volume.stored[::5, ::5, ::5])
    low, high = cut_off(thin)
    levels = read_levels(hu, clip_low_hu=low, clip_high_hu=high)
    air = hu < levels.skin_hu
    labels, _ = ndimage.label(air)
    rim = np.zeros(air.shape, dtype=bool)
    for axis in range(3):
        for end in (0, -1):
            rim[(slice(None),) * axis + (end,)] = True
    outside = np.unique(labels[rim & air])
    exterior = np.isin(labels, outside[outside > 0])

    # A ball needs no fine grid: every second block, with bone kept where any of the eight has it.
    solid = exterior | (hu > levels.bone_edge_hu)
    pad = [(0, n % 2) for n in solid.shape]
    even = np.pad(solid, pad, mode="edge")
    small = even.reshape(even.shape[0] // 2, 2, even.shape[1] // 2, 2, even.shape[2] // 2, 2).any(
        axis=(1, 3, 5)
    )
    # The edge of the field bounds a ball too, or a neck cut off below would hold the largest one.
    framed = np.pad(small, 1, constant_values=True)
    sampling = 2 * np.asarray(coarse.grid.voxel_mm)
    distance = ndimage.distance_transform_edt(~framed, sampling=sampling)[1:-1, 1:-1, 1:-1]
    found: CoarseHead | None = None
    enclosed = 0.0
    top = float(distance.max())
    for _ in range(_MOST_BALLS):
        ball = float(distance.max())
        if not _BALL_MM[0] < ball < _BALL_MM[1]:
            break
        near = np.argwhere(distance > ball - 0.5 * sampling.min())
        near = near[np.linalg.norm((near - near[0]) * sampling, axis=1) < 0.5 * ball]
        index = 2 * near.mean(axis=0) + 0.5
        tried = CoarseHead(
            volume=coarse,
            exterior=exterior,
            levels=levels,
            centre_mm=coarse.grid.world(index[None, :])[0],
            ball_mm=ball,
        )
        share = _enclosed(tried)
        if share > enclosed:
            found, enclosed = tried, share
        if share >= _ENCLOSED:
            break
        # A neck or a chest can hold as large a ball; look for the next one elsewhere.
        at = np.indices(distance.shape).reshape(3, -1).T
        away = np.linalg.norm((at - near.mean(axis=0)) * sampling, axis=1)
        distance[(away < ball).reshape(distance.shape)] = 0.0
    if found is None:
        raise MeasurementError(
            found=f"the largest cavity that bone surrounds has a radius of {top:.0f} mm",
            expected=f"a cranial cavity ({_BALL_MM[0]:.0f} to {_BALL_MM[1]:.0f} mm)",
            next_step="check that the whole vault is in the field and that the unit is right",
        )
    return found


def _enclosed(head: CoarseHead) -> float:
    """Share of all directions in which bone lies round a centre, within a head's reach."""
    i = np.arange(_DIRECTIONS) + 0.5
    z = 1.0 - 2.0 * i / _DIRECTIONS
    turn = np.pi * (1.0 + 5.0**0.5) * i
    flat = np.sqrt(1.0 - z * z)
    dirs = np.stack([flat * np.cos(turn), flat * np.sin(turn), z], axis=1)
    return float(np.isfinite(coarse_radii(head, dirs, reach_mm=110.0).bone_mm).mean())


def coarse_radii(
    head: CoarseHead,
    unit_dirs: FloatArray,
    *,
    centre_mm: FloatArray | None = None,
    reach_mm: float = 135.0,
    step_mm: float = 1.25,
) -> Radii:
    """Outermost bone and skin along rays, on the block means.

    The skin is where the ray first enters air that reaches the edge of the field; what lies
    beyond (head rest, table, hands) is not looked at.
    """
    centre = head.centre_mm if centre_mm is None else centre_mm
    depths = np.arange(25.0, reach_mm, step_mm)
    hu = sample_rays(head.volume, centre, unit_dirs, depths)
    points = centre + depths[None, :, None] * unit_dirs[:, None, :]
    outside = head.is_exterior(points)
    leaves = np.where(outside.any(axis=1), np.argmax(outside, axis=1), hu.shape[1])
    inside = np.arange(hu.shape[1])[None, :] < leaves[:, None]

    edge = head.levels.bone_edge_hu
    bone = inside & (hu > edge)
    has = bone.any(axis=1)
    last_bone = np.where(has, hu.shape[1] - 1 - np.argmax(bone[:, ::-1], axis=1), -1)
    bone_mm = crossing(depths, hu, edge, last_bone)

    # From outside air back inwards to the last sample above the skin level.
    above = inside & (hu >= head.levels.skin_hu)
    last = np.where(above.any(axis=1), hu.shape[1] - 1 - np.argmax(above[:, ::-1], axis=1), -1)
    last = np.where(leaves < hu.shape[1], last, -1)
    skin_mm = crossing(depths, hu, head.levels.skin_hu, last)
    cut = ~np.isfinite(hu[np.arange(len(hu)), np.minimum(np.maximum(last, 0) + 1, hu.shape[1] - 1)])
    return Radii(bone_mm=bone_mm, skin_mm=np.where(cut, np.nan, skin_mm))
