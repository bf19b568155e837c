"""The inion on the midsagittal bone profile: the blunt corner at the back of the head."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import MeasurementError
from entrypoint.geometry.polylines import arc_lengths_mm, resample, smooth

FloatArray = NDArray[np.float64]

_STEP_MM = 1.0
_ARM_MM = 22.0
# A second corner, this far from the first or further and nearly as good: then there is no telling.
# On phantoms the right corner mostly led by 1.5 mm or more.
_RIVAL_FROM_MM, _LEAD_MM = 12.0, 0.8
_HOLLOW_MM = 3.0  # deeper hollows over 44 mm of skull above the inion are another object


def find_inion(
    profile_mm: FloatArray, unit_right: FloatArray, *, expected_arc_mm: float, expected_sd_mm: float
) -> tuple[FloatArray, float, float]:
    """Find the corner of the occipital profile.

    The point that stands out furthest from the chord between the points 22 mm before and behind
    it along the profile, with the published nasion-inion length as a gentle prior: a protuberance
    is often blunt.

    Parameters
    ----------
    profile_mm : (n, 3) array
        Outer bone in the midsagittal plane, from the bone nasion over the top to the back.
    unit_right : (3,) array
    expected_arc_mm, expected_sd_mm : float
        Along the bone, for a head of this size.

    Returns
    -------
    position_mm : (3,) array
    arc_mm : float
        From the profile's start.
    sd_mm : float

    Raises
    ------
    MeasurementError
        When the profile ends before the back of the head.
    """
    curve = smooth(resample(profile_mm, _STEP_MM), 2.5)
    arc = arc_lengths_mm(curve)
    arm = round(_ARM_MM / _STEP_MM)
    lowest = expected_arc_mm - 2.5 * expected_sd_mm
    if arc[-1] < lowest + _ARM_MM:
        raise MeasurementError(
            found=f"the profile of the skull ends {arc[-1]:.0f} mm behind the nasion",
            expected=f"at least {lowest + _ARM_MM:.0f} mm, to show the back of the head",
            next_step="give the inion in a landmark file, or a larger field of view",
        )
    before, here, after = curve[: -2 * arm], curve[arm:-arm], curve[2 * arm :]
    chord = after - before
    out = np.cross(chord, unit_right)
    out /= np.linalg.norm(out, axis=1, keepdims=True)
    sagitta = np.einsum("ij,ij->i", here - 0.5 * (before + after), out)
    # Outwards is the side on which the vault bulges.
    if np.median(sagitta) < 0:
        sagitta = -sagitta
    mid = arc[arm:-arm]
    score = sagitta - 0.5 * np.square((mid - expected_arc_mm) / expected_sd_mm)
    near = np.abs(mid - expected_arc_mm) < 2.2 * expected_sd_mm
    k = int(np.argmax(np.where(near, score, -np.inf)))
    if not near.any() or not near[max(k - 2, 0)] or not near[min(k + 2, len(near) - 1)]:
        raise MeasurementError(
            found="no corner of the skull where an inion is to be expected",
            expected=f"one about {expected_arc_mm:.0f} mm behind the nasion along the bone",
            next_step="give the inion in a landmark file",
        )
    rival = near & (np.abs(mid - mid[k]) > _RIVAL_FROM_MM)
    if rival.any() and score[k] - score[rival].max() < _LEAD_MM:
        raise MeasurementError(
            found="two places at the back of the head that may be the inion",
            expected="one corner that stands out",
            next_step="give the inion in a landmark file",
        )
    above = (mid > mid[k] - 70.0) & (mid < mid[k])
    if above.any() and sagitta[above].min() < -_HOLLOW_MM:
        raise MeasurementError(
            found="the profile at the back of the head is not that of a skull alone",
            expected="a profile that bulges outwards down to the inion",
            next_step="give the inion in a landmark file: a head rest may hide it",
        )
    near = np.abs(mid - mid[k]) < 8.0
    c2, c1, _ = np.polyfit(mid[near] - mid[k], score[near], 2)
    sd = float(np.clip(np.sqrt(0.6 / max(-2 * c2, 1e-3)), 3.0, 20.0))
    # A blunt corner has no one highest sample: the middle of its arch is the steadier answer.
    shift = float(np.clip(-c1 / (2.0 * c2), -4.0, 4.0)) if c2 < 0.0 else 0.0
    at = float(mid[k]) + shift
    position = np.array([np.interp(at, mid, here[:, axis]) for axis in range(3)])
    return position, at, sd
