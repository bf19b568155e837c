"""Scalp, skull and its layers along many square paths, and where no sound bone lies near them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import MeasurementError
from entrypoint.planning.site_chart import ChartedHead
from entrypoint.reference import value
from entrypoint.volume.bone import BonePatch, crack_in
from entrypoint.volume.bone_sheet import BoneSheet
from entrypoint.volume.edges import Edges, quick_edges
from entrypoint.volume.rays import sample_rays
from entrypoint.volume.skull_profile import SkullProfile, read_skull_profile

__all__ = ["SiteBone", "read_bone"]

FloatArray = NDArray[np.float64]
_DEPTHS_MM = np.arange(-6.0, 46.0, 0.4)
_RING_MM, _RING = 0.8, 4
_AT_ONCE = 700  # paths; bounds the memory
_FITS = 16
_FEWEST_FITS = 6
_SUTURE_HALF_MM = 4.5  # a suture wanders about its smoothed line
_MIDLINE_HALF_MM = 6.0  # the midline's own suture and grooves are no cracks
_FWHM_PER_SIGMA = 2.3548
_MERGED = 0.85  # diploe nearer to the tables' own level than this: they cannot be told apart


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteBone:
    """Figures of n paths; NaN where they are not known."""

    outer_table_mm: FloatArray  # (n, 3)
    unit_inward: FloatArray  # (n, 3)
    scalp_mm: FloatArray
    skull_mm: FloatArray
    outer_layer_mm: FloatArray
    diploe_mm: FloatArray
    inner_layer_mm: FloatArray
    no_sound_bone: NDArray[np.bool_]
    scalp_sd_mm: float
    skull_sd_mm: float


def read_bone(
    head: ChartedHead,
    sheet: BoneSheet,
    entries_mm: FloatArray,
    unit_inward: FloatArray,
    feet_mm: FloatArray,
    suture_mm: FloatArray | None,
) -> SiteBone:
    """Measure along many paths.

    Parameters
    ----------
    entries_mm, unit_inward, feet_mm : (n, 3) arrays
        Paths from the scalp, and where they meet the sheet.
    suture_mm : (q, 3) array, optional
        The coronal suture where it was seen: a dark line along it is no crack, and no bone in it
        is no hole.

    Returns
    -------
    SiteBone
    """
    hu = _tubes(head, entries_mm, unit_inward)
    edges = quick_edges(_DEPTHS_MM, hu, head.coarse.levels)
    tables = _tables(hu, edges, head.coarse.levels.soft_hu)
    unsound = _no_sound_bone(head, sheet, feet_mm, suture_mm)
    unsound |= ~np.isfinite(edges.outer_mm) | ~np.isfinite(edges.inner_mm)
    fitted = _fits(head, sheet, entries_mm, unit_inward, feet_mm, np.flatnonzero(~unsound))
    blurs = [p.blur_sigma_mm * _FWHM_PER_SIGMA for _, p in fitted]
    depth = np.einsum("ij,ij->i", feet_mm - entries_mm, unit_inward)
    nothing = np.full(len(entries_mm), np.nan)
    if len(fitted) < _FEWEST_FITS or float(np.median(blurs)) > value("blur_limit"):
        return SiteBone(
            outer_table_mm=feet_mm,
            unit_inward=unit_inward,
            scalp_mm=depth,
            skull_mm=nothing,
            outer_layer_mm=nothing,
            diploe_mm=nothing,
            inner_layer_mm=nothing,
            no_sound_bone=unsound,
            scalp_sd_mm=0.5,
            skull_sd_mm=float("nan"),
        )
    at = np.array([k for k, _ in fitted])

    def rescaled(
        quick: FloatArray, true: list[float | None], fewest: int = _FEWEST_FITS
    ) -> tuple[FloatArray, float]:
        """A half-peak figure on the fits' own scale, and what that leaves of scatter."""
        pairs = [
            (quick[k], t)
            for k, t in zip(at, true, strict=True)
            if t is not None and np.isfinite(quick[k])
        ]
        if len(pairs) < fewest:
            return nothing, float("nan")
        off = np.array([t - q for q, t in pairs])
        middle = float(np.median(off))
        return quick + middle, 1.4826 * float(np.median(np.abs(off - middle)))

    profiles = [p for _, p in fitted]
    scalp, scalp_left = rescaled(edges.outer_mm - edges.skin_mm, [p.scalp_mm for p in profiles])
    skull, skull_left = rescaled(edges.inner_mm - edges.outer_mm, [p.skull_mm for p in profiles])
    outer, _ = rescaled(edges.outer_mm, [p.outer_mm for p in profiles])
    layered = [p for p in profiles if p.outer_diploe_mm is not None]
    fewest = max(_FEWEST_FITS, len(profiles) // 2)
    outer_layer, _ = rescaled(
        tables[0] - edges.outer_mm,
        [None if p.outer_diploe_mm is None else p.outer_diploe_mm - p.outer_mm for p in profiles],
        fewest,
    )
    inner_layer, _ = rescaled(
        edges.inner_mm - tables[1],
        [None if p.diploe_inner_mm is None else p.inner_mm - p.diploe_inner_mm for p in profiles],
        fewest,
    )
    told = np.isfinite(outer_layer) & np.isfinite(inner_layer) & ~unsound & bool(layered)
    outer_layer, inner_layer = (
        np.where(told, np.maximum(layer, 0.2), np.nan) for layer in (outer_layer, inner_layer)
    )
    diploe = skull - outer_layer - inner_layer
    told &= diploe > 0.0
    outer = np.where(np.isfinite(outer) & ~unsound, outer, depth)
    return SiteBone(
        outer_table_mm=entries_mm + outer[:, None] * unit_inward,
        unit_inward=unit_inward,
        scalp_mm=np.where(unsound | ~np.isfinite(scalp), depth, scalp),
        skull_mm=np.where(unsound, np.nan, skull),
        outer_layer_mm=np.where(told, outer_layer, np.nan),
        diploe_mm=np.where(told, diploe, np.nan),
        inner_layer_mm=np.where(told, inner_layer, np.nan),
        no_sound_bone=unsound,
        scalp_sd_mm=float(np.hypot(np.median([p.scalp_sd_mm for p in profiles]), scalp_left)),
        skull_sd_mm=float(np.hypot(np.median([p.skull_sd_mm for p in profiles]), skull_left)),
    )


def _tubes(head: ChartedHead, entries_mm: FloatArray, unit_inward: FloatArray) -> FloatArray:
    """Means of each path and four round it: less noise, same edges."""
    u = np.cross(unit_inward, head.frame.unit_anterior)
    u = u / np.linalg.norm(u, axis=1, keepdims=True)
    v = np.cross(unit_inward, u)
    turns = 2.0 * np.pi * np.arange(_RING) / _RING
    offsets = [(0.0, 0.0), *((_RING_MM * np.cos(a), _RING_MM * np.sin(a)) for a in turns)]
    out = np.zeros((len(entries_mm), len(_DEPTHS_MM)))
    for start in range(0, len(entries_mm), _AT_ONCE):
        part = slice(start, start + _AT_ONCE)
        for a, b in offsets:
            origin = entries_mm[part] + a * u[part] + b * v[part]
            out[part] += sample_rays(head.volume, origin, unit_inward[part], _DEPTHS_MM)
    return out / len(offsets)


def _tables(hu: FloatArray, edges: Edges, soft_hu: float) -> tuple[FloatArray, FloatArray]:
    """Depths at which the outer table gives way to diploe, and diploe to the inner table.

    Half-way between a table's own peak and the diploe's level; NaN where the diploe reads nearly
    like the tables.
    """
    z = _DEPTHS_MM
    thick = edges.inner_mm - edges.outer_mm
    with np.errstate(invalid="ignore"):
        third = (z > (edges.outer_mm + 0.35 * thick)[:, None]) & (
            z < (edges.inner_mm - 0.35 * thick)[:, None]
        )
    some = third.sum(axis=1) >= 2
    middle = np.full(len(hu), np.nan)
    middle[some] = np.nanmedian(np.where(third[some], hu[some], np.nan), axis=1)
    lowest = np.fmin(edges.outer_peak_hu, edges.inner_peak_hu)
    with np.errstate(invalid="ignore"):
        told = (middle - soft_hu) < _MERGED * (lowest - soft_hu)
    centre = 0.5 * (edges.outer_mm + edges.inner_mm)
    with np.errstate(invalid="ignore"):
        upper = (z >= edges.outer_mm[:, None]) & (z <= centre[:, None])
        lower = (z <= edges.inner_mm[:, None]) & (z >= centre[:, None])
    first = _last_above(hu, 0.5 * (edges.outer_peak_hu + middle), upper)
    last = _last_above(
        hu[:, ::-1], 0.5 * (edges.inner_peak_hu + middle), lower[:, ::-1], depths=z[::-1]
    )
    return np.where(told, first, np.nan), np.where(told, last, np.nan)


def _last_above(
    hu: FloatArray,
    level: FloatArray,
    where: NDArray[np.bool_],
    depths: FloatArray = _DEPTHS_MM,
) -> FloatArray:
    """Depth of the first fall below a level after the highest sample of a stretch."""
    row = np.arange(len(hu))
    inside = np.where(where, hu, -np.inf)
    top = np.argmax(inside, axis=1)
    with np.errstate(invalid="ignore"):
        below = (hu < level[:, None]) & (np.arange(hu.shape[1]) > top[:, None])
    at = np.argmax(below, axis=1)
    found = below.any(axis=1) & where.any(axis=1) & (at > 0)
    before = np.maximum(at - 1, 0)
    with np.errstate(invalid="ignore", divide="ignore"):
        t = (level - hu[row, before]) / (hu[row, at] - hu[row, before])
    crossing = depths[before] + np.clip(t, 0.0, 1.0) * (depths[at] - depths[before])
    return np.where(found, crossing, np.nan)


def _no_sound_bone(
    head: ChartedHead, sheet: BoneSheet, feet_mm: FloatArray, suture_mm: FloatArray | None
) -> NDArray[np.bool_]:
    """Paths with missing or cracked bone or metal within the published distance."""
    from scipy.spatial import cKDTree

    points = sheet.points_mm()
    midline = np.abs((points - head.frame.origin_mm) @ head.frame.unit_right) < _MIDLINE_HALF_MM
    sutured = np.zeros(midline.shape, dtype=bool)
    if suture_mm is not None:
        away, _ = cKDTree(suture_mm).query(
            points.reshape(-1, 3), distance_upper_bound=_SUTURE_HALF_MM
        )
        sutured = np.isfinite(away).reshape(sutured.shape)
    cracked = crack_in(_as_patch(sheet, points), head.coarse.levels.soft_hu, midline | sutured)
    # As at the plan's own point: a wide suture shows no bone, a hole over it reaches beyond it.
    bad = points[(sheet.missing & ~sutured) | cracked | sheet.metal]
    if not len(bad):
        return np.zeros(len(feet_mm), dtype=bool)
    nearest, _ = cKDTree(bad).query(feet_mm)
    return np.asarray(nearest <= value("bone_missing_radius"))


def _as_patch(sheet: BoneSheet, points: FloatArray) -> BonePatch:
    """The sheet's table peaks in the form of a patch."""
    step = float(np.radians(sheet.phi_deg[1] - sheet.phi_deg[0]) * np.median(sheet.radius_mm))
    blank = np.full((1, 1), np.nan)
    return BonePatch(
        origin_mm=points[0, 0],
        unit_u=sheet.frame.unit_anterior,
        unit_v=sheet.frame.unit_right,
        unit_inward=-sheet.frame.unit_superior,
        offsets_mm=step * np.arange(len(sheet.phi_deg), dtype=float),
        depth_mm=blank,
        skin_depth_mm=blank,
        thickness_mm=blank,
        peak_hu=sheet.peak_hu,
        inner_peak_hu=sheet.inner_peak_hu,
        missing=sheet.missing,
    )


def _fits(
    head: ChartedHead,
    sheet: BoneSheet,
    entries_mm: FloatArray,
    unit_inward: FloatArray,
    feet_mm: FloatArray,
    sound: NDArray[np.intp],
) -> list[tuple[int, SkullProfile]]:
    """Fitted profiles on paths spread over those with sound bone."""
    if len(sound) < _FEWEST_FITS:
        return []
    points = sheet.points_mm()
    patch = _as_patch(sheet, points)
    chosen = sound[np.unique(np.linspace(0, len(sound) - 1, _FITS).round().astype(int))]
    out = []
    for k in chosen:
        try:
            profile = read_skull_profile(
                head.volume,
                head.coarse.levels,
                patch,
                entries_mm[k],
                unit_inward[k],
                noise_hu=head.noise_hu,
            )
        except MeasurementError:
            continue
        if np.isfinite(profile.skin_mm):
            out.append((int(k), profile))
    return out
