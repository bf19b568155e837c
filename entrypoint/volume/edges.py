"""Skin, outer and inner edge of bone on many rays at once, each by its own peak."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from entrypoint.volume.levels import Levels
from entrypoint.volume.rays import FloatArray, crossing

_WIDEST_DIPLOE_MM = 8.0  # between tables, with nothing dense between them
_WIDEST_FATTY_MM, _FAT_HU = 13.0, (-250.0, -15.0)  # and where its middle reads as fat
METAL_HU = 2400.0  # denser than any cortical bone of a vault
_METAL_ON_SKIN_MM = 6.0
_SKIN_UNDER_MM = 2.0  # bone that begins so near to the air has no scalp over it, even blurred
_TABLE_MM = 2.5  # how far below its surface the outer table's own peak is looked for


@dataclass(frozen=True, slots=True, kw_only=True)
class Edges:
    """Half-peak edges along many rays, depths in mm; NaN where there are none."""

    skin_mm: FloatArray
    outer_mm: FloatArray
    inner_mm: FloatArray
    outer_peak_hu: FloatArray
    inner_peak_hu: FloatArray


def quick_edges(
    depths_mm: FloatArray, hu: FloatArray, levels: Levels, *, deepest_mm: float = 26.0
) -> Edges:
    """Skin, outer and inner edges on rays that run inwards from outside the skin.

    Each bone edge lies half-way between the soft tissue beside it and that table's own peak: no
    fixed bone level. Exact enough for surfaces, normals and comparisons; the thickness that is
    reported comes from ``skull_profile``.

    Parameters
    ----------
    depths_mm : (m,) array
        Evenly spaced.
    hu : (n, m) array
    levels : Levels
    deepest_mm : float
        How thick a skull may be.

    Returns
    -------
    Edges
    """
    n, m = hu.shape
    row = np.arange(n)
    step = float(depths_mm[1] - depths_mm[0])
    filled = np.where(np.isfinite(hu), hu, levels.air_hu)
    above = filled >= levels.skin_hu
    # The skin is the last entry into the head before bone: a strand of hair, a gown or a tube
    # outside it is passed over.
    trigger = levels.soft_hu + 0.28 * (levels.bone_hu - levels.soft_hu)
    dense = filled > trigger
    two = dense & np.roll(dense, -1, axis=1)
    two[:, -1] = False
    start = np.where(two.any(axis=1), np.argmax(two, axis=1), -1)
    start = _past_metal(filled, two, dense, start, step, levels.skin_hu)
    before = np.arange(m)[None, :] < np.where(start < 0, m, start)[:, None]
    air_before = before & ~above
    last_air = np.where(air_before.any(axis=1), m - 1 - np.argmax(air_before[:, ::-1], axis=1), -1)
    skin = crossing(depths_mm, filled, levels.skin_hu, last_air)

    has = start >= 0
    s0 = np.where(has, start, 0)
    table = round(_TABLE_MM / step)
    outer_peak = np.full(n, -np.inf)
    for k in range(table + 1):
        outer_peak = np.maximum(outer_peak, filled[row, np.minimum(s0 + k, m - 1)])
    half = levels.soft_hu + 0.5 * (outer_peak - levels.soft_hu)
    outer_at = _rise_near(filled, half, s0, table)
    outer = np.where(has, crossing(depths_mm, filled, half, outer_at), np.nan)

    # The inner edge: the last sample above the trigger before 3 mm of soft tissue or air.
    gap = round(3.0 / step)
    reach = min(m, round(deepest_mm / step))
    idx = np.minimum(s0[:, None] + np.arange(reach)[None, :], m - 1)
    # Fatty diploe can read like soft tissue, and a sinus reads like air: the bone goes on to the
    # last table that follows within 8 mm of the one before, and ends if 3 mm without any follow.
    tables = filled[row[:, None], idx] > trigger
    bridge = round(_WIDEST_DIPLOE_MM / step)
    end = np.zeros(n, dtype=int)
    for k in range(1, reach):
        near = k - end <= bridge
        far = np.flatnonzero(tables[:, k] & ~near)
        near[far] = _fatty(filled[far[:, None], idx[far]], end[far], k, step)
        end = np.where(tables[:, k] & near, k, end)
    last = np.minimum(s0 + end, m - 1)
    ended = last + gap <= np.minimum(s0 + reach, m) - 1
    inner_peak = np.full(n, -np.inf)
    for k in range(table + 1):
        inner_peak = np.maximum(inner_peak, filled[row, np.maximum(last - k, 0)])
    half_in = levels.soft_hu + 0.5 * (inner_peak - levels.soft_hu)
    inner_at = _fall_near(filled, half_in, last, table)
    inner = np.where(has & ended, crossing(depths_mm, filled, half_in, inner_at), np.nan)
    with np.errstate(invalid="ignore"):
        thin = ~((inner - outer) > 0.8)
    return Edges(
        skin_mm=skin,
        outer_mm=np.where(has & ~(thin & ended), outer, np.nan),
        inner_mm=np.where(thin, np.nan, inner),
        outer_peak_hu=np.where(has, outer_peak, np.nan),
        inner_peak_hu=np.where(has & ended, inner_peak, np.nan),
    )


def _fatty(hu: FloatArray, end: NDArray[np.intp], k: int, step_mm: float) -> NDArray[np.bool_]:
    """Whether rays read as fat in the middle of a wide gap between two tables.

    Then it is diploe; brain and fluid do not read so, and air reads far lower.
    """
    total = np.cumsum(hu, axis=1)
    row, third = np.arange(len(hu)), (k - end) // 3
    middle = (total[row, k - third] - total[row, end + third]) / np.maximum(k - end - 2 * third, 1)
    wide = (k - end) * step_mm > _WIDEST_FATTY_MM
    return np.asarray(~wide & (middle > _FAT_HU[0]) & (middle < _FAT_HU[1]))


def _past_metal(
    hu: FloatArray,
    two: NDArray[np.bool_],
    dense: NDArray[np.bool_],
    start: NDArray[np.intp],
    step_mm: float,
    skin_hu: float,
) -> NDArray[np.intp]:
    """Starts of bone, where the first dense run is metal lying on the skin.

    An electrode or a clip is denser than any bone, or begins at the air with no scalp before it,
    and scalp follows before bone begins.
    """
    out = start.copy()
    thickest = round(_METAL_ON_SKIN_MM / step_mm)
    gap = max(2, round(1.2 / step_mm))
    near = max(2, round(_SKIN_UNDER_MM / step_mm))
    rows = np.flatnonzero(start >= 0)
    firsts = start[rows, None]
    run = hu[rows[:, None], np.minimum(firsts + np.arange(thickest), hu.shape[1] - 1)]
    before = hu[rows[:, None], np.maximum(firsts - 1 - np.arange(near), 0)]
    on_skin = (firsts[:, 0] > 0) & (before.min(axis=1) < skin_hu)
    for i in rows[(run.max(axis=1) >= METAL_HU) | on_skin]:
        first = int(start[i])
        quiet = np.flatnonzero(~dense[i, first:])
        if not quiet.size:
            continue
        end = first + int(quiet[0])
        onward = np.flatnonzero(two[i, end:])
        if onward.size and gap <= onward[0] <= thickest * 2:
            out[i] = end + int(onward[0])
    return out


def _rise_near(
    hu: FloatArray, half: FloatArray, start: NDArray[np.intp], reach: int
) -> NDArray[np.intp]:
    """First sample below ``half`` whose next one is not, from just outside ``start`` inwards."""
    idx = np.arange(hu.shape[1] - 1)[None, :]
    rises = (hu[:, :-1] < half[:, None]) & (hu[:, 1:] >= half[:, None])
    ok = rises & (idx >= start[:, None] - reach) & (idx <= start[:, None] + reach)
    return np.where(ok.any(axis=1), np.argmax(ok, axis=1), -1)


def _fall_near(
    hu: FloatArray, half: FloatArray, last: NDArray[np.intp], reach: int
) -> NDArray[np.intp]:
    """Last sample above ``half`` whose next one is not, from just inside ``last`` outwards."""
    m = hu.shape[1]
    idx = np.arange(m - 1)[None, :]
    falls = (hu[:, :-1] >= half[:, None]) & (hu[:, 1:] < half[:, None])
    ok = falls & (idx >= last[:, None] - reach) & (idx <= last[:, None] + reach)
    return np.where(ok.any(axis=1), m - 2 - np.argmax(ok[:, ::-1], axis=1), -1)
