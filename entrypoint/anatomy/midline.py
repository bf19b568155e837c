"""Where the midline itself is seen: nose, sutures, crests and falx.

A skull that is fuller on one side than on the other mirrors best in a plane that is turned away
from its midline. So the mirror plane is only where to start: along the midline, strips that
cross it are searched for the place about which they are even, a tilt of the strip apart, and
the plane is drawn through those places, each with its own weight.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


# A place may speak against a plane by this much and no more: some places are simply wrong.
_CAP = 4.0
_CLIP = 4.0  # no single value counts for more
_HALF_WAY = 10.0
_FEWEST_WITNESSES = 10  # about a tenth of the places; wrong planes find up to eight by chance


@dataclass(frozen=True, slots=True, kw_only=True)
class MidlinePlace:
    """One place at which strips across the midline were read.

    Attributes
    ----------
    position_mm : (3,) array, world mm
        On the plane that was searched about, not shifted.
    shifts_mm : (k,) array
        Shifts tried, positive to the patient's right, evenly spaced.
    against : (k,) array
        How much the strips speak against each: half a chi-square above the best one, capped.
    kind : str
    """

    position_mm: FloatArray
    shifts_mm: FloatArray
    against: FloatArray
    kind: str

    @property
    def best_mm(self) -> float:
        """The shift that the strips speak for."""
        return float(self.shifts_mm[int(np.argmin(self.against))])


def even_about(
    strip: FloatArray,
    lateral_mm: FloatArray,
    *,
    half_mm: float,
    reach_mm: float,
    plain_mm: float = 6.0,
) -> tuple[FloatArray, FloatArray] | None:
    """How strongly a strip's features speak for each shift as the place they mirror about.

    What varies slowly across the strip is taken off first; what is left is multiplied with its
    own mirror image. A strip without features speaks for nothing, so that flat stretches beside
    the midline draw no vote.

    Parameters
    ----------
    strip : (n,) array
        Values across the midline, in units of what differs between sides by chance.
    lateral_mm : (n,) array
        Evenly spaced, symmetric about 0.
    half_mm : float
        How far to each side of the middle values are compared.
    reach_mm : float
        Largest shift tried.
    plain_mm : float
        Scale above which variation is taken off.

    Returns
    -------
    shifts_mm, against : (k,) arrays
        See :class:`MidlinePlace`; None where too little is seen.
    """
    from scipy import ndimage

    seen = np.isfinite(strip)
    if seen.mean() < 0.85:
        return None
    step = float(lateral_mm[1] - lateral_mm[0])
    n = len(lateral_mm)
    whole = np.interp(np.arange(n), np.flatnonzero(seen), strip[seen])
    slope = np.polyfit(lateral_mm, whole, 2)
    whole = whole - np.polyval(slope, lateral_mm)
    fine = whole - ndimage.gaussian_filter1d(whole, plain_mm / step, mode="nearest")
    fine = np.clip(fine, -_CLIP, _CLIP)
    mid = (n - 1) / 2
    half = round(half_mm / step)
    reach = min(round(2 * reach_mm / step), 2 * (int(mid) - half))
    ks = np.arange(-reach, reach + 1)
    t = np.arange(0.5, half + 0.5, 0.5)
    centres = mid + ks / 2
    grid = np.arange(n)
    right = np.interp(centres[:, None] + t, grid, fine)
    left = np.interp(centres[:, None] - t, grid, fine)
    product = np.sum(right * left, axis=1) * 0.5 * step
    support = _CAP * (1 - np.exp(-np.clip(product, 0, None) / _HALF_WAY))
    return ks * step / 2, _CAP - support


def odd_about(
    strips: FloatArray,
    lateral_mm: FloatArray,
    *,
    half_mm: float,
    reach_mm: float,
    independent: float,
) -> tuple[FloatArray, FloatArray] | None:
    """How uneven strips that show one ridge are about each shift, a slope across them apart.

    Sharper than :func:`even_about` where a single feature fills the strip (the nose), and
    misleading where there is none.

    Parameters
    ----------
    strips : (m, n) array
        Values across the midline, in units of what differs between sides by chance.
    lateral_mm : (n,) array
    half_mm, reach_mm : float
    independent : float
        How many independent differences the strips hold.

    Returns
    -------
    shifts_mm, against : (k,) arrays
        See :class:`MidlinePlace`; None where too little is seen.
    """
    step = float(lateral_mm[1] - lateral_mm[0])
    mid = (len(lateral_mm) - 1) / 2
    half = round(half_mm / step)
    reach = min(round(2 * reach_mm / step), 2 * (int(mid) - half))
    t = np.arange(1, half + 1)
    ks = np.arange(-reach, reach + 1)
    cost = np.full(len(ks), np.nan)
    for i, k in enumerate(ks):
        right, left = mid + k / 2 + t, mid + k / 2 - t
        a = 0.5 * (strips[:, np.floor(right).astype(int)] + strips[:, np.ceil(right).astype(int)])
        b = 0.5 * (strips[:, np.floor(left).astype(int)] + strips[:, np.ceil(left).astype(int)])
        odd = a - b
        seen = np.isfinite(odd)
        if seen.mean() < 0.8:
            continue
        odd = np.where(seen, odd, 0.0)
        odd = odd - (odd @ t / float(np.sum(t * t)))[:, None] * t
        cost[i] = float(np.mean(np.square(odd[seen])))
    if np.isfinite(cost).mean() < 0.6:
        return None
    best = float(np.nanmin(cost))
    against = 0.5 * independent * (cost - best) / max(best, 1.0)
    return ks * step / 2, np.minimum(np.where(np.isfinite(against), against, _CAP), _CAP)


def loosened(shifts_mm: FloatArray, against: FloatArray, sd_mm: float) -> FloatArray:
    """The same votes when the feature itself may lie off the midline by ``sd_mm``.

    Parameters
    ----------
    shifts_mm, against : (k,) arrays
    sd_mm : float

    Returns
    -------
    (k,) array
    """
    off = shifts_mm[:, None] - shifts_mm[None, :]
    return np.asarray(
        np.minimum((against[None, :] + 0.5 * np.square(off / sd_mm)).min(axis=1), _CAP)
    )


def vote(
    places: list[MidlinePlace],
    origin_mm: FloatArray,
    unit_anterior: FloatArray,
    unit_superior: FloatArray,
    *,
    prior_sd_mm: float,
    prior_sd_rad: float,
) -> tuple[FloatArray, FloatArray, float]:
    """The plane that the places together speak for.

    Every plane on a grid is weighed, so that places which see two possible middles, or a wrong
    one, do not draw the answer with them; then the grid is refined round the best.

    Parameters
    ----------
    places : list of MidlinePlace
    origin_mm : (3,) array
    unit_anterior, unit_superior : (3,) arrays
    prior_sd_mm, prior_sd_rad : float
        How far the plane that was searched about may be off.

    Returns
    -------
    x : (3,) array
        Shift at the origin (mm), and its change per mm anterior and per mm superior.
    covariance : (3, 3) array
    agreeing : float
        Share of the places that speak at all which speak for the plane, less where they are
        few; 0 where under half as many as it takes.
    """
    if not places:
        return np.zeros(3), np.diag([prior_sd_mm**2, prior_sd_rad**2, prior_sd_rad**2]), 0.0
    q = np.array([p.position_mm for p in places]) - origin_mm
    lever = np.stack([np.ones(len(q)), q @ unit_anterior, q @ unit_superior])
    centre, half = np.zeros(3), np.array([3 * prior_sd_mm, 3 * prior_sd_rad, 3 * prior_sd_rad])
    prior = np.array([prior_sd_mm, prior_sd_rad, prior_sd_rad])
    cov = np.diag(np.square(prior))
    for points in (19, 9, 9):
        axes = [np.linspace(c - h, c + h, points) for c, h in zip(centre, half, strict=True)]
        grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
        total = 0.5 * np.sum(np.square(grid / prior), axis=1)
        shifts = grid @ lever
        for k, place in enumerate(places):
            total += np.interp(shifts[:, k], place.shifts_mm, place.against, left=_CAP, right=_CAP)
        weight = np.exp(-(total - total.min()))
        weight /= weight.sum()
        best = grid[int(np.argmin(total))]
        mean = weight @ grid
        away = grid - mean
        cov = (away * weight[:, None]).T @ away + np.diag(
            np.square([a[1] - a[0] for a in axes])
        ) / 12.0
        centre = best if points == 19 else mean
        spacing = np.array([a[1] - a[0] for a in axes])
        half = (
            np.maximum(1.5 * spacing, 2.5 * np.sqrt(np.diag(cov)))
            if points == 19
            else (3.0 * np.sqrt(np.diag(cov)))
        )
    at = centre @ lever
    heard = np.array(
        [
            np.interp(a, p.shifts_mm, p.against, left=_CAP, right=_CAP)
            for a, p in zip(at, places, strict=True)
        ]
    )
    # A place that speaks for no shift at all (a falx lost in noise) is no witness.
    speaking = np.array([p.against.min() < 0.5 * _CAP for p in places])
    spoken_for = int((heard[speaking] < 0.5 * _CAP).sum())
    if spoken_for < _FEWEST_WITNESSES // 2:
        return centre, cov, 0.0
    few = min(1.0, spoken_for / _FEWEST_WITNESSES)
    return centre, cov, few * spoken_for / int(speaking.sum())
