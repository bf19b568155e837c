"""What there is to look at along a placed path: air, and what reads denser than brain.

Beside metal a scan shows streaks as dark as air and as bright as clot. So nothing is read near
the metal itself, and where the ring round the path differs from sector to sector by more than
tissue does, that depth cannot be judged.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from entrypoint.geometry.planes import Plane
from entrypoint.planning.after_model import Along, Something
from entrypoint.reference import value
from entrypoint.volume.bolt import FoundBolt
from entrypoint.volume.bone import tangent_axes
from entrypoint.volume.rays import FloatArray
from entrypoint.volume.volume import Volume

__all__ = ["Looked", "look_along"]

# Judgement, no source, where no row of the references is named.
_STEP_MM, _RADII_MM, _SECTORS = 0.5, np.arange(0.5, 12.1, 0.5), 36
_FROM_METAL_MM, _FROM_SENSOR_MM = 3.0, 1.8
_BELOW_BONE_MM = 1.5
_NEAR_MM, _OUTER_MM = 6.0, (7.0, 11.5)
_WINDOW_MM, _WEDGES = 3.0, 6
_MOST_SCATTER_HU = 14.0
_LEAST_AIR_MM3 = 6.0
_KEPT_HU = (-150.0, 150.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """What was found, and between which depths below the inner table density could be judged."""

    found: tuple[Along, ...]
    density_judged_mm: tuple[float, float] | None


def look_along(
    volume: Volume,
    bolt: FoundBolt,
    *,
    inner_mm: float,
    tip_mm: float,
    tip_offset_mm: FloatArray,
    midsagittal: Plane,
    towards: FloatArray,
) -> Looked:
    """Look round the path from the inner table to beyond the tip.

    Parameters
    ----------
    volume : Volume
    bolt : FoundBolt
    inner_mm, tip_mm : float
        Depths below the outer table, along the axis.
    tip_offset_mm : (3,) array
        Of the tip from the axis, world.
    midsagittal : Plane
        The other side's place stands beside this one.
    towards : (3,) array
        What the first axis across lies closest to.

    Returns
    -------
    Looked
    """
    end = tip_mm + value("corridor_beyond_tip")
    depths = np.arange(inner_mm + _BELOW_BONE_MM, end, _STEP_MM)
    if len(depths) < 8:
        return Looked(found=(), density_judged_mm=None)
    turn = 2.0 * np.pi * np.arange(_SECTORS) / _SECTORS
    u, v = tangent_axes(bolt.unit_inward, towards)
    ring = np.cos(turn)[:, None] * u + np.sin(turn)[:, None] * v
    share = np.clip((depths - bolt.end_mm) / max(tip_mm - bolt.end_mm, _STEP_MM), 0.0, 1.0)
    course = bolt.foot_mm + depths[:, None] * bolt.unit_inward + share[:, None] * tip_offset_mm
    at = course[:, None, None] + _RADII_MM[None, :, None, None] * ring[None, None]
    hu = volume.sample_hu(at)
    other = volume.sample_hu(midsagittal.mirror(at.reshape(-1, 3)).reshape(at.shape))

    # Distance from the shaft, whose inner end is round, and from the thread.
    past = np.maximum(depths - bolt.end_mm, 0.0)[:, None]
    away = np.broadcast_to(_RADII_MM[None, :], (len(depths), len(_RADII_MM)))
    from_shaft = np.hypot(np.maximum(away - bolt.radius_mm, 0.0), past)
    judged = (from_shaft > _FROM_METAL_MM) & (away > _FROM_SENSOR_MM)
    found: list[Along] = []
    air = _air(hu, judged, depths - inner_mm)
    if air is not None:
        found.append(air)
    denser, span = _denser(hu, other, judged, depths - inner_mm)
    found += denser
    return Looked(found=tuple(found), density_judged_mm=span)


def _air(hu: FloatArray, judged: NDArray[np.bool_], deep: FloatArray) -> Along | None:
    near = judged & (_RADII_MM[None, :] <= _NEAR_MM + 1.0)
    with np.errstate(invalid="ignore"):
        hit = near[..., None] & (hu < value("corridor_air_hu"))
    cell = _RADII_MM[None, :, None] * (2.0 * np.pi / _SECTORS) * 0.5 * _STEP_MM
    if float((hit * cell).sum()) < _LEAST_AIR_MM3:
        return None
    rows = np.flatnonzero(hit.any(axis=(1, 2)))
    columns = np.flatnonzero(hit.any(axis=(0, 2)))
    return Along(
        kind=Something.AIR,
        from_mm=float(deep[rows[0]]),
        to_mm=float(deep[rows[-1]]),
        hu=float(np.median(hu[hit])),
        off_path_mm=float(_RADII_MM[columns[0]]),
    )


def _denser(
    hu: FloatArray, other: FloatArray, judged: NDArray[np.bool_], deep: FloatArray
) -> tuple[list[Along], tuple[float, float] | None]:
    """Runs of depth at which a wedge beside the path reads denser than brain there."""
    rows = round(_WINDOW_MM / _STEP_MM)
    near = judged & (_RADII_MM[None, :] <= _NEAR_MM)
    outer = (_OUTER_MM[0] <= _RADII_MM) & (_OUTER_MM[1] >= _RADII_MM)
    kept = np.where((hu > _KEPT_HU[0]) & (hu < _KEPT_HU[1]), hu, np.nan)
    beside = np.where((other > _KEPT_HU[0]) & (other < _KEPT_HU[1]), other, np.nan)
    brain = float(np.nanmedian(beside)) if np.isfinite(beside).any() else np.nan
    hits: list[tuple[float, float, float, float]] = []
    could: list[float] = []
    for k in range(0, len(deep) - rows + 1, max(1, rows // 2)):
        part = slice(k, k + rows)
        weight = near[part][..., None] & np.isfinite(kept[part])
        ring = kept[part][:, outer]
        if weight.sum() < 40 or np.isfinite(ring).mean() < 0.6 or not np.isfinite(brain):
            continue
        wedges = _by_wedge(ring, np.ones(ring.shape))
        mirrored = _by_wedge(beside[part][:, outer], np.ones(ring.shape))
        scatter = float(np.nanstd(wedges)) if np.isfinite(wedges).all() else np.inf
        usual = float(np.nanstd(mirrored)) if np.isfinite(mirrored).all() else 0.0
        if scatter > max(_MOST_SCATTER_HU, 3.0 * usual):
            continue
        could.append(float(deep[k]))
        own = _by_wedge(kept[part], weight)
        if not np.isfinite(own).any():
            continue
        most = float(np.nanmax(own))
        there = float(np.nanmean(mirrored))
        limit = max(
            brain + value("corridor_denser"),
            there + value("corridor_denser_sides"),
            brain + value("corridor_sure") * 0.75 * scatter,
        )
        # Streaks are bright in one direction, dark in another, and run on outwards.
        middle = float(np.nanmedian(own))
        up, down = most - middle, middle - float(np.nanmin(own))
        wedge = int(np.nanargmax(own))
        onward = most - float(wedges[wedge])
        if middle <= limit and (
            up < 2.0 * down + 0.5 * value("corridor_denser")
            or onward < value("corridor_denser_sides")
        ):
            continue
        if most > limit:
            with np.errstate(invalid="ignore"):
                dense = weight & (kept[part] > limit)
            columns = np.flatnonzero(dense.any(axis=(0, 2)))
            off = float(_RADII_MM[columns[0]]) if columns.size else 0.0
            hits.append((float(deep[k]), float(deep[k + rows - 1]), most, off))
    span = (min(could), max(could) + _WINDOW_MM) if could else None
    merged: list[Along] = []
    for start, stop, level, off in hits:
        if merged and start <= merged[-1].to_mm + 0.5:
            last = merged.pop()
            start, level = last.from_mm, max(level, last.hu)
            off = min(off, last.off_path_mm)
        merged.append(
            Along(kind=Something.DENSER, from_mm=start, to_mm=stop, hu=level, off_path_mm=off)
        )
    return merged, span


def _by_wedge(hu: FloatArray, weight: FloatArray | NDArray[np.bool_]) -> FloatArray:
    """Weighted means over wedges round the path, (wedges,); NaN where a wedge holds too little."""
    w = np.where(np.isfinite(hu), weight, 0.0).astype(float)
    filled = np.nan_to_num(hu)
    shape = (*hu.shape[:2], _WEDGES, _SECTORS // _WEDGES)
    total = w.reshape(shape).sum(axis=(0, 1, 3))
    sums = (w * filled).reshape(shape).sum(axis=(0, 1, 3))
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(total >= 8, sums / total, np.nan)
