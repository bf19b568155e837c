"""The nearest large space that reads like cerebrospinal fluid, deep inside the brain."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from entrypoint.geometry.planes import Plane
from entrypoint.volume.corridor import block_sd_hu
from entrypoint.volume.levels import Levels
from entrypoint.volume.rays import FloatArray
from entrypoint.volume.volume import Volume

__all__ = ["FluidSpace", "nearest_fluid_space"]

_SMOOTH_BLOCKS = 1.0
_SMOOTH_KEEPS = (4.0 * np.pi * _SMOOTH_BLOCKS**2) ** -0.75  # of white noise, three dimensions
_LEAST_CONTRAST = 3.0  # of half the step from brain to fluid over the noise that is left
_MIDLINE_MM = 3.0  # the fluid between the hemispheres is no ventricle
_FAT_HU = -30.0
_AIRY_HU, _RIM_MM = -90.0, 7.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FluidSpace:
    """Distance to a fluid space, or why there is none.

    Attributes
    ----------
    distance_mm : float or None
        0 where the point lies in it.
    sd_mm : float or None
    why : str
        Empty where there is a distance.
    """

    distance_mm: float | None = None
    sd_mm: float | None = None
    why: str = ""


def nearest_fluid_space(
    block_means: Volume,
    levels: Levels,
    midsagittal: Plane,
    point_mm: FloatArray,
    *,
    brain_hu: float,
    fluid_hu: float,
    least_ml: float,
    deeper_than_mm: float,
    reach_mm: float = 45.0,
) -> FluidSpace:
    """Distance from a point to the nearest fluid-dense space of a least volume.

    Parameters
    ----------
    block_means : Volume
        The scan in blocks of 2 to 3 mm.
    levels : Levels
    midsagittal : Plane
        Within 3 mm of it nothing is taken.
    point_mm : (3,) array
    brain_hu, fluid_hu : float
        What the two read; the edge lies half-way.
    least_ml : float
        Smaller spaces are passed over.
    deeper_than_mm : float
        Distance from bone below which fluid counts as that of the surface.
    reach_mm : float

    Returns
    -------
    FluidSpace
    """
    from scipy import ndimage

    box = block_means.block_around(np.atleast_2d(point_mm), margin_mm=reach_mm)
    hu = box.to_hu(box.stored)
    voxel = np.asarray(box.grid.voxel_mm)
    half = 0.5 * (brain_hu - fluid_hu)
    near = block_means.block_around(np.atleast_2d(point_mm), margin_mm=11.0)
    sd = block_sd_hu(near.to_hu(near.stored)) * _SMOOTH_KEEPS
    if not half > _LEAST_CONTRAST * sd:
        return FluidSpace(why="the noise is too high to tell fluid from brain")
    solid = (hu > levels.bone_edge_hu) | (hu < levels.skin_hu)
    if not solid.any():
        return FluidSpace(why="no bone in view to tell how deep a place lies")
    deep = ndimage.distance_transform_edt(~solid, sampling=voxel) > deeper_than_mm
    if not deep.any():
        return FluidSpace(why="the brain below the path is not in view")
    smooth = ndimage.gaussian_filter(hu, _SMOOTH_BLOCKS, mode="nearest")
    index = np.stack(np.meshgrid(*[np.arange(n) for n in hu.shape], indexing="ij"), axis=-1)
    world = box.grid.world(index.reshape(-1, 3)).reshape(*hu.shape, 3)
    aside = np.abs((world - midsagittal.point_mm) @ midsagittal.unit_normal) > _MIDLINE_MM
    fluid = deep & aside & (smooth < brain_hu - half) & (smooth > _FAT_HU)
    airy = (hu < _AIRY_HU) & ~(hu < levels.skin_hu)
    if airy.any():  # the rim of a bubble, in means of blocks, reads like fluid
        fluid &= ndimage.distance_transform_edt(~airy, sampling=voxel) > _RIM_MM
    labels, count = ndimage.label(fluid)
    if not count:
        return FluidSpace(why=f"none within {reach_mm:.0f} mm of the tip")
    size_ml = np.bincount(labels.ravel()) * float(np.prod(voxel)) / 1000.0
    large = np.flatnonzero(size_ml >= least_ml)
    large = large[large > 0]
    if not large.size:
        return FluidSpace(why=f"none within {reach_mm:.0f} mm of the tip")
    where = np.isin(labels, large)
    away = np.where(where, np.linalg.norm(world - point_mm, axis=-1), np.inf)
    target = world.reshape(-1, 3)[int(np.argmin(away))]
    distance = _edge_mm(box, smooth, point_mm, target, brain_hu - half)
    # Of the blocks' size, and of what a blur of that width does to a narrow horn.
    return FluidSpace(distance_mm=distance, sd_mm=float(0.6 * voxel.max()))


def _edge_mm(
    box: Volume, smooth: FloatArray, start_mm: FloatArray, target_mm: FloatArray, level: float
) -> float:
    """Where the line to a place in the space crosses its edge."""
    from scipy import ndimage

    far = float(np.linalg.norm(target_mm - start_mm))
    if far < 1e-6:
        return 0.0
    steps = np.arange(0.0, far + 1e-9, 0.25)
    points = start_mm + steps[:, None] * (target_mm - start_mm) / far
    hu = ndimage.map_coordinates(smooth, box.grid.index(points).T, order=1, mode="nearest")
    outside = np.flatnonzero(hu >= level)
    return float(steps[outside[-1]]) if outside.size else 0.0
