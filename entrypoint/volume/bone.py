"""The outer table near a point: a patch of it, its normal, and where a square path meets it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import MeasurementError
from entrypoint.volume.edges import METAL_HU, quick_edges
from entrypoint.volume.levels import Levels
from entrypoint.volume.rays import FloatArray, sample_rays

if TYPE_CHECKING:
    from entrypoint.volume.volume import Volume

_STEP_MM = 0.4
_ABOVE_MM = 8.0  # outside the given point, so that the skin is in the samples
_BELOW_MM = 48.0
# A crack takes this share off the peaks of both tables, over this length (on phantoms).
# Texture of coarse slices drops by 0.2 to 0.34 in both tables at once; a crack somewhere by more.
_CRACK_DROP, _CRACK_DEPTH = 0.2, 0.36
_CRACK_LENGTH_MM = 6.0
_LEAST_INWARD, _MET_MM = 0.17, 0.05  # a path within 10 degrees of the skin meets no bone near it


@dataclass(frozen=True, slots=True, kw_only=True)
class BonePatch:
    """A height map of the outer table over a square that faces ``unit_inward``.

    Attributes
    ----------
    origin_mm : (3,) array
        The point that the patch was made for.
    unit_u, unit_v, unit_inward : (3,) arrays
        Right-handed axes; depths run along ``unit_inward`` from the plane through the origin.
    offsets_mm : (n,) array
        Of the rays along u and along v.
    depth_mm : (n, n) array
        Depth of the outer table; bridged smoothly where bone is missing.
    thickness_mm : (n, n) array
        Quick skull thickness along ``unit_inward`` between half-peak edges; NaN where missing.
    peak_hu : (n, n) array
        The outer table's own peak.
    missing : (n, n) bool array
        Where no bone was found, or too little of it.
    """

    origin_mm: FloatArray
    unit_u: FloatArray
    unit_v: FloatArray
    unit_inward: FloatArray
    offsets_mm: FloatArray
    depth_mm: FloatArray
    skin_depth_mm: FloatArray
    thickness_mm: FloatArray
    peak_hu: FloatArray
    inner_peak_hu: FloatArray
    missing: NDArray[np.bool_]

    def points_mm(self) -> FloatArray:
        """Outer-table points, (n, n, 3), world mm."""
        o = self.offsets_mm
        return np.asarray(
            self.origin_mm
            + o[:, None, None] * self.unit_u
            + o[None, :, None] * self.unit_v
            + self.depth_mm[..., None] * self.unit_inward
        )

    def height_at(self, u_mm: float, v_mm: float) -> float:
        """Depth of the outer table at an offset, bilinear."""
        step = float(self.offsets_mm[1] - self.offsets_mm[0])
        n = len(self.offsets_mm)
        a = min(max((u_mm - self.offsets_mm[0]) / step, 0.0), n - 1.000001)
        b = min(max((v_mm - self.offsets_mm[0]) / step, 0.0), n - 1.000001)
        i, j = int(a), int(b)
        fa, fb = a - i, b - j
        d = self.depth_mm
        return float(
            (1 - fa) * (1 - fb) * d[i, j]
            + fa * (1 - fb) * d[i + 1, j]
            + (1 - fa) * fb * d[i, j + 1]
            + fa * fb * d[i + 1, j + 1]
        )

    def missing_within(self, point_mm: FloatArray, radius_mm: float) -> bool:
        """Whether bone is missing within a distance of a point of the patch."""
        gap = np.linalg.norm(self.points_mm() - point_mm, axis=-1) <= radius_mm
        return bool((gap & self.missing).any())


def crack_in(patch: BonePatch, soft_hu: float, allowed: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Where a thin line is dark in the outer and in the inner table alike.

    A crack runs through both tables; diploe, vessels' grooves and a thin spot of one table do
    not show in both.

    Parameters
    ----------
    patch : BonePatch
    soft_hu : float
    allowed : (n, n) bool array
        Where a dark line is a known suture.

    Returns
    -------
    (n, n) bool array
    """
    from scipy import ndimage

    drops = []
    for peak in (patch.peak_hu, patch.inner_peak_hu):
        seen = np.where(np.isfinite(peak), peak, np.nanmedian(peak)) - soft_hu
        usual = ndimage.median_filter(seen, size=11)
        drops.append(1.0 - seen / np.maximum(usual, 1.0))
    both = np.minimum(drops[0], drops[1])
    dark = (both > _CRACK_DROP) & ~allowed
    labels, _ = ndimage.label(dark, structure=np.ones((3, 3)))
    out = np.zeros(dark.shape, dtype=bool)
    step = float(patch.offsets_mm[1] - patch.offsets_mm[0])
    for k, box in enumerate(ndimage.find_objects(labels), start=1):
        length = np.hypot(*[(b.stop - b.start) * step for b in box])
        if length >= _CRACK_LENGTH_MM and both[box][labels[box] == k].max() >= _CRACK_DEPTH:
            out |= labels == k
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class Foot:
    """Where the square path through a point meets the outer table."""

    foot_mm: FloatArray
    unit_outward: FloatArray
    turns: int


def tangent_axes(unit_inward: FloatArray, towards: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Two unit vectors square to ``unit_inward``; the first lies closest to ``towards``."""
    u = towards - (towards @ unit_inward) * unit_inward
    u = u / np.linalg.norm(u)
    return u, np.cross(unit_inward, u)


def bone_patch(
    volume: Volume,
    levels: Levels,
    origin_mm: FloatArray,
    unit_inward: FloatArray,
    towards: FloatArray,
    *,
    half_mm: float = 20.0,
    step_mm: float = 1.0,
) -> BonePatch:
    """Read the outer table over a square round a point of the scalp.

    Parameters
    ----------
    volume : Volume
    levels : Levels
    origin_mm : (3,) array
        A point on the scalp.
    unit_inward : (3,) array
        About square to the bone.
    towards : (3,) array
        What the patch's first axis lies closest to.
    half_mm, step_mm : float

    Returns
    -------
    BonePatch

    Raises
    ------
    MeasurementError
        When less than a third of the square shows bone.
    """
    u, v = tangent_axes(unit_inward, towards)
    n = round(half_mm / step_mm)
    offsets: FloatArray = np.arange(-n, n + 1, dtype=float) * step_mm
    origins = origin_mm + offsets[:, None, None] * u + offsets[None, :, None] * v
    depths = np.arange(-_ABOVE_MM, _BELOW_MM, _STEP_MM)
    hu = sample_rays(volume, origins.reshape(-1, 3), unit_inward, depths)
    edges = quick_edges(depths, hu, levels)
    side = len(offsets)
    # Under metal the surface of the bone is not to be read.
    metal = edges.outer_peak_hu >= METAL_HU
    outer = np.where(metal, np.nan, edges.outer_mm).reshape(side, side)
    thick = (edges.inner_mm - edges.outer_mm).reshape(side, side)
    missing = ~np.isfinite(outer)
    if missing.mean() > 2 / 3:
        raise MeasurementError(
            found=f"bone in {100 * (1 - missing.mean()):.0f} % of the square round the entry",
            expected="bone under the entry point",
            next_step="look at the scan: the site may have no bone, or lie outside the field",
        )
    outer = _without_spikes(outer)
    bridged = ~np.isfinite(outer)
    return BonePatch(
        origin_mm=np.asarray(origin_mm, dtype=float),
        unit_u=u,
        unit_v=v,
        unit_inward=np.asarray(unit_inward, dtype=float),
        offsets_mm=offsets,
        depth_mm=_bridge(outer, bridged, offsets),
        skin_depth_mm=edges.skin_mm.reshape(side, side),
        thickness_mm=thick,
        peak_hu=edges.outer_peak_hu.reshape(side, side),
        inner_peak_hu=edges.inner_peak_hu.reshape(side, side),
        missing=missing,
    )


def square_foot(
    patch: BonePatch,
    point_mm: FloatArray,
    *,
    radius_mm: float = 10.0,
    tol_mm: float = 1e-3,
    most_turns: int = 30,
) -> Foot:
    """Foot of the path through a point that meets the outer table along its outward normal there.

    The normal is the area-weighted mean of the unit normals within ``radius_mm`` (straight
    distance) of the foot.

    Parameters
    ----------
    patch : BonePatch
    point_mm : (3,) array
        The entry on the scalp.
    radius_mm : float

    Returns
    -------
    Foot
    """
    centroids, areas = _facets(patch)
    inward = patch.unit_inward
    foot = _meets(patch, point_mm, inward)
    outward = -inward
    foot_start, half = foot, float(patch.offsets_mm[-1])
    for turn in range(most_turns):
        near = np.linalg.norm(centroids - foot, axis=1) <= radius_mm
        total = areas[near].sum(axis=0)
        astray = float(np.linalg.norm(foot - foot_start)) > 1.5 * half
        if not near.any() or astray or not float(np.linalg.norm(total)) > 0:
            raise MeasurementError(
                found="no path that meets the bone squarely",
                expected="a surface of bone under the entry",
                next_step="look at the scan: metal or missing bone may hide the surface",
            )
        outward = total / np.linalg.norm(total)
        new = _meets(patch, point_mm, -outward)
        if np.linalg.norm(new - foot) < tol_mm:
            return Foot(foot_mm=new, unit_outward=outward, turns=turn + 1)
        foot = 0.5 * (foot + new) if turn > 8 else new
    return Foot(foot_mm=foot, unit_outward=outward, turns=most_turns)


def foot_along(
    patch: BonePatch, point_mm: FloatArray, unit_inward: FloatArray, *, radius_mm: float = 10.0
) -> Foot:
    """Where a path of a given direction meets the outer table, and the table's normal there.

    Parameters
    ----------
    patch : BonePatch
    point_mm : (3,) array
        On the scalp.
    unit_inward : (3,) array
    radius_mm : float
        Of the outer table over which the normal is the mean, as of :func:`square_foot`.

    Returns
    -------
    Foot

    Raises
    ------
    MeasurementError
        The path does not meet the patch.
    """
    along = float(unit_inward @ patch.unit_inward)
    half = float(patch.offsets_mm[-1])
    if along > _LEAST_INWARD:
        foot = _meets(patch, point_mm, unit_inward)
        r = foot - patch.origin_mm
        u, v, deep = (float(r @ a) for a in (patch.unit_u, patch.unit_v, patch.unit_inward))
        on_patch = max(abs(u), abs(v)) <= half
        if on_patch and abs(patch.height_at(u, v) - deep) < _MET_MM:
            centroids, areas = _facets(patch)
            near = np.linalg.norm(centroids - foot, axis=1) <= radius_mm
            total = areas[near].sum(axis=0)
            if float(np.linalg.norm(total)) > 0.0:
                return Foot(foot_mm=foot, unit_outward=total / np.linalg.norm(total), turns=1)
    raise MeasurementError(
        found="the path does not meet the skull near its point on the skin",
        expected="a path that goes through the bone",
        next_step="check the direction and the coordinate space (RAS or LPS)",
    )


def _facets(patch: BonePatch) -> tuple[FloatArray, FloatArray]:
    """Centroids and outward area vectors of the patch's triangles."""
    p = patch.points_mm()
    a, b, c, d = p[:-1, :-1], p[1:, :-1], p[1:, 1:], p[:-1, 1:]
    first, second = np.cross(b - a, c - a) / 2, np.cross(c - a, d - a) / 2
    areas = np.concatenate([first.reshape(-1, 3), second.reshape(-1, 3)])
    centroids = np.concatenate([((a + b + c) / 3).reshape(-1, 3), ((a + c + d) / 3).reshape(-1, 3)])
    inwards = areas @ patch.unit_inward > 0
    return centroids, np.where(inwards[:, None], -areas, areas)


def _meets(patch: BonePatch, point_mm: FloatArray, unit_dir: FloatArray) -> FloatArray:
    """Where a line through a point meets the patch's surface."""
    q = point_mm - patch.origin_mm
    t = 0.0
    along = float(unit_dir @ patch.unit_inward)
    for _ in range(12):
        r = q + t * unit_dir
        t += (
            patch.height_at(float(r @ patch.unit_u), float(r @ patch.unit_v))
            - float(r @ patch.unit_inward)
        ) / along
    return np.asarray(point_mm + t * unit_dir)


def _without_spikes(depth: FloatArray) -> FloatArray:
    """Drop depths that stand off the median of their neighbours by more than 2.5 mm."""
    padded = np.pad(depth, 2, constant_values=np.nan)
    stack = np.stack(
        [padded[i : i + depth.shape[0], j : j + depth.shape[1]] for i in range(5) for j in range(5)]
    )
    enough = np.isfinite(stack).sum(axis=0) >= 3
    middle = np.full(depth.shape, np.nan)
    middle[enough] = np.nanmedian(stack[:, enough], axis=0)
    with np.errstate(invalid="ignore"):
        return np.where(np.abs(depth - middle) > 2.5, np.nan, depth)


def _bridge(depth: FloatArray, holes: NDArray[np.bool_], offsets: FloatArray) -> FloatArray:
    """Fill holes with a quadratic surface through the rest."""
    if not holes.any():
        return depth
    uu, vv = np.meshgrid(offsets, offsets, indexing="ij")
    design = np.stack([np.ones_like(uu), uu, vv, uu * uu, uu * vv, vv * vv], axis=-1)
    good = ~holes
    coef, *_ = np.linalg.lstsq(design[good], depth[good], rcond=None)
    return np.where(holes, design @ coef, depth)
