"""Whether stored values are HU, told from the values themselves.

A CT of a head holds three things that no other picture holds together: a narrow crowd of soft
tissue near 0 to 80 HU, something dense above it (bone), and air near -1000 or cut off at the
lowest value. Two offsets are put right, because files without their intercept are common: +1024
and +1000 (unsigned storage). Anything else is refused, and the sentence says what was found.
Levels of tissue: check row 3.11. Limits: judgement, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import FileRefused

FloatArray = NDArray[np.float64]

_WANTED_SAMPLES = 500_000
_PADDING_BELOW_HU = -1500.0
_AIR_HU = (-1150.0, -850.0)
_SOFT_HU = (-60.0, 110.0)
_CROWD_HALF_WIDTH_HU = 120.0
_OFFSETS_HU = (-1024.0, -1000.0)
_BRAIN_HU = 35.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """What a sample of the voxels says, HU."""

    offset_hu: float  # to add to the scaled values
    lowest_hu: float
    highest_hu: float
    clipped_low_hu: float | None
    clipped_high_hu: float | None
    padding_hu: float | None
    air_hu: float | None
    soft_hu: float


def read_calibration(stored: NDArray[Any], slope: float, inter: float) -> Readings:
    """Check that a volume is in HU.

    Parameters
    ----------
    stored : (ni, nj, nk) array, as stored, first axis fastest in memory
    slope, inter : float
        The file's own scaling.

    Returns
    -------
    Readings

    Raises
    ------
    FileRefused
        When the values are not those of a CT of a head.
    """
    ni, nj, nk = stored.shape
    step = max(1, round((ni * nj * nk / _WANTED_SAMPLES) ** 0.5))
    sample = stored[:, ::step, ::step].ravel(order="K").astype(np.float64) * slope + inter
    if not np.isfinite(sample).all():
        raise FileRefused(
            found="the scaled values are not finite",
            expected="a CT in HU",
            next_step="check the scaling in the file's header",
        )
    if sample.min() == sample.max():
        raise FileRefused(
            found=f"every voxel that was looked at holds the same value, {sample[0]:g}",
            expected="a CT of a head in HU",
            next_step="check the copy",
        )
    as_stored = _as_hu(sample, 0.0)
    if as_stored is not None and as_stored.air_hu is not None:
        return as_stored
    # The lower half of air's noise is often cut off at 0, so that air's upper half looks like
    # soft tissue cut off at 0: an offset that brings everything to its place goes first.
    shifted = [r for r in (_as_hu(sample + offset, offset) for offset in _OFFSETS_HU) if r]
    if shifted:
        return min(shifted, key=_misfit)
    if as_stored is not None:
        return as_stored
    raise FileRefused(
        found=_describe(sample),
        expected="HU: air near -1000, soft tissue near 0 to 80, bone above",
        next_step="give the CT itself, in HU (not an MRI, a mask or a picture of it)",
    )


def _as_hu(sample: FloatArray, offset: float) -> Readings | None:
    """The readings if the sample is in HU after the offset, else nothing."""
    padding = sample < _PADDING_BELOW_HU
    padding_hu = float(sample.min()) if padding.mean() > 0.001 else None
    real = sample[~padding] if padding.any() else sample
    if not len(real):
        return None
    bins = np.clip(np.floor(real), -1500.0, 3499.0).astype(np.intp) + 1500
    counts = np.bincount(bins, minlength=5000).astype(np.float64)
    fill = _zero_fill(counts)
    if fill and padding_hu is None:
        padding_hu = 0.0
        counts[1500] = 0.5 * (counts[1499] + counts[1501])
    lowest, highest = float(real.min()), float(real.max())
    at_lowest = float((real <= lowest + 0.5).mean())
    if at_lowest > 0.03:
        # Values cut off below pile up here, and are no level of anything.
        pile = int(np.clip(lowest, -1500.0, 3498.0)) + 1500
        counts[pile] = counts[pile + 1]
    soft = _mode(counts, *_SOFT_HU, width=15)
    if soft is None:
        return None
    tissue_from = max(-300.0, lowest + 1.0)
    tissue = float(counts[int(tissue_from) + 1500 :].sum())
    crowd = float(counts[_slice(soft - _CROWD_HALF_WIDTH_HU, soft + _CROWD_HALF_WIDTH_HU)].sum())
    air_part = float((real < -700.0).mean())
    air = _mode(counts, *_AIR_HU, width=15) if air_part > 0.01 and lowest < -800 else None
    clipped_low = lowest if at_lowest > 0.03 and lowest > -1100 and air is None else None
    if air is not None and at_lowest > 0.03:
        # Air itself is cut off: half of its noise lies at the lowest value.
        clipped_low = lowest
    if air is None and clipped_low is None:
        return None
    if air is None and offset:
        return None  # an offset is believed only where it brings air to its place
    strict = air is None and lowest > -60.0
    dense_above = 600.0 if strict else 250.0
    dense = float(counts[int(dense_above) + 1500 :].sum()) / max(tissue, 1.0)
    if crowd < (0.5 if strict or offset else 0.3) * tissue or dense < 0.004:
        return None
    if offset and dense > 0.4:
        return None  # a skull is a smaller part of a head: this is bone taken for soft tissue
    if strict and not 5.0 <= soft <= 75.0:
        return None
    at_highest = float((real >= highest - 0.5).mean())
    return Readings(
        offset_hu=offset,
        lowest_hu=lowest,
        highest_hu=highest,
        clipped_low_hu=clipped_low,
        clipped_high_hu=highest if at_highest > 2e-4 and highest > 100 else None,
        padding_hu=padding_hu,
        air_hu=air,
        soft_hu=soft,
    )


def _misfit(readings: Readings) -> float:
    """How far soft tissue and air lie from where they belong."""
    air = -1000.0 if readings.air_hu is None else readings.air_hu
    return abs(readings.soft_hu - _BRAIN_HU) + 0.5 * abs(air + 1000.0)


def _slice(low: float, high: float) -> slice:
    return slice(max(0, int(low) + 1500), max(0, int(high) + 1500))


def _mode(counts: FloatArray, low: float, high: float, *, width: int) -> float | None:
    """Most frequent reading between two levels, smoothed; nothing where all are empty."""
    part = counts[_slice(low - width, high + width)]
    smooth = np.convolve(part, np.ones(2 * width + 1), mode="valid")
    if not len(smooth) or smooth.max() <= 0:
        return None
    best = np.flatnonzero(smooth >= 0.98 * smooth.max())
    return float(low + best.mean())


def _zero_fill(counts: FloatArray) -> bool:
    """Whether exactly 0 HU is a fill value: far more frequent than its neighbours."""
    near = np.r_[counts[1485:1500], counts[1501:1516]]
    total = counts.sum()
    air = counts[_slice(*_AIR_HU)].sum()
    return bool(
        counts[1500] > 0.01 * total and counts[1500] > 8 * near.max() and air > 0.01 * total
    )


def _describe(sample: FloatArray) -> str:
    low, middle, high = np.quantile(sample, [0.005, 0.5, 0.995])
    return (
        f"the values are not HU: they run from {low:.4g} to {high:.4g} with a median of "
        f"{middle:.4g}"
    )
