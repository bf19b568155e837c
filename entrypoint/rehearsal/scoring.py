"""What an attempt is worth: two scores, never summed.

*Hand*: how far each mark lies from the truth, in millimetres along the scalp and in degrees.
*Judgement*: what would be done, against what the findings ask (:mod:`.judgement`).
The truth is the plan's own, made by :mod:`entrypoint.planning` on the same volume.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import EntrypointError, FieldRefused, MeasurementError
from entrypoint.planning.ct_site import place_on_ct
from entrypoint.planning.entry import Entry, side_sign
from entrypoint.planning.model import Seat, Side
from entrypoint.reference import value
from entrypoint.rehearsal.judgement import Judgement, judge
from entrypoint.rehearsal.marks import Decision, Marks
from entrypoint.rehearsal.own_path import OwnPath, read_own_path
from entrypoint.rehearsal.ruler import Offset, offset_along, skin_section
from entrypoint.rehearsal.surface import skin_near

if TYPE_CHECKING:
    from entrypoint.rehearsal.heads import StageHead

__all__ = ["Hand", "Margin", "Score", "score"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Margin:
    """One margin at the trainee's own point and along the trainee's own path.

    ``broken_by_mm`` is 0 where it holds, and None where it could not be measured.
    """

    name: str  # "suture", "midline" or "sinus"
    value_mm: float | None
    limit_mm: float
    broken_by_mm: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Hand:
    """The hand score: millimetres and degrees.

    Parameters
    ----------
    nasion, by_eye, entry : Offset or None
        Of each mark from its true point, along the scalp.
    target : str
        ``rule`` or ``moved``: the point that the entry is compared with.
    tilt_deg, lean_front_deg, lean_midline_deg : float or None
        From square to the bone at the trainee's own point; towards where the deep end leans.
    off_plan_deg : float or None
        Between the trainee's direction and the plan's.
    margins : tuple of Margin
    past_inner_mm : float or None
        How deep the bit passes the inner table at the typed stop, along the trainee's own path;
        negative while it is still in bone.
    tip_below_inner_mm, tip_error_mm : float or None
        Depth of the sensor's tip, and what it lies deeper than asked.
    tip_from_plan_mm : float or None
        Straight distance between the trainee's tip and the plan's.
    """

    nasion: Offset | None
    by_eye: Offset | None
    entry: Offset
    target: str
    tilt_deg: float | None
    lean_front_deg: float | None
    lean_midline_deg: float | None
    off_plan_deg: float | None
    margins: tuple[Margin, ...]
    past_inner_mm: float | None
    bone_along_path_mm: float | None
    scalp_along_path_mm: float | None
    tip_below_inner_mm: float | None
    tip_error_mm: float | None
    tip_from_plan_mm: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """Two scores of one attempt, what they rest on, and why."""

    head: StageHead
    marks: Marks
    side: Side  # of the truth that the marks are compared with
    asked_side: Side | None
    hand: Hand
    judgement: Judgement
    target: Entry
    path: OwnPath | None
    not_measured: str  # why there are no margins at the mark; empty where there are

    def to_json(self) -> dict[str, Any]:
        """Everything as plain values, with its words and the truth to draw."""
        from entrypoint.rehearsal.words import score_json

        return score_json(self)


def score(
    head: StageHead,
    marks: Marks,
    *,
    asked_side: Side | None = None,
    asked_seat: Seat | None = None,
    most_past_inner_mm: float | None = None,
) -> Score:
    """Score one attempt.

    Parameters
    ----------
    head : StageHead
    marks : Marks
    asked_side, asked_seat : optional
        What the exercise states; without them no side and no seat is wrong for that reason.
    most_past_inner_mm : float, optional
        Farther past the inner table fails; by default the reference row ``past_inner_table``.

    Raises
    ------
    FieldRefused
        A mark lies more than 8 mm from the skin.
    MeasurementError
        The side of the marks cannot be measured on this scan.
    """
    parts, plan = head.parts, head.plan
    ct, plane = parts.head, parts.midsagittal
    entry_mm = _on_skin(head, marks.entry_mm, "entry")
    lies_on = Side.RIGHT if plane.distance_of_mm(entry_mm) > 0.0 else Side.LEFT
    side = marks.side
    if side not in parts.sites:
        raise MeasurementError(
            found=f"the patient's {side.value} cannot be measured on this scan",
            expected="a side whose point is in view",
            next_step="practise on the other side",
        )
    target, moved = _target(head, marks, side)
    section = partial(skin_section, ct)
    outward = _outward_of(target, ct.frame.origin_mm)

    def from_entry(mark: FloatArray) -> Offset:
        return offset_along(
            section,
            true_mm=target.scalp_entry_mm,
            mark_mm=mark,
            unit_outward=outward,
            unit_backward=target.unit_backward,
            unit_right=plane.unit_normal,
        )

    nasion = None
    if marks.nasion_mm is not None:
        nasion = _from_nasion(head, _on_skin(head, marks.nasion_mm, "nasion"))
    by_eye = None
    if marks.by_eye_mm is not None:
        by_eye = from_entry(_on_skin(head, marks.by_eye_mm, "entry by eye"))
    path: OwnPath | None = None
    not_measured = ""
    try:
        path = read_own_path(parts, lies_on, entry_mm, marks.unit_inward, target.unit_backward)
    except EntrypointError as error:
        not_measured = str(error)
    hand = _hand(head, marks, side, path, nasion, by_eye, from_entry(entry_mm), moved, entry_mm)
    limit = value("past_inner_table") if most_past_inner_mm is None else most_past_inner_mm
    return Score(
        head=head,
        marks=marks,
        side=side,
        asked_side=asked_side,
        hand=hand,
        judgement=judge(
            plan,
            marks,
            path,
            lies_on=lies_on,
            asked_side=asked_side,
            asked_seat=asked_seat,
            past_inner_mm=hand.past_inner_mm,
            most_past_mm=limit,
        ),
        target=target,
        path=path,
        not_measured=not_measured or ("" if path is None else path.no_bone or ""),
    )


def _on_skin(head: StageHead, point_mm: FloatArray, what: str) -> FloatArray:
    try:
        return skin_near(head.parts.head, point_mm)[0]
    except FieldRefused as error:
        raise FieldRefused(
            found=f"{what}: {error.found}", expected=error.expected, next_step=error.next_step
        ) from None


def _target(head: StageHead, marks: Marks, side: Side) -> tuple[Entry, bool]:
    """The point to compare with: the rule's, or the moved one where a change was decided on."""
    moved = head.plan.sides[side].moved
    change = marks.decision is Decision.CHANGE
    if change and moved is not None and moved.exists and moved.midline_arc_mm is not None:
        parts = head.parts
        entry, _ = place_on_ct(
            parts.head, parts.tape, parts.midsagittal, parts.rule, side,
            moved.midline_arc_mm, moved.lateral_arc_mm,
        )  # fmt: skip
        return entry, True
    return head.parts.sites[side].entry, False


def _outward_of(entry: Entry, inside_mm: FloatArray) -> FloatArray:
    """Outward direction of the skin at an entry, as both tapes run there."""
    out = np.cross(entry.unit_across, entry.unit_along)
    out = out / np.linalg.norm(out)
    return np.asarray(out if out @ (entry.scalp_entry_mm - inside_mm) > 0.0 else -out)


def _from_nasion(head: StageHead, mark: FloatArray) -> Offset:
    """Of the nasion: the tape's own direction at its start says what is in front."""
    parts = head.parts
    frame = parts.head.frame
    true = parts.head.nasion_skin_mm
    # The nasal root is a hollow: its outward direction is that of the ray from the head's middle.
    out = true - frame.origin_mm
    out = out - (out @ frame.unit_right) * frame.unit_right
    return offset_along(
        partial(skin_section, parts.head),
        true_mm=true,
        mark_mm=mark,
        unit_outward=out / np.linalg.norm(out),
        unit_backward=frame.unit_superior,
        unit_right=frame.unit_right,
    )


def _hand(
    head: StageHead,
    marks: Marks,
    side: Side,
    path: OwnPath | None,
    nasion: Offset | None,
    by_eye: Offset | None,
    entry: Offset,
    moved: bool,
    entry_mm: FloatArray,
) -> Hand:
    rule, planned = head.parts.rule, head.plan.sides[side]
    aimed = marks.unit_inward is not None and path is not None
    off_plan = past = below = from_plan = None
    if marks.unit_inward is not None and planned.unit_inward is not None:
        off_plan = _angle_deg(marks.unit_inward, planned.unit_inward)
    skull = None if path is None else path.skull_mm
    scalp = None if path is None else path.scalp_mm
    seat_mm = None
    if skull is not None and scalp is not None and marks.seat is not None:
        seat_mm = skull if marks.seat is Seat.BONE else scalp + skull
    if seat_mm is not None and marks.stop_mm is not None:
        past = marks.stop_mm - seat_mm
    if seat_mm is not None and marks.sensor_depth_mm is not None:
        below = marks.sensor_depth_mm - seat_mm
        assert path is not None
        assert path.inner_mm is not None
        if planned.sensor_tip_mm is not None:
            tip = path.inner_mm + below * path.unit_inward
            from_plan = float(np.linalg.norm(tip - planned.sensor_tip_mm))
    margins = (
        _margin("suture", None if path is None else path.suture_mm, rule.suture_margin_mm),
        _margin("midline", _to_midline(head, side, entry_mm), rule.midline_margin_mm),
        _margin("sinus", None if path is None else path.sinus_mm, rule.sinus_margin_mm),
    )
    return Hand(
        nasion=nasion,
        by_eye=by_eye,
        entry=entry,
        target="moved" if moved else "rule",
        tilt_deg=path.tilt_deg if aimed and path is not None else None,
        lean_front_deg=path.lean_front_deg if aimed and path is not None else None,
        lean_midline_deg=path.lean_midline_deg if aimed and path is not None else None,
        off_plan_deg=off_plan,
        margins=margins,
        past_inner_mm=past,
        bone_along_path_mm=skull,
        scalp_along_path_mm=scalp,
        tip_below_inner_mm=below,
        tip_error_mm=None if below is None else below - rule.sensor_depth_mm,
        tip_from_plan_mm=from_plan,
    )


def _to_midline(head: StageHead, side: Side, point_mm: FloatArray) -> float:
    return side_sign(side) * float(head.parts.midsagittal.distance_of_mm(point_mm))


def _margin(name: str, found: float | None, limit: float) -> Margin:
    return Margin(
        name=name,
        value_mm=found,
        limit_mm=limit,
        broken_by_mm=None if found is None else max(limit - found, 0.0),
    )


def _angle_deg(a: FloatArray, b: FloatArray) -> float:
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(a, b)), a @ b)))
