"""Tapes that a trainee lays on the head: from the nasion backwards, and from there to the side."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from entrypoint.errors import FieldRefused, MeasurementError
from entrypoint.geometry.guards import as_point_mm
from entrypoint.geometry.polylines import arc_lengths_mm, length_mm, point_at
from entrypoint.geometry.taut import TautCurve, drop_to_surface, taut
from entrypoint.planning.ct_plane import cut
from entrypoint.rehearsal.ruler import skin_section
from entrypoint.rehearsal.surface import skin_near

if TYPE_CHECKING:
    from entrypoint.anatomy.frame import HeadFrame
    from entrypoint.rehearsal.heads import StageHead

__all__ = ["LaidTape", "lateral_tape", "skin_at", "tape_along"]

FloatArray = NDArray[np.float64]
_CM_MM = 10.0
_MOST_MM = 320.0
_BEYOND_MM = 60.0  # a tape runs on past the point that it was drawn to
_BACK_DEG = 200.0
_STEP_DEG = 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class LaidTape:
    """A tape on the head; world mm.

    Parameters
    ----------
    points_mm : (n, 3) array
        Its course, pulled tight, from 0.
    skin_mm : (m, 3) array
        The skin under it, in the same plane.
    drawn_mm : float
        Length at which it passes the point that it was drawn to.
    """

    points_mm: FloatArray
    skin_mm: FloatArray
    drawn_mm: float
    taut: TautCurve

    @property
    def length_mm(self) -> float:
        """Whole length."""
        return length_mm(self.points_mm)

    def at(self, arc_mm: float) -> FloatArray:
        """Point of the skin at a length of the tape.

        Raises
        ------
        GeometryError
            Beyond its end.
        """
        return drop_to_surface(self.taut, self.skin_mm, arc_mm)

    def to_json(self) -> dict[str, Any]:
        """Points with their lengths, and a mark at each centimetre."""
        arcs = arc_lengths_mm(self.points_mm)
        marks = np.arange(0.0, self.length_mm + 1e-9, _CM_MM)
        return {
            "points_mm": self.points_mm.tolist(),
            "arc_mm": arcs.tolist(),
            "length_mm": self.length_mm,
            "drawn_mm": self.drawn_mm,
            "ticks": [
                {"cm": k, "point_mm": point_at(self.points_mm, float(m))[0].tolist()}
                for k, m in enumerate(marks)
            ],
        }


def skin_at(head: StageHead, point_mm: ArrayLike) -> FloatArray:
    """The skin nearest to a touched point, found again in the voxels, (3,) world mm.

    Raises
    ------
    FieldRefused
        The point lies more than 8 mm from any skin.
    """
    return skin_near(head.parts.head, as_point_mm(point_mm, "touched point"))[0]


def tape_along(head: StageHead, nasion_mm: ArrayLike, towards_mm: ArrayLike) -> LaidTape:
    """A tape from the touched nasion over a drawn point and on to the back of the head.

    It lies in the plane through both points and the middle of the head: through a point of the
    true midline that is the midsagittal plane, and the tape is the one of the rule.

    Raises
    ------
    FieldRefused
        A point lies away from the skin, or the two are less than 2 cm apart.
    MeasurementError
        The skin between them is not in view.
    """
    ct = head.parts.head
    start, towards = skin_at(head, nasion_mm), skin_at(head, towards_mm)
    _apart(start, towards)
    frame = _frame_through(ct.frame, start, towards)
    first = float(frame.phi_deg(start))
    drawn = float(frame.phi_deg(towards))
    drawn = drawn if drawn > first else drawn + 360.0
    angles = np.arange(first - 12.0 * _STEP_DEG, _BACK_DEG, _STEP_DEG)
    section = cut(ct.volume, ct.coarse, frame, angles)
    points, seen = section.skin_points(), np.isfinite(section.skin_mm)
    use = angles > first + 0.5 * _STEP_DEG
    end = _BACK_DEG
    unseen = np.flatnonzero(use & ~seen & (angles > min(drawn, 90.0)))
    if unseen.size:
        end = float(angles[unseen[0]])
    if end < drawn:
        raise MeasurementError(
            found="the skin between the two points is not in view",
            expected="skin all the way",
            next_step="lay the tape over the top of the head",
        )
    line = np.concatenate([start[None], points[use & seen & (angles < end)]])
    return _laid(line, frame.unit_right, towards, min(_MOST_MM, length_mm(line)))


def lateral_tape(head: StageHead, start_mm: ArrayLike, towards_mm: ArrayLike) -> LaidTape:
    """A tape from a point of the scalp towards another, in the plane square to the skin there.

    Raises
    ------
    FieldRefused, MeasurementError
        As of :func:`tape_along`.
    """
    ct = head.parts.head
    start, outward = skin_near(ct, as_point_mm(start_mm, "start of the tape"))
    towards = skin_at(head, towards_mm)
    _apart(start, towards, 5.0)
    line = skin_section(ct, start, outward, towards)
    normal = np.cross(outward, towards - start)
    # On past the drawn point in the same plane, as far as the skin is seen.
    beyond = partial(skin_section, ct, start, outward)
    ahead = towards + _BEYOND_MM * _down(start, outward, towards)
    try:
        longer = beyond(ahead)[:-1]
        line = longer if length_mm(longer) > length_mm(line) else line
    except MeasurementError:
        pass
    return _laid(line, normal / np.linalg.norm(normal), towards, length_mm(line), outward)


def _down(start: FloatArray, outward: FloatArray, towards: FloatArray) -> FloatArray:
    """Onwards from the drawn point, about along the skin."""
    chord = towards - start
    flat = chord - (chord @ outward) * outward
    flat = flat / np.linalg.norm(flat)
    # A head curves by about twice the angle of the chord.
    drop = np.arctan2(-(chord @ outward), chord @ flat)
    turn = 2.0 * max(float(drop), 0.0) + 0.35
    return np.asarray(np.cos(turn) * flat - np.sin(turn) * outward)


def _laid(
    line: FloatArray,
    unit_normal: FloatArray,
    towards: FloatArray,
    reach_mm: float,
    outward: FloatArray | None = None,
) -> LaidTape:
    from entrypoint.geometry.polylines import between, nearest_on, without_repeats

    line = without_repeats(line)
    if reach_mm < length_mm(line) - 1e-6:
        line = between(line, 0.0, reach_mm)
    pulled = taut(line, unit_normal, unit_outward=outward)
    return LaidTape(
        points_mm=pulled.points_mm,
        skin_mm=line,
        drawn_mm=float(nearest_on(pulled.points_mm, towards)[0]),
        taut=pulled,
    )


def _apart(start: FloatArray, towards: FloatArray, least_mm: float = 20.0) -> None:
    gap = float(np.linalg.norm(towards - start))
    if gap < least_mm:
        raise FieldRefused(
            found=f"the two ends of the tape lie {gap:.0f} mm apart",
            expected=f"at least {least_mm:.0f} mm",
            next_step="draw the tape further",
        )


def _frame_through(frame: HeadFrame, start: FloatArray, towards: FloatArray) -> HeadFrame:
    """The head's frame turned into the plane through two points and its own middle."""
    from entrypoint.anatomy.frame import frame_from

    normal = np.cross(start - frame.origin_mm, towards - frame.origin_mm)
    size = float(np.linalg.norm(normal))
    if size < 1e-6:
        raise FieldRefused(
            found="the two ends of the tape and the middle of the head lie on one line",
            expected="a tape over the top of the head",
            next_step="draw it to a point on top of the head",
        )
    normal = normal / size
    normal = normal if normal @ frame.unit_right > 0 else -normal
    return frame_from(frame.origin_mm, normal, frame.unit_anterior)
