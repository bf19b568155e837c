"""An attempt in words, and as plain values for a page, a file or the store."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from entrypoint.geometry.polylines import between, resample
from entrypoint.io.plain_values import plain
from entrypoint.planning.model import CAVEAT, SIDES_NOTE, Level, Seat
from entrypoint.rehearsal.marks import marks_json
from entrypoint.rehearsal.ruler import Offset
from entrypoint.rehearsal.scoring import Hand, Margin, Score
from entrypoint.report.rounding import down, up
from entrypoint.report.wording import PRACTICE_BANNER, SEAT_WORDS, SIDE_WORDS

__all__ = ["TEACHES", "as_lines", "offset_words", "score_json", "truth_json"]

FloatArray = NDArray[np.float64]
TEACHES = (
    "It teaches no palpation and shows no competence: a screen has no bone to feel, and a mark on "
    "one says nothing about a hand at a bedside."
)
NOT_SUMMED = "Two scores, never summed: the hand in millimetres and degrees, and the judgement."
_SMALL_MM, _SMALL_DEG = 0.05, 0.05
_MARGIN_NAMES = {
    "suture": "in front of the coronal suture, along the bone",
    "midline": "from the midline on the scalp",
    "sinus": "outside the sagittal sinus envelope",
}


def offset_words(offset: Offset, *, front: str = "in front of", back: str = "behind") -> str:
    """Where a mark lies, seen from the true point.

    Examples
    --------
    >>> offset_words(Offset(along_scalp_mm=5.0, straight_mm=5.0, front_back_mm=-3.0,
    ...                     left_right_mm=4.0, by_tape=True))
    "5.0 mm along the scalp from the true point: 3.0 mm behind it and 4.0 mm towards the PATIENT'S \
RIGHT"
    """
    how = "along the scalp" if offset.by_tape else "in a straight line (no tape can be laid)"
    parts = []
    if abs(offset.front_back_mm) >= _SMALL_MM:
        word = front if offset.front_back_mm > 0 else back
        parts.append(f"{abs(offset.front_back_mm):.1f} mm {word} it")
    if abs(offset.left_right_mm) >= _SMALL_MM:
        side = "RIGHT" if offset.left_right_mm > 0 else "LEFT"
        parts.append(f"{abs(offset.left_right_mm):.1f} mm towards the PATIENT'S {side}")
    where = f": {' and '.join(parts)}" if parts else ""
    return f"{offset.along_scalp_mm:.1f} mm {how} from the true point{where}"


def as_lines(score: Score) -> dict[str, str]:
    """One plain sentence for each thing that is scored, by its name."""
    hand = score.hand
    out: dict[str, str] = {}
    if hand.nasion is not None:
        words = offset_words(hand.nasion, front="below", back="above")
        out["nasion"] = (
            f"The nasion lies {words}; the tape starts there, so that the error is carried to the "
            "entry."
        )
    if hand.by_eye is not None:
        out["by_eye"] = f"By eye, the entry lies {offset_words(hand.by_eye)}."
    point = "the rule's point" if hand.target == "rule" else (
        "the nearest point at which every margin holds, because a change was decided on"
    )
    out["entry"] = f"The entry lies {offset_words(hand.entry)}; the true point is {point}."
    if hand.tilt_deg is not None:
        out["tilt"] = _tilt(hand)
    for margin in hand.margins:
        out[f"margin_{margin.name}"] = _margin(margin)
    out |= _depths(score)
    return out


def _tilt(hand: Hand) -> str:
    assert hand.tilt_deg is not None
    parts = []
    front, midline = hand.lean_front_deg or 0.0, hand.lean_midline_deg or 0.0
    if abs(front) >= _SMALL_DEG:
        parts.append(f"{abs(front):.1f} degrees to the {'front' if front > 0 else 'back'}")
    if abs(midline) >= _SMALL_DEG:
        way = "towards" if midline > 0 else "away from"
        parts.append(f"{abs(midline):.1f} degrees {way} the midline")
    lean = f": its deep end leans {' and '.join(parts)}" if parts else ""
    return (
        f"The drill is held {hand.tilt_deg:.1f} degrees from square to the bone at the marked "
        f"point{lean}; a leaning path is longer in bone and ends elsewhere."
    )


def _margin(margin: Margin) -> str:
    where = _MARGIN_NAMES[margin.name]
    limit = f"{margin.limit_mm:g} mm"
    if margin.value_mm is None or margin.broken_by_mm is None:
        return f"The distance {where} could not be measured at this mark."
    figure = f"{down(margin.value_mm):.1f} mm"
    if margin.broken_by_mm > 0.0 and not margin.limit_mm > 0.0:
        return f"The path lies {up(margin.broken_by_mm):.1f} mm inside the sagittal sinus envelope."
    if margin.broken_by_mm > 0.0:
        return (
            f"The path lies {figure} {where}: the margin of {limit} is broken by "
            f"{up(margin.broken_by_mm):.1f} mm."
        )
    asked = f"; the margin asked is {limit}" if margin.limit_mm > 0.0 else ""
    return f"The path lies {figure} {where}{asked}."


def _depths(score: Score) -> dict[str, str]:
    hand, marks = score.hand, score.marks
    out: dict[str, str] = {}
    seat = "" if marks.seat is None else SEAT_WORDS[marks.seat]
    unknown = f"cannot be told: {_lower(score.not_measured)}" if score.not_measured else (
        "cannot be told"
    )
    if marks.stop_mm is not None:
        if hand.past_inner_mm is None:
            out["stop"] = f"How deep the bit would reach {unknown.rstrip('.')}."
        else:
            bone = f"{down(hand.bone_along_path_mm or 0.0):.1f} mm of bone"
            if marks.seat is Seat.SCALP:
                bone = f"{down(hand.scalp_along_path_mm or 0.0):.1f} mm of scalp and {bone}"
            past = hand.past_inner_mm
            ends = (
                f"{up(past):.1f} mm past the inner table"
                if past > 0.0
                else f"{down(-past):.1f} mm short of the inner table"
            )
            out["stop"] = (
                f"With {marks.stop_mm:g} mm of bit free and the stop seated {seat} the very point "
                f"ends {ends}, because this path has {bone}."
            )
    if marks.sensor_depth_mm is not None:
        if hand.tip_error_mm is None:
            out["tip"] = f"How deep the sensor's tip would lie {unknown.rstrip('.')}."
        else:
            deep = hand.tip_below_inner_mm or 0.0
            place = f"{abs(deep):.1f} mm {'below' if deep >= 0 else 'above'} the inner table"
            wrong = hand.tip_error_mm
            out["tip"] = (
                f"With {marks.sensor_depth_mm:g} mm from the "
                f"{'bone' if marks.seat is Seat.BONE else 'scalp'} the sensor's tip lies {place}, "
                f"{abs(wrong):.1f} mm {'deeper' if wrong >= 0 else 'less deep'} than asked."
            )
    return out


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]


def score_json(score: Score) -> dict[str, Any]:
    """The whole score as plain values, with its words, and with the truth to draw."""
    head, judged = score.head, score.judgement
    return {
        "record": "entrypoint.rehearsal.score",
        "version": 1,
        "caveat": CAVEAT,
        "sides_note": SIDES_NOTE,
        "banner": PRACTICE_BANNER if head.practice else None,
        "practice": head.practice,
        "teaches": TEACHES,
        "two_scores": NOT_SUMMED,
        "head": {"key": head.key, "title": head.title, "seed": head.seed,
                 "sha256": head.plan.input.sha256},
        "side": score.side.value,
        "side_words": SIDE_WORDS[score.side],
        "asked_side": None if score.asked_side is None else score.asked_side.value,
        "hand": {**plain(hand_values(score.hand), "hand"), "words": as_lines(score)},
        "judgement": {
            "decision": None if judged.decision is None else judged.decision.value,
            "asked": judged.asked.value,
            "verdict": judged.verdict.value,
            "failed": judged.failed,
            "fails": [f.value for f in judged.fails],
            "words": list(judged.reasons),
            "findings": [
                {"code": f.code, "level": f.level.value, "text": f.text}
                for f in (*head.plan.findings, *head.plan.sides[score.side].findings)
                if f.level is not Level.NOTE
            ],
        },
        "truth": truth_json(score),
        "marks": marks_json(score.marks),
        "seconds": {
            **{k: float(v) for k, v in score.marks.seconds.items()},
            "total": float(sum(score.marks.seconds.values())),
        },
    }  # fmt: skip


def hand_values(hand: Hand) -> dict[str, Any]:
    """The figures of the hand score by name."""
    return {name: getattr(hand, name) for name in Hand.__slots__}


def truth_json(score: Score) -> dict[str, Any]:
    """The truth to draw: points and curves, world mm."""
    parts, target = score.head.parts, score.target
    planned = score.head.plan.sides[score.side]
    rule = parts.sites[score.side].entry

    def listed(p: FloatArray | None) -> list[Any] | None:
        return None if p is None else np.round(p, 4).tolist()

    def thinned(curve: FloatArray) -> list[Any]:
        return np.round(resample(curve, 2.0), 3).tolist()  # type: ignore[no-any-return]

    lateral = target.lateral_tape
    reach = min(target.tapes.lateral_taut_mm + 10.0, lateral.length_mm)
    path = score.path
    return {
        "nasion_mm": listed(parts.head.nasion_skin_mm),
        "entry_mm": listed(target.scalp_entry_mm),
        "rule_entry_mm": listed(rule.scalp_entry_mm),
        "midline_point_mm": listed(target.midline_point_mm),
        "midline_arc_mm": target.tapes.midline_taut_mm,
        "lateral_arc_mm": target.tapes.lateral_taut_mm,
        "outer_mm": listed(planned.outer_table_mm),
        "inner_mm": listed(planned.inner_table_mm),
        "tip_mm": listed(planned.sensor_tip_mm),
        "unit_inward": listed(planned.unit_inward),
        "midline_tape_mm": thinned(parts.tape.tape.points_mm),
        "lateral_tape_mm": thinned(between(lateral.points_mm, 0.0, reach)),
        "suture_mm": thinned(parts.suture.curve_mm),
        "midline_mm": thinned(parts.tape.profile_mm),
        "suture_seen": parts.suture.how[score.side].value,
        "skull_mm": planned.thickness.skull_mm,
        "scalp_mm": planned.thickness.scalp_mm,
        "own_outer_mm": None if path is None else listed(path.outer_mm),
        "own_inner_mm": None if path is None else listed(path.inner_mm),
        "own_square": None if path is None else listed(path.unit_square),
    }
