"""The trainee's own path, measured in the scan: bone along it, and what lies beside it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import MeasurementError
from entrypoint.planning.clearance import (
    midline_clearances_mm,
    sinus_clearance_mm,
    sinus_path,
    suture_clearances,
)
from entrypoint.planning.ct_site import unsound_bone
from entrypoint.planning.model import How, Side
from entrypoint.reference import value
from entrypoint.rehearsal.surface import outward_at
from entrypoint.volume.bone import BonePatch, bone_patch, square_foot
from entrypoint.volume.skull_profile import read_skull_profile

if TYPE_CHECKING:
    from entrypoint.planning.ct_parts import CtParts

__all__ = ["OwnPath", "read_own_path"]

FloatArray = NDArray[np.float64]
_USUAL_SKULL_MM = 7.0  # of a path whose bone cannot be read, for the stretch beside the sinus


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnPath:
    """A path through a marked point; world mm.

    Parameters
    ----------
    unit_inward, unit_square : (3,) arrays
        The path, and the direction square to the bone at the same point.
    outer_mm, inner_mm : (3,) arrays or None
        Where the path meets the tables; None where ``no_bone`` says why.
    scalp_mm, skull_mm : float or None
        Along the path.
    tilt_deg : float
        Between the path and the square one.
    lean_front_deg, lean_midline_deg : float
        The same, split: towards where the deep end leans, to the front and to the midline.
    midline_mm, sinus_mm, suture_mm : float or None
        Of the scalp point from the midsagittal plane, positive on the chosen side; of the path
        from the sinus envelope; from the suture, positive in front of it.
    """

    unit_inward: FloatArray
    unit_square: FloatArray
    outer_mm: FloatArray | None
    inner_mm: FloatArray | None
    scalp_mm: float | None
    skull_mm: float | None
    skull_sd_mm: float | None
    no_bone: str | None
    tilt_deg: float
    lean_front_deg: float
    lean_midline_deg: float
    midline_mm: float
    sinus_mm: float | None
    suture_mm: float | None


def read_own_path(
    parts: CtParts,
    side: Side,
    entry_mm: FloatArray,
    unit_inward: FloatArray | None,
    unit_backward: FloatArray,
) -> OwnPath:
    """Measure a path; without a direction, the one square to the bone.

    Parameters
    ----------
    parts : CtParts
    side : Side
        On which it lies, the patient's.
    entry_mm : (3,) array
        On the scalp.
    unit_inward : (3,) array or None
    unit_backward : (3,) array
        Along the midline tape, away from the nasion.

    Raises
    ------
    MeasurementError
        No bone round the point at all.
    """
    head, plane = parts.head, parts.midsagittal
    skin_out = outward_at(head, entry_mm)
    patch = bone_patch(head.volume, head.coarse.levels, entry_mm, -skin_out, unit_backward)
    foot = square_foot(patch, entry_mm, radius_mm=value("normal_radius"))
    square = -foot.unit_outward
    inward = square if unit_inward is None else unit_inward
    tilt, front, midline = _lean(inward, square, unit_backward, plane.unit_normal, side)
    outer = inner = None
    scalp = skull = skull_sd = None
    no_bone: str | None = None
    if inward @ square <= 0.0:
        no_bone = "the path does not lead into the head"
    elif _unsound(parts, side, patch, foot.foot_mm):
        no_bone = "bone is missing, cracked or hidden near the path"
    else:
        try:
            profile = read_skull_profile(
                head.volume, head.coarse.levels, patch, entry_mm, inward, noise_hu=head.noise_hu
            )
            # From the marked skin point, as a stop that seats on scalp would be.
            scalp, skull = profile.outer_mm, profile.skull_mm
            skull_sd = profile.skull_sd_mm
            outer = entry_mm + profile.outer_mm * inward
            inner = entry_mm + profile.inner_mm * inward
        except MeasurementError:
            no_bone = "no outer and inner surface of bone can be told apart on the path"
    at = foot.foot_mm if outer is None else outer
    below = at + _USUAL_SKULL_MM * inward if inner is None else inner
    away = float(midline_clearances_mm(entry_mm[None], plane, side)[0])
    return OwnPath(
        unit_inward=inward,
        unit_square=square,
        outer_mm=outer,
        inner_mm=inner,
        scalp_mm=scalp,
        skull_mm=skull,
        skull_sd_mm=skull_sd,
        no_bone=no_bone,
        tilt_deg=tilt,
        lean_front_deg=front,
        lean_midline_deg=midline,
        midline_mm=away,
        sinus_mm=sinus_clearance_mm(sinus_path(at, below, inward), plane, side),
        suture_mm=_suture(parts, at, unit_backward),
    )


def _unsound(parts: CtParts, side: Side, patch: BonePatch, foot_mm: FloatArray) -> bool:
    """Whether bone is missing, or a line runs through both tables, near the path."""
    seen = None if parts.suture.how[side] is How.ESTIMATED else parts.suture.curve_mm
    found = unsound_bone(patch, foot_mm, parts.head.coarse.levels.soft_hu, seen)
    return any(mm is not None and mm <= value("bone_missing_radius") for mm in found)


def _suture(parts: CtParts, outer_mm: FloatArray, unit_backward: FloatArray) -> float | None:
    try:
        return suture_clearances(
            point=outer_mm,
            suture_curve=parts.suture.curve_mm,
            midsagittal=parts.midsagittal,
            unit_backward=unit_backward,
        ).nearest_mm
    except MeasurementError:
        return None


def _lean(
    inward: FloatArray,
    square: FloatArray,
    unit_backward: FloatArray,
    unit_right: FloatArray,
    side: Side,
) -> tuple[float, float, float]:
    """Tilt, and its parts: towards the front and towards the midline, of the deep end."""
    cosine = float(np.clip(inward @ square, -1.0, 1.0))
    aside = inward - cosine * square
    size = float(np.linalg.norm(aside))
    tilt = float(np.degrees(np.arctan2(size, cosine)))
    if size < 1e-12:
        return 0.0, 0.0, 0.0
    back = unit_backward - (unit_backward @ square) * square
    back = back / np.linalg.norm(back)
    right = np.cross(back, square)
    right = right if right @ unit_right > 0.0 else -right
    to_midline = -right if side is Side.RIGHT else right
    aside = aside / size
    return tilt, -tilt * float(aside @ back) + 0.0, tilt * float(aside @ to_midline) + 0.0
