"""The thin sensor below a bolt: a bright thread near the bolt's axis, followed to its tip.

A sensor may be thinner than a voxel, bent, and bright over a part of its length only. So its
contrast is taken against a ring round it, at every depth, and one smooth course through the
depths is followed that holds the most of it; its tip lies where that contrast falls to half.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from entrypoint.volume.bolt import FoundBolt
from entrypoint.volume.bone import tangent_axes
from entrypoint.volume.rays import FloatArray

if TYPE_CHECKING:
    from entrypoint.volume.volume import Volume

__all__ = ["SensorThread", "follow_sensor"]

# Judgement, no source, unless said otherwise.
_STEP_MM, _GRID_MM = 0.5, 0.5
_WIDE_MM, _RING_MM = 8.0, (3.0, 5.5)
_DEEPEST_MM = 75.0  # below the outer table
_SIGMA_ACROSS_MM, _SIGMA_ALONG_MM = 0.5, 0.8
_DRIFT_MM, _DRIFT_PER_MM = 1.5, 0.08  # how far off the axis a course may lie, by depth
_SIGMAS, _LEAST_HU = 5.0, 30.0  # a contrast that counts
_STRONG_HU = 250.0  # one that no tissue has: counts also past a part that is not seen
_GAP_MM, _LONGEST_GAP_MM = 4.0, 35.0
_LEAST_RUN_MM = 1.5
_MOST_HU = 1200.0  # more contrast counts no more: one bright spot must not draw the course
_TURN_COST_HU = 12.0
_STRAIGHT_MM = 8.0  # before the tip, over which a thread is taken for straight
_LEAD_MM = (5.0, 1.5)  # before the tip, where its contrast is whole
_BLOOM_MM, _BLOOM_PER_VOXEL = 0.6, 0.8
_LEAST_SD_MM, _SD_PER_VOXEL = 0.25, 0.25
_COARSE_MM, _SD_PER_COARSE = 3.0, 0.5  # beyond it a thread is hardly resolved along the axis


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorThread:
    """A sensor as it is seen; world mm, depths along the bolt's axis below its foot.

    Attributes
    ----------
    tip_mm : (3,) array
    tip_depth_mm, sd_mm : float
        Its depth, and one standard deviation along the axis.
    first_mm : float
        Where below the foot it is first seen apart from the bolt.
    share : float
        Of the length from there, or from the bolt's end, to the tip that is seen.
    off_axis_mm : float
        Distance of the tip from the bolt's axis.
    contrast_hu : float
        Of its end against what lies round it.
    """

    tip_mm: FloatArray
    tip_depth_mm: float
    sd_mm: float
    first_mm: float
    share: float
    off_axis_mm: float
    contrast_hu: float


def follow_sensor(volume: Volume, bolt: FoundBolt, towards: FloatArray) -> SensorThread | None:
    """Follow the sensor from the bolt's inner end.

    Parameters
    ----------
    volume : Volume
    bolt : FoundBolt
    towards : (3,) array
        What the first axis across lies closest to.

    Returns
    -------
    SensorThread or None
        None where no thread is seen below the bolt.
    """
    from scipy import ndimage

    inward = bolt.unit_inward
    u, v = tangent_axes(inward, towards)
    n = int(_WIDE_MM / _GRID_MM)
    o: FloatArray = _GRID_MM * np.arange(-n, n + 1, dtype=float)
    uu, vv = np.meshgrid(o, o, indexing="ij")
    depths = np.arange(bolt.end_mm - 3.0, _DEEPEST_MM, _STEP_MM)
    plane = uu[..., None] * u + vv[..., None] * v
    at = bolt.foot_mm + depths[:, None, None, None] * inward + plane[None]
    hu = volume.sample_hu(at)
    seen = np.asarray(np.isfinite(hu).all(axis=(1, 2)))
    if not seen.any():
        return None
    last = int(np.argmin(seen)) if not seen.all() else len(seen)
    if last < 8:
        return None
    depths, hu = depths[:last], hu[:last]
    sigma = (
        _SIGMA_ALONG_MM / _STEP_MM,
        _SIGMA_ACROSS_MM / _GRID_MM,
        _SIGMA_ACROSS_MM / _GRID_MM,
    )
    smooth = ndimage.gaussian_filter(np.minimum(hu, 3071.0), sigma, mode="nearest")
    # Against the median of a ring that moves along with the place: one a depth is enough, as
    # courses lie within a few millimetres of the axis.
    away = np.hypot(uu, vv)
    ring = (away >= _RING_MM[0]) & (away <= _RING_MM[1])
    base = np.median(smooth[:, ring], axis=1)
    apart = smooth[:, ring] - base[:, None]
    noise = 1.4826 * np.median(np.abs(apart), axis=1)
    noise = np.maximum(ndimage.median_filter(noise, size=9, mode="nearest"), 1.0)
    contrast = smooth - base[:, None, None]

    below = depths - bolt.end_mm
    reach = _DRIFT_MM + _DRIFT_PER_MM * np.maximum(below, 0.0)
    near = int(np.ceil(reach.max() / _GRID_MM))
    core = slice(max(n - near, 0), min(n + near + 1, 2 * n + 1))
    course = _best_course(contrast[:, core, core], away[core, core], reach)
    shift = core.start
    row = np.arange(len(depths))
    own = contrast[row, course[:, 0] + shift, course[:, 1] + shift]
    counts = own > np.maximum(_SIGMAS * noise, _LEAST_HU)
    # The bolt's own bloom just below it is no sensor: it reaches farther where voxels are coarse.
    voxel = float(np.abs(inward) @ _voxel_along(volume))
    counts &= below > _BLOOM_MM + _BLOOM_PER_VOXEL * voxel
    runs = _runs(counts, own, depths, bolt.end_mm)
    if not runs:
        return None
    tip_depth, level = _tip(depths, own, runs[-1])
    across = _across_at(contrast, course + shift, depths, tip_depth, depths[runs[-1][0]], o)
    offset = across[0] * u + across[1] * v
    lengths = sum(depths[b] - depths[a] + _STEP_MM for a, b in runs)
    start = min(bolt.end_mm + 1.0, float(depths[runs[0][0]]))
    return SensorThread(
        tip_mm=bolt.foot_mm + tip_depth * inward + offset,
        tip_depth_mm=float(tip_depth),
        sd_mm=float(np.hypot(_LEAST_SD_MM, _SD_PER_VOXEL * voxel))
        + _SD_PER_COARSE * max(0.0, voxel - _COARSE_MM),
        first_mm=float(depths[runs[0][0]]),
        share=float(min(1.0, lengths / max(tip_depth - start, _STEP_MM))),
        off_axis_mm=float(np.linalg.norm(offset)),
        contrast_hu=level,
    )


def _voxel_along(volume: Volume) -> FloatArray:
    """Size of a voxel along each world axis."""
    return np.asarray(np.abs(volume.grid.world_from_index[:3, :3]).max(axis=1))


def _best_course(contrast: FloatArray, away: FloatArray, reach: FloatArray) -> NDArray[np.intp]:
    """The course, one place a depth, that holds most contrast: at most one step aside a depth."""
    gain = np.clip(contrast, -0.2 * _MOST_HU, _MOST_HU)
    gain = np.where(away[None] <= reach[:, None, None], gain, -1e6)
    depth, p, q = gain.shape
    best = gain[0] - 8.0 * away
    back = np.zeros((depth, p, q), dtype=np.int8)
    moves = [(a, b) for a in (-1, 0, 1) for b in (-1, 0, 1)]
    for k in range(1, depth):
        padded = np.pad(best, 1, constant_values=-1e9)
        stack = np.stack(
            [
                padded[1 + a : 1 + a + p, 1 + b : 1 + b + q] - _TURN_COST_HU * np.hypot(a, b)
                for a, b in moves
            ]
        )
        back[k] = np.argmax(stack, axis=0)
        best = stack.max(axis=0) + gain[k]
    out = np.zeros((depth, 2), dtype=np.intp)
    i, j = np.unravel_index(int(np.argmax(best)), best.shape)
    for k in range(depth - 1, -1, -1):
        out[k] = (i, j)
        a, b = moves[back[k, i, j]]
        i, j = i + a, j + b
    return out


def _runs(
    counts: NDArray[np.bool_], own: FloatArray, depths: FloatArray, end_mm: float
) -> list[tuple[int, int]]:
    """Stretches that belong to the sensor: near the last one, or too bright for any tissue."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], counts, [False]]).astype(int)))
    pairs = [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    taken: list[tuple[int, int]] = []
    reached = end_mm + 1.0
    for a, b in pairs:
        gap = float(depths[a]) - reached
        long = float(depths[b] - depths[a]) + _STEP_MM
        strong = float(np.max(own[a : b + 1])) > _STRONG_HU
        if long < _LEAST_RUN_MM and not strong:
            continue
        if gap <= _GAP_MM or (strong and gap <= _LONGEST_GAP_MM):
            taken.append((a, b))
            reached = float(depths[b])
    return taken


def _tip(depths: FloatArray, own: FloatArray, run: tuple[int, int]) -> tuple[float, float]:
    """Depth of the tip, and the contrast of what leads to it.

    A threshold is passed beyond the tip, by the blur: what is half of the contrast is taken from
    the part before the tip, found again with each new tip.
    """
    start, end = run
    tip = float(depths[end])
    level = float(np.max(own[start : end + 1]))
    for _ in range(6):
        lead = (depths >= tip - _LEAD_MM[0]) & (depths <= tip - _LEAD_MM[1])
        lead &= depths >= depths[start]
        if lead.sum() >= 2:
            level = float(np.median(own[lead]))
        new = _half_fall(depths, own, end, level)
        if abs(new - tip) < 0.02:
            break
        tip = new
    return tip, level


def _half_fall(depths: FloatArray, own: FloatArray, end: int, level: float) -> float:
    """Depth at which the contrast falls through half of its level, near the end of a run."""
    half = 0.5 * level
    k = end
    while k + 1 < len(own) and own[k] >= half:
        k += 1
    while k > 0 and own[k] < half:
        k -= 1
    if k + 1 >= len(own):
        return float(depths[-1])
    a, b = float(own[k]), float(own[k + 1])
    share = (a - half) / (a - b) if a > b else 0.5
    return float(depths[k] + np.clip(share, 0.0, 1.0) * _STEP_MM)


def _across_at(
    contrast: FloatArray,
    course: NDArray[np.intp],
    depths: FloatArray,
    tip_mm: float,
    start_mm: float,
    o: FloatArray,
) -> FloatArray:
    """Where the thread lies across the axis at its tip, (2,), below the grid's own step.

    A straight line through its middles over the last stretch: a single one near the tip is drawn
    aside where a slice holds only a part of it.
    """
    lead = np.flatnonzero(
        (depths <= tip_mm - 0.5) & (depths >= max(tip_mm - _STRAIGHT_MM, start_mm))
    )
    if lead.size == 0:
        lead = np.array([int(np.argmin(np.abs(depths - tip_mm)))])
    middles = np.array([_centred(contrast[k], (course[k, 0], course[k, 1]), o) for k in lead])
    if lead.size < 8:
        return np.asarray(np.median(middles, axis=0))
    line = np.polyfit(depths[lead] - tip_mm, middles, 1)
    return np.asarray(line[1])


def _centred(plane: FloatArray, at: tuple[int, int], o: FloatArray) -> tuple[float, float]:
    """Middle of the contrast near a place of one plane."""
    n = len(o)
    rows = slice(max(0, int(at[0]) - 3), min(n, int(at[0]) + 4))
    cols = slice(max(0, int(at[1]) - 3), min(n, int(at[1]) + 4))
    part = np.clip(plane[rows, cols], 0.0, None)
    part = np.where(part > 0.3 * part.max(initial=1e-9), part, 0.0)
    total = float(part.sum())
    if total <= 0.0:
        return float(o[at[0]]), float(o[at[1]])
    return (
        float(part.sum(axis=1) @ o[rows] / total),
        float(part.sum(axis=0) @ o[cols] / total),
    )
