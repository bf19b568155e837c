"""Strips across the midline: relief of the nose, density and thickness of the vault, the falx."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from entrypoint.anatomy.frame import HeadFrame
from entrypoint.anatomy.midline import MidlinePlace, even_about, loosened, odd_about
from entrypoint.volume.edges import quick_edges
from entrypoint.volume.rays import FloatArray, crossing, sample_rays
from entrypoint.volume.sections import PolarSection
from entrypoint.volume.skull import CoarseHead

if TYPE_CHECKING:
    from entrypoint.volume.volume import Volume

_LATERAL_MM = np.arange(-22.0, 22.01, 1.0)
_ROW_DEG = 1.5
_BLOCK_ROWS = 8
_REACH_MM = 10.0
# How far each feature may lie off the midline in a healthy head: judgement, no source.
_OFF_MIDLINE_MM = {"suture": 0.5, "crest": 0.5, "falx": 0.5, "nose": 0.5}


def vault_places(
    volume: Volume,
    head: CoarseHead,
    frame: HeadFrame,
    section: PolarSection,
    *,
    noise_hu: float,
    row_deg: float = _ROW_DEG,
) -> list[MidlinePlace]:
    """Places along the vault at which density, thickness or what lies under the bone is even."""
    phi = np.arange(-5.0, 205.0, row_deg)
    radius = np.interp(
        phi,
        section.angles_deg[np.isfinite(section.bone_mm)],
        section.bone_mm[np.isfinite(section.bone_mm)],
    )
    lam = np.degrees(_LATERAL_MM[None, :] / radius[:, None])
    dirs = frame.directions(np.broadcast_to(phi[:, None], lam.shape), lam)
    depths = np.arange(-6.0, 30.0, 0.75)
    start = frame.origin_mm + radius[:, None, None] * dirs
    hu = sample_rays(volume, start.reshape(-1, 3), -dirs.reshape(-1, 3), depths)
    edges = quick_edges(depths, hu, head.levels, deepest_mm=22.0)
    shape = lam.shape
    outer, inner = edges.outer_mm.reshape(shape), edges.inner_mm.reshape(shape)
    thick = inner - outer

    def mean_from(first: FloatArray, second: FloatArray, steps: int) -> FloatArray:
        row = np.arange(len(hu))
        out = np.zeros(shape)
        for f in np.linspace(0, 1, steps):
            at = (first + (second - first) * f - depths[0]) / 0.75
            i = np.clip(np.nan_to_num(at, nan=0.0), 0, len(depths) - 1).astype(np.intp).ravel()
            value = hu[row, i].reshape(shape)
            out += np.where(np.isfinite(at), value, np.nan)
        return np.asarray(out / steps)

    bone = mean_from(outer + 0.5, inner - 0.5, 6)
    under = mean_from(inner + 2.0, inner + 12.0, 14)
    channels = [
        ("suture", bone, 0.08 * (head.levels.bone_hu - head.levels.soft_hu), 8.0),
        ("crest", thick, 0.45, 10.0),
        ("falx", under, max(noise_hu / 4.0, 5.0), 8.0),
    ]
    places = []
    for kind, values, unit, half in channels:
        for first in range(0, len(phi) - _BLOCK_ROWS + 1, _BLOCK_ROWS // 2):
            block = values[first : first + _BLOCK_ROWS] / unit
            if np.isfinite(block).mean() < 0.85:
                continue
            # What runs along the midline stays in the mean of neighbouring strips; texture and
            # the steps between slices do not.
            found = even_about(_mean(block), _LATERAL_MM, half_mm=half, reach_mm=_REACH_MM)
            if found is None:
                continue
            middle = first + _BLOCK_ROWS // 2
            at = radius[middle] - (8.0 if kind == "falx" else 0.0)
            direction = frame.directions(phi[middle : middle + 1], np.zeros(1))[0]
            places.append(
                MidlinePlace(
                    position_mm=frame.origin_mm + at * direction,
                    shifts_mm=found[0],
                    against=loosened(*found, _OFF_MIDLINE_MM[kind]),
                    kind=kind,
                )
            )
    return places


def nose_places(
    volume: Volume,
    head: CoarseHead,
    frame: HeadFrame,
    nasion_mm: FloatArray,
    *,
    above_mm: float = 6.0,
    below_mm: float = 32.0,
) -> list[MidlinePlace]:
    """Places along the ridge of the nose, from the relief of the skin seen from in front."""
    rows = np.arange(-below_mm, above_mm, 2.0)
    depths = np.arange(-32.0, 26.0, 0.8)
    start = (
        nasion_mm
        + rows[:, None, None] * frame.unit_superior
        + _LATERAL_MM[None, :, None] * frame.unit_right
    )
    hu = sample_rays(volume, start.reshape(-1, 3), -frame.unit_anterior, depths)
    air = (hu < head.levels.skin_hu) | ~np.isfinite(hu)
    first = np.where((~air).any(axis=1), np.argmax(~air, axis=1) - 1, -1)
    relief = crossing(depths, hu, head.levels.skin_hu, first).reshape(len(rows), -1)
    places = []
    for k in range(0, len(rows) - 3, 4):
        block = relief[k : k + 4] / 0.5
        if np.isfinite(block).mean() < 0.85:
            continue
        found = odd_about(block, _LATERAL_MM, half_mm=12.0, reach_mm=_REACH_MM, independent=4.0)
        if found is None:
            continue
        middle = relief[k : k + 4, len(_LATERAL_MM) // 2]
        position = (
            nasion_mm
            + rows[k : k + 4].mean() * frame.unit_superior
            - np.nanmean(middle) * frame.unit_anterior
        )
        position = position - ((position - frame.origin_mm) @ frame.unit_right) * frame.unit_right
        if np.isfinite(position).all():
            # Noses lean; their roots less than their tips.
            off = _OFF_MIDLINE_MM["nose"] * (1.0 + max(0.0, -rows[k : k + 4].mean()) / 12.0)
            places.append(
                MidlinePlace(
                    position_mm=position,
                    shifts_mm=found[0],
                    against=loosened(*found, off),
                    kind="nose",
                )
            )
    return places


def _mean(block: FloatArray) -> FloatArray:
    """Mean over the rows, NaN where fewer than half of them are seen."""
    seen = np.isfinite(block)
    enough = seen.mean(axis=0) >= 0.5
    total = np.where(seen, block, 0.0).sum(axis=0)
    return np.where(enough, total / np.maximum(seen.sum(axis=0), 1), np.nan)
