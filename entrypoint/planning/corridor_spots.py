"""Small things in a corridor that differ from tissue by far more than noise: air, metal, bone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from entrypoint.reference import value
from entrypoint.volume.corridor import SPACING_MM, STEP_MM, Bundle
from entrypoint.volume.edges import METAL_HU

__all__ = [
    "Reading",
    "Spots",
    "air_between_tables",
    "air_in_scalp",
    "bone_beyond",
    "dense_under_bone",
    "metal_in",
    "spots_inside",
]

FloatArray = NDArray[np.float64]
Mask = NDArray[np.bool_]

NEAR_BONE_MM = 6.0  # down to there a corridor is as wide as in the bone
_FEWEST = 4  # samples of about a third of a cubic millimetre
_FEWEST_METAL = 2
_TABLE_MM = 0.8
_SOFT_IN_BONE_HU = 60.0  # over soft tissue: still no bone
_SOFT_RUN_MM = 1.0
_THICKER_MM = 2.0
_MOST = 0.8  # of the rays
_LIKE_BONE_HU = 300.0  # over soft tissue


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """Something between two depths, counted from the inner table (in the scalp from the skin).

    ``other_hu`` is the same place on the other side; ``sd_hu`` what noise leaves in ``hu``.
    """

    from_mm: float
    to_mm: float
    hu: float
    other_hu: float | None = None
    sd_hu: float | None = None
    volume_mm3: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Spots:
    """Air, metal, and what reads like bone or calcification, inside the skull."""

    air: Reading | None = None
    metal: Reading | None = None
    dense: Reading | None = None


def _reading(hit: Mask, hu: FloatArray, depth_mm: FloatArray, fewest: int) -> Reading | None:
    """Extent of the samples that are hit; None where they are too few."""
    count = int(hit.sum())
    if count < fewest:
        return None
    at = np.broadcast_to(depth_mm, hit.shape)[hit]
    return Reading(
        from_mm=float(at.min()),
        to_mm=float(at.max()),
        hu=float(np.median(hu[hit])),
        volume_mm3=count * SPACING_MM**2 * STEP_MM,
    )


def air_in_scalp(bundle: Bundle, blur_mm: float, radius_mm: float) -> Reading | None:
    """Air between the skin and the outer table."""
    from_skin = bundle.depths_mm[None, :] - bundle.skin_mm[:, None]
    with np.errstate(invalid="ignore"):
        within = from_skin > 0.6 + 0.5 * blur_mm
        within &= bundle.depths_mm[None, :] < bundle.outer_mm[:, None] - 0.3
        within &= (bundle.away_mm <= radius_mm)[:, None]
        hit = within & (bundle.hu < value("corridor_air_hu"))
    return _reading(hit, bundle.hu, from_skin, _FEWEST)


def air_between_tables(bundle: Bundle, radius_mm: float) -> float | None:
    """Distance from the path of air between the tables; None where there is none."""
    air = (_within_bone(bundle, radius_mm) & (bundle.hu < value("corridor_air_in_bone_hu"))).sum(
        axis=1
    )
    return float(bundle.away_mm[air > 0].min()) if air.sum() >= _FEWEST else None


def dense_under_bone(
    bundle: Bundle, other: Bundle, soft_hu: float, radius_mm: float
) -> Reading | None:
    """Dense layer close below the inner table, with soft tissue between.

    It is taken for a table by whoever bridges the diploe. It shows as soft tissue within the bone
    that the other side does not have, deeper than most of that side's bone; depths are counted
    from the inner table as that side's thickness puts it.
    """
    skull = other.skull_mm(radius_mm)
    if skull is None:
        return None
    gap, last_soft = _soft_gap(bundle, soft_hu, radius_mm, 0.6 * skull)
    beside, _ = _soft_gap(other, soft_hu, radius_mm, 0.6 * skull)
    near = bundle.away_mm <= radius_mm
    thicker = gap & (bundle.thickness_mm > skull + _THICKER_MM)
    one_sided = gap[near].mean() > _MOST and beside[near].mean() < 1.0 - _MOST
    if not one_sided and thicker.sum() < 2 * _FEWEST:
        return None
    gap = gap if one_sided else thicker
    bottom = (bundle.outer_mm + bundle.thickness_mm)[gap]
    hu, depths, last = bundle.hu[gap], bundle.depths_mm, last_soft[gap]
    layer = np.where((depths > last[:, None]) & (depths < bottom[:, None]), hu, -np.inf)
    peak = layer.max(axis=1)
    top = depths[np.argmax(layer > (soft_hu + 0.5 * (peak - soft_hu))[:, None], axis=1)]
    top = np.maximum(top - 0.5 * STEP_MM, last)
    thick = float(np.median(bottom - top))
    start = max(float(np.median(top - bundle.outer_mm[gap])) - skull, 0.0)
    return Reading(
        from_mm=start,
        to_mm=start + thick,
        hu=float(np.median(peak)),
        volume_mm3=float(gap.sum()) * SPACING_MM**2 * thick,
    )


def _within_bone(bundle: Bundle, radius_mm: float) -> Mask:
    """Samples between the tables; none on rays where bone is not seen."""
    bottom = bundle.outer_mm + bundle.thickness_mm
    with np.errstate(invalid="ignore"):
        within = bundle.depths_mm > bundle.outer_mm[:, None] + _TABLE_MM
        within &= bundle.depths_mm < bottom[:, None] - _TABLE_MM
    return np.asarray(within & (bundle.away_mm <= radius_mm)[:, None])


def _soft_gap(
    bundle: Bundle, soft_hu: float, radius_mm: float, deeper_mm: float
) -> tuple[Mask, FloatArray]:
    """Rays with soft tissue within the bone, and how deep it ends on each."""
    with np.errstate(invalid="ignore"):
        soft = _within_bone(bundle, radius_mm) & (bundle.hu < soft_hu + _SOFT_IN_BONE_HU)
        soft &= bundle.depths_mm > bundle.outer_mm[:, None] + deeper_mm
    last = np.max(np.where(soft, bundle.depths_mm, -np.inf), axis=1)
    return soft.sum(axis=1) * STEP_MM >= _SOFT_RUN_MM, last


def metal_in(bundle: Bundle, radius_mm: float) -> bool:
    """Whether anything as dense as metal lies on the rays."""
    with np.errstate(invalid="ignore"):
        return bool((bundle.hu[bundle.away_mm <= radius_mm] > METAL_HU).sum() >= _FEWEST_METAL)


def spots_inside(
    inside_hu: FloatArray,
    depths_mm: FloatArray,
    away_mm: FloatArray,
    tail_mm: float,
    radii_mm: tuple[float, float],
) -> Spots:
    """Air, metal and dense matter below the inner table.

    Parameters
    ----------
    inside_hu : (n, k) array
        Rays below their own inner edges.
    depths_mm : (k,) array
    away_mm : (n,) array
    tail_mm : float
        Below it the blur of bone no longer reaches.
    radii_mm : (float, float)
        Of the corridor within 6 mm of the inner table, and deeper.
    """
    wide = (away_mm <= radii_mm[0])[:, None] & (depths_mm <= NEAR_BONE_MM)[None, :]
    within = wide | (away_mm <= radii_mm[1])[:, None]
    with np.errstate(invalid="ignore"):
        air = within & (inside_hu < value("corridor_air_hu"))
        metal = within & (inside_hu > METAL_HU) & (depths_mm > 0.5)[None, :]
        dense = within & (inside_hu > value("corridor_calcified_hu"))
    dense &= (depths_mm > tail_mm + 0.5)[None, :]
    found_metal = _reading(metal, inside_hu, depths_mm, _FEWEST_METAL)
    return Spots(
        air=_reading(air, inside_hu, depths_mm, _FEWEST),
        metal=found_metal,
        dense=None
        if found_metal is not None
        else _reading(dense, inside_hu, depths_mm, _FEWEST + 2),
    )


def bone_beyond(
    inside_hu: FloatArray, away_mm: FloatArray, soft_hu: float, radius_mm: float
) -> bool:
    """Whether bone follows the air on most rays that hold air: a wide sinus, not the cavity."""
    near = away_mm <= radius_mm
    with np.errstate(invalid="ignore"):
        air = inside_hu[near] < value("corridor_air_hu")
        bone = inside_hu[near] > soft_hu + _LIKE_BONE_HU
    rays = air.any(axis=1)
    if not rays.any():
        return False
    last_air = air.shape[1] - 1 - np.argmax(air[:, ::-1], axis=1)
    follows = bone & (np.arange(air.shape[1])[None, :] > last_air[:, None])
    return bool(follows.any(axis=1)[rays].mean() > 0.5)
