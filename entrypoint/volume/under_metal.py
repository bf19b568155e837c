"""Surfaces that metal hides, laid smoothly under it from what is seen round it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from entrypoint.volume.bolt import FoundBolt
from entrypoint.volume.edges import METAL_HU
from entrypoint.volume.rays import FloatArray

__all__ = ["Under", "inner_under", "skin_under"]

# Judgement, no source.
_CLEAR_MM = 2.5  # beyond the metal's edge, where its bloom ends
_WIDEST_MM = 18.0
_FEWEST = 60
_SECTORS, _FEWEST_SECTORS = 8, 6  # round the metal, that must show the surface


@dataclass(frozen=True, slots=True, kw_only=True)
class Under:
    """Where the bolt's axis meets a hidden surface, by depth below the outer table.

    ``sd_mm`` is of the surface round the metal about the smooth one, and of the fit.
    """

    depth_mm: float
    sd_mm: float


def skin_under(bolt: FoundBolt) -> Under | None:
    """The skin; None where too little of it is seen round the metal."""
    return _under(bolt, bolt.patch.skin_depth_mm)


def inner_under(bolt: FoundBolt) -> Under | None:
    """The inner table; None where too little sound bone is seen round the metal."""
    patch = bolt.patch
    inner = np.where(patch.missing, np.nan, patch.depth_mm + patch.thickness_mm)
    return _under(bolt, inner)


def _under(bolt: FoundBolt, depth: FloatArray) -> Under | None:
    patch = bolt.patch
    o = patch.offsets_mm
    uu, vv = np.meshgrid(o, o, indexing="ij")
    points = (
        patch.origin_mm
        + uu[..., None] * patch.unit_u
        + vv[..., None] * patch.unit_v
        + np.nan_to_num(depth)[..., None] * patch.unit_inward
    )
    q = points - bolt.foot_mm
    along = q @ bolt.unit_inward
    away = np.linalg.norm(q - along[..., None] * bolt.unit_inward, axis=-1)
    use = np.isfinite(depth) & (away > bolt.radius_mm + _CLEAR_MM) & (away < _WIDEST_MM)
    use &= ~(patch.peak_hu >= METAL_HU)
    if use.sum() < _FEWEST:
        return None
    middle = (bolt.foot_mm - patch.origin_mm) @ np.stack([patch.unit_u, patch.unit_v]).T
    turn = np.arctan2(vv - middle[1], uu - middle[0])[use]
    sectors = np.floor((turn + np.pi) / (2.0 * np.pi) * _SECTORS).astype(int) % _SECTORS
    if len(np.unique(sectors)) < _FEWEST_SECTORS:
        return None
    a, b, d = uu[use] - middle[0], vv[use] - middle[1], depth[use]
    design = np.stack([np.ones_like(a), a, b, a * a, a * b, b * b], axis=1)
    keep = np.ones(len(d), dtype=bool)
    coef, off = np.zeros(6), np.zeros(len(d))
    for _ in range(4):
        coef, *_ = np.linalg.lstsq(design[keep], d[keep], rcond=None)
        off = d - design @ coef
        spread = 1.4826 * float(np.median(np.abs(off[keep])))
        keep = np.abs(off) < max(0.3, 3.0 * spread)
        if keep.sum() < _FEWEST // 2:
            return None
    spread = float(np.sqrt(np.mean(off[keep] ** 2)))
    # Down the axis from the foot until the smooth surface is met.
    t = 0.0
    rate = float(bolt.unit_inward @ patch.unit_inward)
    for _ in range(12):
        r = bolt.foot_mm + t * bolt.unit_inward - patch.origin_mm
        x = float(r @ patch.unit_u) - middle[0]
        y = float(r @ patch.unit_v) - middle[1]
        surface = float(coef @ np.array([1.0, x, y, x * x, x * y, y * y]))
        t += (surface - float(r @ patch.unit_inward)) / rate
    # What it does under the metal is not seen: as uneven there as round it.
    return Under(depth_mm=t, sd_mm=float(np.hypot(spread, 0.05)))
