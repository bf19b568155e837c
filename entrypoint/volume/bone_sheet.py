"""The outer table over both sides of the vault as one height map, for many square paths at once.

Heights are radii from the head frame's origin over its two angles, so one sheet bends with the
vault where a flat patch would not reach.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from entrypoint.anatomy.frame import HeadFrame
from entrypoint.volume.edges import METAL_HU, quick_edges
from entrypoint.volume.rays import FloatArray, sample_rays
from entrypoint.volume.skull import CoarseHead, coarse_radii

if TYPE_CHECKING:
    from entrypoint.volume.volume import Volume

_STEP_MM = 0.4
_ABOVE_MM, _BELOW_MM = 8.0, 34.0  # of the rough outer table
_ROUGH_DEG = 3.0
_SPIKE_MM = 2.5  # as for a patch
_ROWS_AT_ONCE = 24
_RIM_POINTS = 48
_BRIDGE_FROM_MM = 15.0  # how far round a hole the surface that bridges it is fitted


@dataclass(frozen=True, slots=True, kw_only=True)
class BoneSheet:
    """The outer table over ``phi_deg`` (rows) and ``lam_deg`` (columns) of a head frame.

    Attributes
    ----------
    radius_mm : (p, q) array
        Of the outer table from the frame's origin; bridged where bone is missing.
    peak_hu, inner_peak_hu : (p, q) arrays
        Peaks of the two tables; NaN where unseen.
    missing : (p, q) bool array
        Where no outer or no inner surface was found.
    metal : (p, q) bool array
        Where metal lies in the scalp or the bone.
    """

    frame: HeadFrame
    phi_deg: FloatArray
    lam_deg: FloatArray
    radius_mm: FloatArray
    peak_hu: FloatArray
    inner_peak_hu: FloatArray
    missing: NDArray[np.bool_]
    metal: NDArray[np.bool_]

    def points_mm(self) -> FloatArray:
        """Points of the surface, (p, q, 3), world mm."""
        unit = self.frame.directions(
            self.phi_deg[:, None] + 0 * self.lam_deg, self.lam_deg + 0 * self.phi_deg[:, None]
        )
        return np.asarray(self.frame.origin_mm + self.radius_mm[..., None] * unit)

    def radius_over(self, points_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Radius of the surface in the direction of points (n, 3), and the points' own radius."""
        head = self.frame.head_from_world(points_mm)
        own = np.sqrt(np.einsum("ij,ij->i", head, head))
        phi = np.degrees(np.arctan2(head[:, 2], head[:, 1]))
        phi = np.where(phi < self.phi_deg[0] - 40.0, phi + 360.0, phi)
        lam = np.degrees(np.arcsin(np.clip(head[:, 0] / own, -1.0, 1.0)))
        p, q = self.radius_mm.shape
        a = (phi - self.phi_deg[0]) / (self.phi_deg[1] - self.phi_deg[0])
        b = (lam - self.lam_deg[0]) / (self.lam_deg[1] - self.lam_deg[0])
        a, b = np.clip(a, 0.0, p - 1.001), np.clip(b, 0.0, q - 1.001)
        i, j = a.astype(np.intp), b.astype(np.intp)
        a, b = a - i, b - j
        flat = self.radius_mm.ravel()
        k = i * q + j
        near = (1.0 - b) * flat[k] + b * flat[k + 1]
        far = (1.0 - b) * flat[k + q] + b * flat[k + q + 1]
        return (1.0 - a) * near + a * far, own


def bone_sheet(
    volume: Volume, head: CoarseHead, frame: HeadFrame, phi_deg: FloatArray, lam_deg: FloatArray
) -> BoneSheet:
    """Read the outer table along rays from the frame's origin.

    Parameters
    ----------
    volume : Volume
    head : CoarseHead
    frame : HeadFrame
    phi_deg, lam_deg : (p,), (q,) arrays
        Evenly spaced.

    Returns
    -------
    BoneSheet
    """
    from scipy import ndimage

    gphi = np.arange(phi_deg[0] - _ROUGH_DEG, phi_deg[-1] + 2 * _ROUGH_DEG, _ROUGH_DEG)
    glam = np.arange(lam_deg[0] - _ROUGH_DEG, lam_deg[-1] + 2 * _ROUGH_DEG, _ROUGH_DEG)
    dirs = frame.directions(gphi[:, None] + 0 * glam, glam + 0 * gphi[:, None]).reshape(-1, 3)
    rough = coarse_radii(head, dirs, centre_mm=frame.origin_mm).bone_mm.reshape(len(gphi), -1)
    seen = np.isfinite(rough)
    rough = np.where(seen, rough, np.median(rough[seen]) if seen.any() else 80.0)
    rough = ndimage.median_filter(rough, size=3)
    index = np.stack(
        np.meshgrid(
            (phi_deg - gphi[0]) / _ROUGH_DEG, (lam_deg - glam[0]) / _ROUGH_DEG, indexing="ij"
        )
    )
    guess = ndimage.map_coordinates(rough, index, order=1, mode="nearest")
    unit = frame.directions(phi_deg[:, None] + 0 * lam_deg, lam_deg + 0 * phi_deg[:, None])
    depths = np.arange(-_ABOVE_MM, _BELOW_MM, _STEP_MM)
    shape = guess.shape
    outer, inner = np.empty(shape), np.empty(shape)
    peak, inner_peak = np.empty(shape), np.empty(shape)
    metal = np.zeros(shape, dtype=bool)
    for start in range(0, shape[0], _ROWS_AT_ONCE):
        part = slice(start, start + _ROWS_AT_ONCE)
        flat = unit[part].reshape(-1, 3)
        origin = frame.origin_mm + guess[part].reshape(-1, 1) * flat
        hu = sample_rays(volume, origin, -flat, depths)
        edges = quick_edges(depths, hu, head.levels)
        size = (-1, shape[1])
        outer[part] = edges.outer_mm.reshape(size)
        inner[part] = edges.inner_mm.reshape(size)
        peak[part] = edges.outer_peak_hu.reshape(size)
        inner_peak[part] = edges.inner_peak_hu.reshape(size)
        with np.errstate(invalid="ignore"):
            metal[part] = (
                (hu[:, : np.searchsorted(depths, 14.0)] >= METAL_HU).any(axis=1).reshape(size)
            )
    with np.errstate(invalid="ignore"):
        outer = np.where(peak >= METAL_HU, np.nan, outer)
    missing = ~np.isfinite(outer) | ~np.isfinite(inner)
    radius = _bridged(_without_spikes(guess - outer), float(np.radians(phi_deg[1] - phi_deg[0])))
    return BoneSheet(
        frame=frame,
        phi_deg=np.asarray(phi_deg, dtype=float),
        lam_deg=np.asarray(lam_deg, dtype=float),
        radius_mm=radius,
        peak_hu=peak,
        inner_peak_hu=inner_peak,
        missing=missing,
        metal=metal,
    )


def meets(sheet: BoneSheet, points_mm: FloatArray, unit_dirs: FloatArray) -> FloatArray:
    """Where lines through points (n, 3) meet the sheet's surface, (n, 3)."""
    out = np.array(points_mm, dtype=float)
    for _ in range(6):
        surface, own = sheet.radius_over(out)
        along = np.einsum("ij,ij->i", out - sheet.frame.origin_mm, unit_dirs) / own
        out = out + ((surface - own) / along)[:, None] * unit_dirs
    return out


def mean_normals(sheet: BoneSheet, feet_mm: FloatArray, radius_mm: float) -> FloatArray:
    """Area-weighted mean of the outward unit normals within a straight distance of feet (n, 3).

    The sum of a surface's area vectors is half the line integral of position x step round its
    rim (Stokes), so only the rim is looked up.
    """
    feet = np.asarray(feet_mm, dtype=float)
    origin = sheet.frame.origin_mm
    outward = feet - origin
    outward = outward / np.linalg.norm(outward, axis=1, keepdims=True)
    u = np.cross(outward, sheet.frame.unit_right)
    u = u / np.linalg.norm(u, axis=1, keepdims=True)
    v = np.cross(outward, u)
    turn = 2.0 * np.pi * np.arange(_RIM_POINTS) / _RIM_POINTS
    ray = np.cos(turn)[:, None] * u[:, None, :] + np.sin(turn)[:, None] * v[:, None, :]
    reach = np.full(ray.shape[:2], radius_mm)
    rim = np.zeros_like(ray)
    for _ in range(4):
        at = (feet[:, None, :] + reach[..., None] * ray).reshape(-1, 3)
        surface, own = sheet.radius_over(at)
        on = origin + (surface / own)[:, None] * (at - origin)
        rim = on.reshape(ray.shape) - feet[:, None, :]
        reach = reach * radius_mm / np.maximum(np.linalg.norm(rim, axis=-1), 1.0)
    total = np.cross(rim, np.roll(rim, -1, axis=1)).sum(axis=1)
    total = total / np.linalg.norm(total, axis=1, keepdims=True)
    away = np.einsum("ij,ij->i", total, outward) < 0.0
    return np.asarray(np.where(away[:, None], -total, total))


def square_feet(
    sheet: BoneSheet,
    points_mm: FloatArray,
    unit_inward: FloatArray,
    *,
    radius_mm: float = 10.0,
    turns: int = 2,
) -> tuple[FloatArray, FloatArray]:
    """Feet of the paths through points (n, 3) that meet the sheet along its mean normal there.

    Parameters
    ----------
    points_mm : (n, 3) array
        On the scalp.
    unit_inward : (n, 3) array
        Where to start from: about square to the bone.

    Returns
    -------
    feet_mm, unit_outward : (n, 3) arrays
    """
    feet = meets(sheet, points_mm, unit_inward)
    outward = -np.asarray(unit_inward, dtype=float)
    for _ in range(turns):
        outward = mean_normals(sheet, feet, radius_mm)
        feet = meets(sheet, points_mm, -outward)
    return feet, outward


def _without_spikes(radius: FloatArray) -> FloatArray:
    """Drop radii that stand off the median of their neighbours."""
    from scipy import ndimage

    seen = np.isfinite(radius)
    if seen.all():
        middle = ndimage.median_filter(radius, size=5)
        return np.where(np.abs(radius - middle) > _SPIKE_MM, np.nan, radius)
    padded = np.pad(radius, 2, constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, (5, 5)).reshape(*radius.shape, 25)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # windows with nothing in view stay NaN
        middle = np.nanmedian(windows, axis=-1)
    few = np.isfinite(windows).sum(axis=-1) < 3
    with np.errstate(invalid="ignore"):
        return np.where((np.abs(radius - middle) > _SPIKE_MM) | few, np.nan, radius)


def _bridged(radius: FloatArray, step_rad: float) -> FloatArray:
    """Holes filled by a quadratic surface through what is seen round each."""
    from scipy import ndimage

    holes = ~np.isfinite(radius)
    if not holes.any():
        return radius
    out = radius.copy()
    if holes.all():
        return np.full_like(out, 80.0)
    middle = float(np.nanmedian(radius))
    grow = max(2, round(_BRIDGE_FROM_MM / (middle * step_rad)))
    labels, _ = ndimage.label(holes, structure=np.ones((3, 3)))
    for k, box in enumerate(ndimage.find_objects(labels), start=1):
        part = tuple(
            slice(max(0, b.start - grow), min(n, b.stop + grow))
            for b, n in zip(box, radius.shape, strict=True)
        )
        known = ~holes[part]
        hole = labels[part] == k
        a, b = np.meshgrid(*[np.linspace(-1.0, 1.0, n) for n in known.shape], indexing="ij")
        design = np.stack([np.ones_like(a), a, b, a * a, a * b, b * b], axis=-1)
        if known.sum() < 12:
            out[part][hole] = middle
            continue
        coef, *_ = np.linalg.lstsq(design[known], radius[part][known], rcond=None)
        out[part][hole] = (design @ coef)[hole]
    return out
