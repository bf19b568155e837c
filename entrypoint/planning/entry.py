"""Where the rule puts the entry: two tapes, the same for every kind of input.

The midline tape lies in the midsagittal plane, pulled tight from the skin nasion backwards.
At the rule's length it is left at right angles; the lateral tape lies in the plane that holds
the outward direction there and the left-right direction, pulled tight over the side.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from entrypoint.errors import FieldRefused, GeometryError, MeasurementError
from entrypoint.geometry.guards import read_only, unit
from entrypoint.geometry.planes import Plane
from entrypoint.geometry.polylines import (
    between,
    direction_over,
    length_mm,
    nearest_on,
    without_repeats,
)
from entrypoint.geometry.taut import TautCurve, drop_to_surface, taut
from entrypoint.planning.model import LateralBy, Rule, Side, Tapes
from entrypoint.reference import value

__all__ = ["Entry", "LateralSection", "MidlineTape", "midline_tape", "place_entry", "side_sign"]

FloatArray = NDArray[np.float64]

LateralSection = Callable[[FloatArray, FloatArray, FloatArray], FloatArray]
"""(point, unit_plane_normal, unit_outward) to the skin polyline (n, 3) from that point down
the named side, in the plane through the point with that normal."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MidlineTape:
    """The midline profile with the tape over it; made once, read at any length."""

    profile_mm: FloatArray
    tape: TautCurve
    midsagittal: Plane

    @property
    def length_mm(self) -> float:
        """Length of the tape, nasion to inion or the last skin in view."""
        return self.tape.length_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """The rule's point and how it was reached; world mm."""

    side: Side
    scalp_entry_mm: FloatArray
    midline_point_mm: FloatArray
    unit_backward: FloatArray  # along the midline tape, away from the nasion
    unit_outward: FloatArray
    unit_lateral: FloatArray  # towards the named side, square to the midsagittal plane
    unit_along: FloatArray  # at the entry: direction in which a longer midline arc moves it
    unit_across: FloatArray  # at the entry: direction in which a longer lateral arc moves it
    lateral_plane: Plane
    lateral_profile_mm: FloatArray
    lateral_tape: TautCurve
    tapes: Tapes


def side_sign(side: Side) -> float:
    """+1 for the patient's right, the side of the midsagittal plane's normal; -1 for the left."""
    return 1.0 if side is Side.RIGHT else -1.0


def midline_tape(midline_profile_mm: ArrayLike, midsagittal: Plane) -> MidlineTape:
    """Pull a tape tight over the midline profile.

    Parameters
    ----------
    midline_profile_mm : array_like, shape (n, 3)
        Skin in the midsagittal plane from the skin nasion backwards over the top to the
        inion, or to the last skin in view.
    midsagittal : Plane
        Its normal points to the patient's right.
    """
    profile = without_repeats(midline_profile_mm)
    return MidlineTape(
        profile_mm=profile,
        tape=taut(profile, midsagittal.unit_normal),
        midsagittal=midsagittal,
    )


def _too_short(what: str, wanted: float, found: float) -> MeasurementError:
    return MeasurementError(
        found=f"only {found:.0f} mm of scalp along the {what} in view",
        expected=f"at least the {wanted:.0f} mm of the rule",
        next_step="use an input that shows more of the head, or a shorter arc",
    )


def _by_pupil(profile: FloatArray, plane: Plane, sign: float, offset_mm: float) -> FloatArray:
    """First point of the lateral profile at a straight distance from the midsagittal plane."""
    away = sign * plane.signed_distance_mm(profile)
    past = np.flatnonzero((away[1:] >= offset_mm) & (away[:-1] < offset_mm))
    if len(past) == 0:
        raise _too_short("lateral section", offset_mm, float(away.max()))
    i = int(past[0])
    t = (offset_mm - away[i]) / (away[i + 1] - away[i])
    return np.asarray(profile[i] + t * (profile[i + 1] - profile[i]))


def place_entry(
    *,
    midline_profile_mm: ArrayLike,
    midsagittal: Plane,
    lateral_section: LateralSection,
    side: Side,
    rule: Rule,
    tape: MidlineTape | None = None,
) -> Entry:
    """Place the rule's point on the scalp of one side.

    Parameters
    ----------
    midline_profile_mm : array_like, shape (n, 3)
        Skin polyline in the midsagittal plane, from the skin nasion backwards.
    midsagittal : Plane
        Its normal points to the patient's right.
    lateral_section : callable
        See ``LateralSection``; it answers for ``side`` only.
    side : Side
        The patient's.
    rule : Rule
        Its arcs, or the interpupillary distance for the mid-pupillary line.
    tape : MidlineTape, optional
        The tape over that profile, where it has been made already.

    Returns
    -------
    Entry

    Raises
    ------
    MeasurementError
        Too little scalp in view for an arc of the rule.
    FieldRefused
        The mid-pupillary line is asked for without an interpupillary distance, or an arc is
        not positive.
    GeometryError
        The lateral section runs down the other side.
    """
    if not rule.midline_arc_mm > 0.0 or not rule.lateral_arc_mm >= 0.0:
        raise FieldRefused(
            found=f"arcs of {rule.midline_arc_mm} and {rule.lateral_arc_mm} mm",
            expected="a positive midline arc and a lateral arc of 0 or more",
            next_step="give both in mm",
        )
    midline = tape or midline_tape(midline_profile_mm, midsagittal)
    if rule.midline_arc_mm > midline.length_mm + 1e-9:
        raise _too_short("midline", rule.midline_arc_mm, midline.length_mm)
    origin = drop_to_surface(midline.tape, midline.profile_mm, rule.midline_arc_mm)
    backward = direction_over(
        midline.tape.points_mm, rule.midline_arc_mm, value("tape_direction_span")
    )
    right = midsagittal.unit_normal
    backward = unit(backward - (backward @ right) * right, "direction of the midline tape")
    outward = unit(
        -midline.tape.unit_inward_turn * np.cross(midline.tape.unit_normal, backward), "outward"
    )
    sign = side_sign(side)
    lateral = read_only(sign * right)

    section = without_repeats(lateral_section(origin, backward, outward))
    held = section
    reach = value("lateral_reach")
    if length_mm(section) > reach:
        held = between(section, 0.0, reach)
    if sign * midsagittal.distance_of_mm(held[len(held) // 2]) < sign * (
        midsagittal.distance_of_mm(held[0])
    ):
        raise GeometryError(
            found=f"a lateral section that runs away from the patient's {side.value}",
            expected=f"one down the patient's {side.value}",
            next_step="check the side, and which way the plane's normal points",
        )
    lateral_tape = taut(held, backward, unit_outward=outward + 0.5 * lateral)
    if rule.lateral_by is LateralBy.MID_PUPILLARY:
        if rule.interpupillary_mm is None:
            raise FieldRefused(
                found="the mid-pupillary line without an interpupillary distance",
                expected="the distance between the pupils, or both pupils as landmarks",
                next_step="give the interpupillary distance in mm, or a lateral arc",
            )
        entry = _by_pupil(held, midsagittal, sign, rule.interpupillary_mm / 2.0)
        lateral_arc = nearest_on(lateral_tape.points_mm, entry)[0]
    else:
        lateral_arc = rule.lateral_arc_mm
        if lateral_arc > lateral_tape.length_mm + 1e-9:
            raise _too_short("lateral section", lateral_arc, lateral_tape.length_mm)
        entry = drop_to_surface(lateral_tape, held, lateral_arc)

    across = direction_over(lateral_tape.points_mm, lateral_arc, value("tape_direction_span"))
    start = midline.profile_mm[0]
    return Entry(
        side=side,
        scalp_entry_mm=read_only(np.array(entry)),
        midline_point_mm=read_only(np.array(origin)),
        unit_backward=backward,
        unit_outward=outward,
        unit_lateral=lateral,
        unit_along=backward,
        unit_across=read_only(across),
        lateral_plane=Plane(point_mm=origin, unit_normal=backward),
        lateral_profile_mm=held,
        lateral_tape=lateral_tape,
        tapes=Tapes(
            midline_taut_mm=rule.midline_arc_mm,
            midline_surface_mm=nearest_on(midline.profile_mm, origin)[0],
            midline_chord_mm=float(np.linalg.norm(origin - start)),
            midline_bone_mm=None,
            lateral_taut_mm=lateral_arc,
            lateral_surface_mm=nearest_on(held, entry)[0],
            lateral_straight_mm=sign * midsagittal.distance_of_mm(entry),
        ),
    )
