"""Density below the bone: means over discs and depths, beside the other side, with their noise."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from entrypoint.planning.corridor_spots import Reading
from entrypoint.reference import row, value
from entrypoint.volume.corridor import STEP_MM

__all__ = ["brain_level_hu", "denser_than_brain", "fluid_depth_mm", "profile_hu"]

FloatArray = NDArray[np.float64]

# A picture stored in coarse steps may show no noise at all.
_LEAST_SD_HU = 0.1
_WINDOWS_MM = (2.0, 3.0, 4.0, 6.0)
_BRAIN_BELOW_MM = 6.0
_KEPT_HU = (-150.0, 150.0)  # what stands further off is air or bone, and is told apart from this
_FLUID_FLOOR_HU = -40.0
_DENSER_HU = 12.0
_FEW_AIRY = 0.35  # of the rays


def profile_hu(hu: FloatArray, away_mm: FloatArray, radius_mm: float) -> FloatArray:
    """Mean over a disc at each depth; NaN where less than four fifths of it are in view.

    Rays that pass through air are left out where they are few: a bubble's blurred rim would pass
    for fluid.
    """
    disc = hu[away_mm <= radius_mm]
    with np.errstate(invalid="ignore"):
        airy = (disc < _KEPT_HU[0]).any(axis=1)
    disc = np.clip(disc[~airy] if airy.mean() < _FEW_AIRY else disc, *_KEPT_HU)
    seen = np.isfinite(disc)
    total = np.where(seen, disc, 0.0).sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(seen.mean(axis=0) > 0.8, total / seen.sum(axis=0), np.nan)


def brain_level_hu(own_hu: FloatArray, other_hu: FloatArray | None, depths_mm: FloatArray) -> float:
    """What brain reads below both paths: the side nearer to the published level counts."""
    usual = row("brain_hu")
    levels = [
        float(np.nanmedian(p[depths_mm > _BRAIN_BELOW_MM]))
        for p in (own_hu, other_hu)
        if p is not None and np.isfinite(p[depths_mm > _BRAIN_BELOW_MM]).any()
    ]
    if not levels:
        return usual.value
    near = min(levels, key=lambda x: abs(x - usual.value))
    return float(np.clip(near, usual.low or 20.0, usual.high or 45.0))


def denser_than_brain(
    own_hu: FloatArray,
    other_hu: FloatArray | None,
    depths_mm: FloatArray,
    *,
    brain_hu: float,
    span_mm: tuple[float, float],
    sd_of_depth: Callable[[float], float],
) -> Reading | None:
    """The depths that read denser than brain and than the other side, by more than noise.

    Parameters
    ----------
    own_hu, other_hu : (k,) arrays
        Means over the same disc on either side; other None where it is not in view.
    depths_mm : (k,) array
    brain_hu : float
    span_mm : (float, float)
        Depths that are looked at.
    sd_of_depth : callable
        Standard deviation of the mean over a depth in mm.

    Returns
    -------
    Reading or None
    """
    limit, step, sure = (
        value("corridor_denser"),
        value("corridor_denser_sides"),
        value("corridor_sure"),
    )
    best, found = 0.0, None
    for window in _WINDOWS_MM:
        n = round(window / STEP_MM) + 1
        sd = max(sd_of_depth(window), _LEAST_SD_HU)
        for i in range(len(depths_mm) - n + 1):
            if depths_mm[i] < span_mm[0] or depths_mm[i + n - 1] > span_mm[1]:
                continue
            mean = float(own_hu[i : i + n].mean())
            over = mean - brain_hu
            beside = None if other_hu is None else float(other_hu[i : i + n].mean())
            if not over >= max(limit, sure * sd):
                continue
            if beside is not None and np.isfinite(beside):
                apart = mean - beside
                both = over >= 2.0 * limit  # as dense on the other side too, and far off brain
                if not both and not apart >= max(step, sure * float(np.sqrt(2.0)) * sd):
                    continue
            if over / sd > best:
                best, found = over / sd, (i, i + n, sd)
    if found is None:
        return None
    return _extended(own_hu, other_hu, depths_mm, brain_hu, span_mm, found)


def _extended(
    own_hu: FloatArray,
    other_hu: FloatArray | None,
    depths_mm: FloatArray,
    brain_hu: float,
    span_mm: tuple[float, float],
    found: tuple[int, int, float],
) -> Reading:
    """The found window grown to where it has fallen half-way back to brain."""
    i, j, sd = found
    half = brain_hu + 0.5 * (float(own_hu[i:j].mean()) - brain_hu)
    while i > 0 and depths_mm[i - 1] >= span_mm[0] and own_hu[i - 1] > half:
        i -= 1
    while j < len(own_hu) and own_hu[j] > half:
        j += 1
    # What begins where the bone's blur ends begins at the bone.
    start = 0.0 if depths_mm[i] <= span_mm[0] + STEP_MM else float(depths_mm[i])
    beside = None if other_hu is None else float(other_hu[i:j].mean())
    return Reading(
        from_mm=start,
        to_mm=float(depths_mm[j - 1]),
        hu=float(own_hu[i:j].mean()),
        other_hu=beside if beside is not None and np.isfinite(beside) else None,
        sd_hu=sd,
    )


def fluid_depth_mm(
    profile: FloatArray, depths_mm: FloatArray, tail_mm: float, brain_hu: float
) -> float | None:
    """Depth down to which a profile reads like fluid, from the inner table.

    Where brain follows at once this is ``tail_mm``: less cannot be told from the blur of bone.
    None where it reads like air or fat, where something denser than brain lies in its place, or
    where nothing is in view.
    """
    level = 0.5 * (brain_hu + row("fluid_hu").value)
    use = (depths_mm >= tail_mm - 1e-6) & np.isfinite(profile)
    if use.sum() < 4:
        return None
    z = depths_mm[use]
    y = np.convolve(np.pad(profile[use], 1, mode="edge"), [0.25, 0.5, 0.25], mode="valid")
    above = np.flatnonzero(y >= level)
    end = int(above[0]) if above.size else len(y)
    if end == 0:
        return float(z[0]) if float(y[0]) < brain_hu + _DENSER_HU else None
    if float(y[:end].mean()) < _FLUID_FLOOR_HU:
        return None
    if end == len(y):
        return float(z[-1])
    t = (level - y[end - 1]) / (y[end] - y[end - 1])
    return float(z[end - 1] + t * (z[end] - z[end - 1]))
