"""Lengths along the scalp between two touched points, and tapes laid by hand.

A tape held between two points lies in the plane that holds both of them and the outward direction
at the first; it is pulled tight in that plane. On a sphere that is the great circle.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import EntrypointError, MeasurementError
from entrypoint.geometry.polylines import length_mm
from entrypoint.geometry.taut import TautCurve, taut
from entrypoint.volume.sections import polar_section

if TYPE_CHECKING:
    from entrypoint.planning.ct_head import CtHead

__all__ = ["Offset", "SkinSection", "offset_along", "skin_section", "taut_between"]

FloatArray = NDArray[np.float64]
SkinSection = Callable[[FloatArray, FloatArray, FloatArray], FloatArray]
"""(start, unit_outward there, end) to the skin's polyline (n, 3) from the one to the other."""

_DEEP_MM = 72.0  # below the first point: where the rays of a section start
_STEP_DEG = 0.4
_SHORT_MM = 0.5  # nearer points are a straight line apart
_FACE_DEG = 40.0  # above the front of the head; rays lower than this may pass an airway


@dataclass(frozen=True, slots=True, kw_only=True)
class Offset:
    """Where a mark lies, seen from the true point, along the scalp.

    ``front_back_mm`` is positive in front of the true point and ``left_right_mm`` towards the
    patient's right; together they make ``along_scalp_mm``: the direction is the one in which a
    tape leaves the true point.
    """

    along_scalp_mm: float
    straight_mm: float
    front_back_mm: float
    left_right_mm: float
    by_tape: bool  # False where no tape can be laid between the two: the straight distance


def skin_section(head: CtHead, start: FloatArray, outward: FloatArray, end: FloatArray) -> (
    FloatArray
):
    """Skin between two points of it, (n, 3), in the plane with the outward direction at the first.

    Raises
    ------
    MeasurementError
        The skin between them is not in view.
    """
    centre = start - _DEEP_MM * outward
    to_end = end - centre
    aside = to_end - (to_end @ outward) * outward
    size = float(np.linalg.norm(aside))
    if size < 1e-9:
        return np.stack([start, end])
    across = aside / size
    turn = float(np.degrees(np.arctan2(size, to_end @ outward)))
    margin = 12.0 * _STEP_DEG  # so that spikes are judged by what lies on both sides of them
    angles = np.arange(-margin, turn + margin, _STEP_DEG)
    section = polar_section(
        head.volume,
        head.coarse,
        centre,
        outward,
        across,
        angles,
        face=_in_face(head, centre, outward, across, angles),
        near_mm=20.0,
        reach_mm=150.0,
    )
    skin = section.skin_points()
    between = (angles > 0.5 * _STEP_DEG) & (angles < turn - 0.5 * _STEP_DEG)
    if not np.isfinite(skin[between]).all():
        raise MeasurementError(
            found="part of the skin between two marks is not in view",
            expected="skin all the way",
            next_step="lay the tape elsewhere",
        )
    return np.concatenate([start[None], skin[between], end[None]])


def _in_face(
    head: CtHead, centre: FloatArray, u: FloatArray, v: FloatArray, angles: FloatArray
) -> NDArray[np.bool_]:
    """Rays that come out of the head low in front, where the nose and its airways are."""
    turn = np.radians(angles)[:, None]
    points = centre + 85.0 * (np.cos(turn) * u + np.sin(turn) * v)
    place = head.frame.head_from_world(points)
    low = np.degrees(np.arctan2(place[:, 2], place[:, 1])) < _FACE_DEG
    return np.asarray(low & (place[:, 1] > 0.0))


def taut_between(section: SkinSection, start: FloatArray, outward: FloatArray, end: FloatArray) -> (
    TautCurve
):
    """A tape pulled tight over the skin between two points.

    Raises
    ------
    EntrypointError
        The skin between them is not in view, or the two coincide.
    """
    line = section(start, outward, end)
    normal = np.cross(outward, end - start)
    return taut(line, normal / np.linalg.norm(normal), unit_outward=outward)


def offset_along(
    section: SkinSection,
    *,
    true_mm: FloatArray,
    mark_mm: FloatArray,
    unit_outward: FloatArray,
    unit_backward: FloatArray,
    unit_right: FloatArray,
) -> Offset:
    """Distance of a mark from the true point along the scalp, split front-back and left-right.

    Parameters
    ----------
    section : callable
        Skin between two points.
    true_mm, mark_mm : (3,) arrays, world
    unit_outward, unit_backward : (3,) arrays
        At the true point: away from the head, and along the midline tape away from the nasion.
    unit_right : (3,) array
        Towards the patient's right.

    Returns
    -------
    Offset
    """
    chord = mark_mm - true_mm
    straight = float(np.linalg.norm(chord))
    along, by_tape = straight, True
    flat = chord - (chord @ unit_outward) * unit_outward
    size = float(np.linalg.norm(flat))
    if straight > _SHORT_MM and size > 1e-6:
        try:
            tape = taut_between(section, true_mm, unit_outward, mark_mm)
            along = max(length_mm(tape.points_mm), straight)
        except EntrypointError:
            by_tape = False
    back = unit_backward - (unit_backward @ unit_outward) * unit_outward
    back = back / np.linalg.norm(back)
    right = np.cross(unit_outward, back)
    right = right if right @ unit_right > 0.0 else -right
    direction = flat / size if size > 1e-9 else np.zeros(3)
    return Offset(
        along_scalp_mm=along,
        straight_mm=straight,
        front_back_mm=-along * float(direction @ back) + 0.0,
        left_right_mm=along * float(direction @ right) + 0.0,
        by_tape=by_tape,
    )
