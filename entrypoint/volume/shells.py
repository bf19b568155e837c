"""The head and its skull as closed bodies: a field that is positive inside, with nothing loose.

The surface of a body is where its field is 0. Cuts, by the edge of the scan or by a plane, are
further fields of which the least counts, so that they come out closed and flat.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from entrypoint.anatomy.frame import HeadFrame
from entrypoint.volume.grid import Grid
from entrypoint.volume.rays import FloatArray, crossing, sample_rays
from entrypoint.volume.sections import STEP_MM, before_rest
from entrypoint.volume.skull import CoarseHead

if TYPE_CHECKING:
    from entrypoint.volume.volume import Volume

__all__ = ["Body", "head_only", "scalp_body", "skull_body"]

BoolArray = NDArray[np.bool_]

# What follows is judgement, no source: sizes of what is not a head.
_OPENING_MM = 4.0  # passages of less than twice this (nostrils, ear canals) are closed
_THIN_MM = 5.0  # pieces of less than twice this (straps, tubes, covers) are left out
_STUB_MM = 4.0
_RIM_BLOCKS, _WELL_INSIDE_BLOCKS = 4, 2.5
# Ears are thin too: right of the plane, anterior and superior of the middle, either side.
_EAR_MM = ((50.0, 110.0), (-60.0, 30.0), (-95.0, 20.0))
_EAR_STANDS_OUT_MM = 34.0
_THICKEST_SCALP_MM = 22.0
_PROUD_MM = 0.8  # how far above the skin along rays something counts as lying on it
_RAY_DEG, _BROAD_RAYS = 3.0, 5
# Down to where the vault is looked at along rays, seen from its middle: in front, beside, behind.
_LOWEST_DEG = (20.0, 4.0, -25.0)
_CUT_SLOPE = 0.5  # of a cut's own field: less than that of the body, so that cuts stay flat
# Fat reads about this share of the way from the skin's level to other soft tissue (check row 3.11):
# the field is held there, so that both sides of the skin count alike when it is blurred.
_FAT_SHARE = 0.7
_SOFT_BLOCKS = 0.9
_OFF_ZERO = 1e-3  # of a block: two corners of the surface never coincide


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """A closed body on a grid; its field reaches past the edge of the scan by two blocks.

    Parameters
    ----------
    grid : Grid
    depth_ratio : (ni, nj, nk) float32 array
        Depth over the edge of a block: positive inside, negative outside, 0 at the surface; held
        to -1 to 1, and true only near the surface.
    """

    grid: Grid
    depth_ratio: NDArray[np.float32]


def head_only(head: CoarseHead, frame: HeadFrame) -> tuple[BoolArray, BoolArray]:
    """Which coarse blocks are the head's, and which of them lie well inside it.

    Air that is reached only through a passage of less than 8 mm counts as inside; pieces thinner
    than 10 mm that are no ears, and what does not hang together with the head, are left out.

    Returns
    -------
    belongs, inside : bool arrays on the grid of ``head``
    """
    from scipy import ndimage

    size = np.asarray(head.grid.voxel_mm)
    # Open air lies round the scan, but not below it: there the airway is cut open, and lets none
    # in. A head that nearly touches the edge has too little air there to be told by its width.
    along = frame.unit_superior @ head.grid.world_from_index[:3, :3]
    lowest = int(np.argmax(np.abs(along)))
    rim = [[_RIM_BLOCKS, _RIM_BLOCKS] for _ in range(3)]
    rim[lowest][0 if along[lowest] > 0 else 1] = 0
    within = tuple(
        slice(before, before + n) for (before, _), n in zip(rim, head.exterior.shape, strict=True)
    )
    air = np.pad(head.exterior, rim, constant_values=True)
    wide = ndimage.distance_transform_edt(air, sampling=size) > _OPENING_MM
    labels, _ = ndimage.label(wide)
    corner = labels[tuple(-1 if before == 0 else 0 for before, _ in rim)]
    again = ndimage.distance_transform_edt(labels != corner, sampling=size)
    solid = ~(air & (again <= _OPENING_MM + size.max()))[within]

    at = np.rint(head.grid.index(head.centre_mm[None])[0]).astype(int)
    depth = ndimage.distance_transform_edt(solid, sampling=size)
    core = _holding(depth > _THIN_MM, at)
    away = ndimage.distance_transform_edt(~core, sampling=size)
    index = np.stack(np.meshgrid(*[np.arange(n) for n in solid.shape], indexing="ij"), axis=-1)
    near = solid & (away <= _EAR_STANDS_OUT_MM)
    place = frame.head_from_world(head.grid.world(index[near]))
    place[:, 0] = np.abs(place[:, 0])
    ear = np.all([(lo < place[:, k]) & (place[:, k] < hi) for k, (lo, hi) in enumerate(_EAR_MM)],
                 axis=0)  # fmt: skip
    belongs = solid & (away <= _THIN_MM + _STUB_MM)
    belongs[near] |= ear
    return _holding(belongs, at), depth > _WELL_INSIDE_BLOCKS * size.max()


def scalp_body(
    volume: Volume,
    head: CoarseHead,
    frame: HeadFrame,
    *,
    step_mm: float,
    cut_mm: float | None = None,
    parts: tuple[BoolArray, BoolArray] | None = None,
) -> Body:
    """The head within its skin, without the cavities in it and without what lies on it.

    Parameters
    ----------
    volume : Volume
        With its axes closest to right, anterior, superior.
    head : CoarseHead
    frame : HeadFrame
    step_mm : float
        Wanted edge of a block.
    cut_mm : float, optional
        Cut flat at this height above ``frame.origin_mm``; what lies below is left out.
    parts : pair of bool arrays, optional
        As of :func:`head_only`, where they are known.

    Returns
    -------
    Body
    """
    means = volume.block_means(step_mm)
    levels = head.levels
    half = 0.5 * (levels.soft_hu - levels.air_hu)
    # Where air is cut off in the file the level lies low: the slope there is that of what is left.
    half = _FAT_SHARE * min(half, levels.soft_hu - levels.skin_hu)
    depth = _soft_edged((means.stored - levels.skin_hu) / half)
    belongs, inside = head_only(head, frame) if parts is None else parts
    take = _onto(head, volume, means)
    depth[inside[take]] = 1.0
    depth[~_grown(belongs)[take]] = -1.0
    _without_what_lies_on_it(depth, means, volume, head, frame)
    return _closed(depth, means.grid, frame, cut_mm)


def skull_body(
    volume: Volume,
    head: CoarseHead,
    frame: HeadFrame,
    *,
    step_mm: float,
    cut_mm: float | None = None,
    parts: tuple[BoolArray, BoolArray] | None = None,
) -> Body:
    """The bone of the head, with its diploe; arguments as of :func:`scalp_body`."""
    means = volume.block_means(step_mm)
    levels = head.levels
    half = min(levels.bone_edge_hu - levels.soft_hu, levels.bone_hu - levels.bone_edge_hu)
    depth = _soft_edged((means.stored - levels.bone_edge_hu) / half)
    belongs, _ = head_only(head, frame) if parts is None else parts
    depth[~belongs[_onto(head, volume, means)]] = -1.0
    return _closed(depth, means.grid, frame, cut_mm)


def _soft_edged(depth: NDArray[Any]) -> NDArray[np.float32]:
    """The field held to -1 to 1 and blurred: a sharp edge would come out in terraces.

    Blurred after it is held, so that bone and metal do not move the edge of the skin.
    """
    from scipy import ndimage

    held = np.clip(depth, -1.0, 1.0)
    return np.asarray(ndimage.gaussian_filter(held, _SOFT_BLOCKS, truncate=3.0, mode="nearest"))


def _holding(mask: BoolArray, at: NDArray[np.int_]) -> BoolArray:
    """The connected piece that holds a block, or the largest one where none does."""
    from scipy import ndimage

    labels, count = ndimage.label(mask)
    if not count:
        return mask
    named = int(labels[tuple(np.clip(at, 0, np.array(mask.shape) - 1))])
    return np.asarray(labels == (named or 1 + int(np.argmax(np.bincount(labels.ravel())[1:]))))


def _grown(mask: BoolArray) -> BoolArray:
    from scipy import ndimage

    return np.asarray(ndimage.binary_dilation(mask, structure=np.ones((3, 3, 3), dtype=bool)))


def _onto(
    head: CoarseHead, volume: Volume, means: Volume
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]:
    """For each block of ``means``, along each axis, the coarse block in which it lies."""
    found = []
    for axis in range(3):
        whole = volume.shape[axis]
        fine = max(1, whole // means.shape[axis])
        rough = max(1, whole // head.grid.shape[axis])
        # Sizes rarely divide: the steps are those of which the counts were made.
        fine = round(means.grid.voxel_mm[axis] / volume.grid.voxel_mm[axis]) or fine
        rough = round(head.grid.voxel_mm[axis] / volume.grid.voxel_mm[axis]) or rough
        at = (np.arange(means.shape[axis]) * fine + (fine - 1) // 2) // rough
        found.append(np.minimum(at, head.grid.shape[axis] - 1))
    i, j, k = np.ix_(*found)
    return i, j, k


def _closed(
    depth: NDArray[np.float32], grid: Grid, frame: HeadFrame, cut_mm: float | None
) -> Body:
    """The body with the edge of the scan and a plane as flat ends, and air all round."""
    from scipy import ndimage

    depth = np.pad(depth, 2, mode="edge")
    matrix = grid.world_from_index.copy()
    matrix[:3, 3] = grid.world(np.array([-2.0, -2.0, -2.0]))
    shape = (depth.shape[0], depth.shape[1], depth.shape[2])
    grown = Grid(shape=shape, world_from_index=matrix)
    # Blocks with no neighbour outside do not move the surface: at full depth they keep cuts flat.
    depth[ndimage.binary_erosion(depth > 0.0)] = 1.0
    for axis in range(3):
        at = np.arange(shape[axis], dtype=np.float32)
        edge = _CUT_SLOPE * np.minimum(at - 1.5, shape[axis] - 2.5 - at)
        wide = [1, 1, 1]
        wide[axis] = -1
        np.minimum(depth, edge.reshape(wide), out=depth)
    if cut_mm is not None:
        step = frame.unit_superior @ matrix[:3, :3]
        start = frame.unit_superior @ (matrix[:3, 3] - frame.origin_mm) - cut_mm
        block = float(np.linalg.norm(step))
        i, j, k = (np.arange(n, dtype=np.float32) * s for n, s in zip(shape, step, strict=True))
        height = (i[:, None, None] + j[None, :, None] + k[None, None, :] + start) / block
        np.minimum(depth, (_CUT_SLOPE * height).astype(np.float32), out=depth)
    np.clip(depth, -1.0, 1.0, out=depth)
    depth[np.abs(depth) < _OFF_ZERO] = _OFF_ZERO
    return Body(grid=grown, depth_ratio=np.ascontiguousarray(depth, dtype=np.float32))


def _without_what_lies_on_it(
    depth: NDArray[np.float32], means: Volume, volume: Volume, head: CoarseHead, frame: HeadFrame
) -> None:
    """Cut the body down to the skin along rays over the vault, where something lies on it."""
    from scipy import ndimage

    radius = _vault_skin(volume, head, frame)
    at = np.argwhere(depth > -0.999)
    place = frame.head_from_world(means.grid.world(at))
    away = np.linalg.norm(place, axis=1)
    azimuth = np.degrees(np.arctan2(place[:, 0], place[:, 1])) % 360.0
    up = np.degrees(np.arcsin(np.clip(place[:, 2] / np.maximum(away, 1e-6), -1.0, 1.0)))
    lowest = np.interp(-np.cos(np.radians(azimuth)), (-1.0, 0.0, 1.0), _LOWEST_DEG)
    row = (up - _LOWEST_DEG[2]) / _RAY_DEG
    use = (up >= lowest) & (away > 40.0)
    limit = ndimage.map_coordinates(
        radius, [azimuth[use] / _RAY_DEG, row[use]], order=1, mode="grid-wrap"
    )
    block = float(np.mean(means.grid.voxel_mm))
    over = (limit + _PROUD_MM - away[use]) / block
    i, j, k = at[use].T
    depth[i, j, k] = np.minimum(depth[i, j, k], np.clip(over, -1.0, 1.0))


def _vault_skin(volume: Volume, head: CoarseHead, frame: HeadFrame) -> FloatArray:
    """Distance of the skin over bone by azimuth and elevation; far away where it is not known."""
    from scipy import ndimage

    azimuth = np.arange(0.0, 360.0, _RAY_DEG)
    up = np.arange(_LOWEST_DEG[2], 90.0 + _RAY_DEG, _RAY_DEG)
    a, e = np.radians(np.meshgrid(azimuth, np.minimum(up, 90.0), indexing="ij"))
    dirs = (
        (np.cos(e) * np.cos(a))[..., None] * frame.unit_anterior
        + (np.cos(e) * np.sin(a))[..., None] * frame.unit_right
        + np.sin(e)[..., None] * frame.unit_superior
    ).reshape(-1, 3)
    depths = np.arange(40.0, 150.0, STEP_MM)
    hu = sample_rays(volume, frame.origin_mm, dirs, depths)
    ends, exits = before_rest(hu, head)
    bone = crossing(depths, hu, head.levels.bone_edge_hu, ends)
    skin = crossing(depths, hu, head.levels.skin_hu, exits)
    known = skin - bone < _THICKEST_SCALP_MM
    behind = np.cos(a.ravel()) < 0.0
    # Behind, skin that is not seen may lie in a head rest: as beside it. Elsewhere a swelling or a
    # gap in the bone is more likely: nothing is cut there.
    skin[~known] = np.nan
    found = skin.reshape(a.shape)
    if not known.any():
        return np.full(a.shape, 1e3)
    nearest = ndimage.distance_transform_edt(
        ~np.isfinite(found), return_distances=False, return_indices=True
    )
    filled = found[tuple(nearest)]
    # Round the head its azimuths go on; at the top they end.
    round_about = np.concatenate([filled[-1:], filled, filled[:1]])
    filled = ndimage.median_filter(round_about, size=3, mode="nearest")[1:-1]
    free = (~known & (~behind | ~np.isfinite(bone))).reshape(a.shape)
    # Only where it is broad: a tube or a bolt is narrow.
    free = np.pad(free, ((_BROAD_RAYS, _BROAD_RAYS), (0, 0)), mode="wrap")
    free = ndimage.binary_opening(free, structure=np.ones((_BROAD_RAYS, _BROAD_RAYS), dtype=bool))
    return np.asarray(np.where(free[_BROAD_RAYS:-_BROAD_RAYS], 1e3, filled))
