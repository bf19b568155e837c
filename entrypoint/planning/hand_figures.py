"""Simulated placements summed up: counts with their bounds, ellipses, percentiles."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from entrypoint.planning.hand_model import (
    HandBone,
    HandMargin,
    HandPoint,
    HandStop,
    HandTilt,
    HandTip,
)

__all__ = [
    "bone_of",
    "counted",
    "point_of",
    "stop_of",
    "tilt_of",
    "tip_of",
]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_CHI2_95_TWO = 5.991464547107979  # 95 % of a chi-square with two degrees of freedom
_STOP_PAST, _STOP_LEFT = 0.01, 0.05


def counted(broken: BoolArray) -> HandMargin:
    """A count out of all placements, its share, and the bound that 95 of 100 such counts keep.

    The bound is the exact one of the binomial: for a count of 0 it is 3 out of the draws, the
    rule of three.

    Examples
    --------
    >>> none = counted(np.zeros(10_000, dtype=bool))
    >>> none.broken, round(none.p_at_most * 10_000, 2)
    (0, 3.0)
    """
    from scipy.special import betaincinv

    n, k = len(broken), int(np.count_nonzero(broken))
    return HandMargin(
        broken=k,
        draws=n,
        p_broken=(k + 1) / (n + 2),
        p_at_most=None if k == n else float(betaincinv(k + 1, n - k, 0.95)),
    )


def point_of(offset_mm: FloatArray, hand_offset_mm: FloatArray) -> HandPoint | None:
    """Spread of the point; (n, 2) along and across, all together and of the hand alone.

    Rows with NaN are left out; None where fewer than ten are left.
    """
    seen = np.isfinite(offset_mm).all(axis=1)
    if seen.sum() < 10:
        return None
    covariance = np.cov(offset_mm[seen].T)
    sizes, axes = np.linalg.eigh(covariance)
    long = axes[:, 1]
    turn = float(np.degrees(np.arctan2(long[1], long[0])))
    # An axis has no front: turned by half a circle it is the same: from -90 up to 90.
    turn = (turn + 90.0) % 180.0 - 90.0
    half = np.sqrt(np.maximum(sizes, 0.0) * _CHI2_95_TWO)
    hand = np.std(hand_offset_mm, axis=0, ddof=1)
    return HandPoint(
        sd_along_mm=float(np.sqrt(covariance[0, 0])),
        sd_across_mm=float(np.sqrt(covariance[1, 1])),
        hand_sd_along_mm=float(hand[0]),
        hand_sd_across_mm=float(hand[1]),
        ellipse_long_mm=float(half[1]),
        ellipse_short_mm=float(half[0]),
        ellipse_turn_deg=turn,
    )


def tilt_of(tilt_rad: FloatArray) -> HandTilt:
    """Angle from square to the bone."""
    median, most = np.degrees(np.percentile(tilt_rad, [50.0, 95.0]))
    return HandTilt(median_deg=float(median), within_95_deg=float(most))


def bone_of(length_mm: FloatArray) -> HandBone | None:
    """Bone drilled; NaN left out, None where fewer than ten placements met sound bone."""
    known = length_mm[np.isfinite(length_mm)]
    if len(known) < 10:
        return None
    low, median, high = np.percentile(known, [5.0, 50.0, 95.0])
    return HandBone(low_mm=float(low), median_mm=float(median), high_mm=float(high))


def tip_of(offset_mm: FloatArray, below_inner_mm: FloatArray) -> HandTip | None:
    """Spread of the tip; (n, 3) along, across and deep from the planned tip."""
    seen = np.isfinite(offset_mm).all(axis=1) & np.isfinite(below_inner_mm)
    if seen.sum() < 10:
        return None
    along, across, deep = np.std(offset_mm[seen], axis=0, ddof=1)
    low, median, high = np.percentile(below_inner_mm[seen], [5.0, 50.0, 95.0])
    return HandTip(
        sd_along_mm=float(along),
        sd_across_mm=float(across),
        sd_deep_mm=float(deep),
        radius_95_mm=float(np.percentile(np.linalg.norm(offset_mm[seen], axis=1), 95.0)),
        below_inner_low_mm=float(low),
        below_inner_median_mm=float(median),
        below_inner_high_mm=float(high),
    )


def stop_of(
    seat_to_inner_mm: FloatArray, start_mm: float, through_mm: float | None, past_inner_mm: float
) -> HandStop:
    """What a stop length does over all placements.

    Parameters
    ----------
    seat_to_inner_mm : (n,) array
        From the seat to the inner table along the path; NaN where no sound bone was met, which
        counts against every length.
    start_mm, through_mm : float
        The plan's own lengths for that seat.
    past_inner_mm : float
        How far past the inner table is counted.
    """
    d = seat_to_inner_mm
    n = len(d)
    shortest = np.sort(np.where(np.isfinite(d), d, -np.inf))[int(_STOP_PAST * n)]
    longest = np.sort(np.where(np.isfinite(d), d, np.inf))[n - 1 - int(_STOP_LEFT * n)]
    past = None
    if np.isfinite(shortest):
        past = max(float(shortest) + past_inner_mm, 0.0)
    return HandStop(
        past_inner_mm=past_inner_mm,
        start_past_inner=counted(~(start_mm - d <= past_inner_mm)),
        bone_left_at_through=None if through_mm is None else counted(~(d <= through_mm)),
        not_a_setting_past_in_1_percent_mm=past,
        not_a_setting_bone_left_in_5_percent_mm=float(longest) if np.isfinite(longest) else None,
    )
