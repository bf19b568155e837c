"""The two scores: what fails whatever the millimetres, and what is measured at the mark."""

from __future__ import annotations

import json

import numpy as np
import pytest

from entrypoint.errors import FieldRefused
from entrypoint.planning.model import CAVEAT, Seat, Side
from entrypoint.rehearsal.judgement import Failure, Verdict
from entrypoint.rehearsal.marks import parse_marks
from entrypoint.rehearsal.scoring import score
from entrypoint.rehearsal.tape import lateral_tape, skin_at, tape_along


def scored(head, marks, /, asked_side=None, asked_seat=None, **changes):
    return score(
        head, parse_marks({**marks, **changes}), asked_side=asked_side, asked_seat=asked_seat
    )


def test_the_truth_itself_is_no_error(adult_head, perfect):
    made = scored(adult_head, perfect, asked_side=Side.RIGHT, asked_seat=Seat.BONE)
    hand = made.hand
    for offset in (hand.nasion, hand.by_eye, hand.entry):
        assert offset.along_scalp_mm < 0.1
    assert hand.tilt_deg < 0.2
    assert hand.off_plan_deg == pytest.approx(0.0, abs=1e-6)
    planned = adult_head.plan.sides["right"]
    # The same numbers as everywhere else.
    assert hand.bone_along_path_mm == pytest.approx(planned.thickness.skull_mm, abs=0.05)
    assert hand.past_inner_mm == pytest.approx(5.0 - planned.thickness.skull_mm, abs=0.05)
    assert hand.tip_error_mm == pytest.approx(0.0, abs=0.05)
    assert hand.tip_from_plan_mm < 0.15
    margins = {m.name: m.value_mm for m in hand.margins}
    assert margins["midline"] == pytest.approx(planned.clearance.midline_scalp_mm, abs=0.05)
    assert margins["sinus"] == pytest.approx(planned.clearance.sinus_mm, abs=0.05)
    assert margins["suture"] == pytest.approx(planned.clearance.suture_nearest_mm, abs=0.15)
    assert all(m.broken_by_mm == 0.0 for m in hand.margins)
    assert (made.judgement.verdict, made.judgement.fails) == (Verdict.AGREES, ())
    assert not made.judgement.failed


def test_the_score_as_json(adult_head, perfect):
    told = json.loads(json.dumps(scored(adult_head, perfect).to_json(), allow_nan=False))
    assert told["caveat"] == CAVEAT
    assert told["banner"] == "PRACTICE HEAD, NOT A PATIENT"
    assert "no palpation" in told["teaches"]
    assert "competence" in told["teaches"]
    assert "never summed" in told["two_scores"]
    assert told["seconds"] == {"nasion": 3.5, "entry": 20.0, "total": 23.5}
    truth = told["truth"]
    planned = adult_head.plan.sides["right"]
    assert truth["entry_mm"] == pytest.approx(planned.scalp_entry_mm.tolist(), abs=1e-3)
    for curve in ("midline_tape_mm", "lateral_tape_mm", "suture_mm", "midline_mm"):
        assert np.array(truth[curve]).shape[1] == 3
    text = json.dumps(told).lower()
    for word in ("safe", " ok ", "total score", "points"):
        assert word not in text
    # Nothing adds the two up: each has figures of its own, and time is in neither.
    assert "seconds" not in json.dumps(told["hand"]) + json.dumps(told["judgement"])


def test_wrong_side_fails_whatever_the_millimetres(adult_head, perfect):
    made = scored(adult_head, perfect, asked_side=Side.LEFT)
    assert made.hand.entry.along_scalp_mm < 0.1
    assert made.judgement.fails == (Failure.WRONG_SIDE,)
    assert "PATIENT'S LEFT" in made.judgement.reasons[1]
    # Typed as the other side than that on which it lies: no sign of a coordinate decides.
    crossed = scored(adult_head, perfect, side="left")
    assert crossed.judgement.fails == (Failure.WRONG_SIDE,)
    assert crossed.hand.entry.along_scalp_mm > 40.0
    assert crossed.hand.entry.left_right_mm > 40.0


def test_wrong_seat(adult_head, perfect):
    assert scored(adult_head, perfect, asked_seat=Seat.SCALP).judgement.fails == (
        Failure.WRONG_SEAT,
    )
    on_scalp = scored(adult_head, perfect, seat="scalp", stop_mm=10.0)
    assert on_scalp.judgement.fails == ()
    scalp = adult_head.plan.sides["right"].thickness
    assert on_scalp.hand.past_inner_mm == pytest.approx(
        10.0 - scalp.scalp_mm - scalp.skull_mm, abs=0.15
    )


def test_past_the_inner_table(adult_head, perfect):
    skull = adult_head.plan.sides["right"].thickness.skull_mm
    near = scored(adult_head, perfect, stop_mm=skull + 2.8)
    assert near.judgement.fails == ()
    far = scored(adult_head, perfect, stop_mm=skull + 3.3)
    assert far.judgement.fails == (Failure.PAST_INNER,)
    assert far.hand.past_inner_mm == pytest.approx(3.3, abs=0.1)
    assert "mm past the inner table" in far.to_json()["hand"]["words"]["stop"]
    limited = score(
        adult_head, parse_marks({**perfect, "stop_mm": skull + 2.0}), most_past_inner_mm=1.0
    )
    assert limited.judgement.fails == (Failure.PAST_INNER,)


def test_a_path_into_the_sinus_envelope(adult_head, perfect):
    site = adult_head.parts.sites[Side.RIGHT]
    near = skin_at(adult_head, site.entry.midline_point_mm + 6.0 * site.entry.unit_lateral)
    made = scored(adult_head, perfect, entry_mm=near.tolist(), stop_mm=None, sensor_depth_mm=None)
    assert Failure.SINUS in made.judgement.fails
    margins = {m.name: m for m in made.hand.margins}
    assert margins["midline"].broken_by_mm == pytest.approx(4.0, abs=0.5)
    assert margins["sinus"].broken_by_mm > 0.0
    assert made.hand.past_inner_mm is None


def test_decisions_against_the_findings(small_head_on_stage, adult_head, perfect):
    plan = small_head_on_stage.plan.sides["right"]
    marks = {
        **perfect,
        "nasion_mm": small_head_on_stage.plan.landmarks["nasion_skin"].position_mm.tolist(),
        "by_eye_mm": None,
        "entry_mm": plan.scalp_entry_mm.tolist(),
        "unit_inward": plan.unit_inward.tolist(),
        "stop_mm": 4.0,
        "sensor_depth_mm": None,
    }
    go = scored(small_head_on_stage, marks, decision="go")
    assert go.judgement.verdict is Verdict.LESS_CAUTIOUS
    assert go.hand.target == "rule"
    broken = {m.name: m.broken_by_mm for m in go.hand.margins}
    assert broken["suture"] == pytest.approx(
        10.0 - plan.clearance.suture_nearest_mm, abs=0.15
    )
    change = scored(small_head_on_stage, marks, decision="change")
    assert change.judgement.verdict is Verdict.AGREES
    # Decided on a change and marked the rule's point all the same: as far off as the move is.
    assert change.hand.target == "moved"
    moved = plan.moved
    assert change.hand.entry.front_back_mm == pytest.approx(-(110 - moved.midline_arc_mm), abs=0.5)
    there = scored(
        small_head_on_stage, marks, decision="change", entry_mm=moved.scalp_entry_mm.tolist()
    )
    assert there.hand.entry.along_scalp_mm < 0.2
    assert all(m.broken_by_mm < 0.2 for m in there.hand.margins)
    stop = scored(small_head_on_stage, marks, decision="stop")
    assert stop.judgement.verdict is Verdict.MORE_CAUTIOUS
    assert not stop.judgement.failed


def test_going_ahead_on_a_stop(adult_head, perfect):
    from dataclasses import replace

    from entrypoint.planning.model import Finding, Level

    planned = adult_head.plan.sides[Side.RIGHT]
    finding = Finding(code="bone-missing", level=Level.STOP, text="bone is missing")
    sides = {**adult_head.plan.sides, Side.RIGHT: replace(planned, findings=(finding,))}
    head = replace(adult_head, plan=replace(adult_head.plan, sides=sides))
    went = scored(head, perfect)
    assert went.judgement.fails == (Failure.WENT_ON,)
    assert "no sound bone" in went.judgement.reasons[-1]
    assert scored(head, perfect, decision="change").judgement.verdict is Verdict.LESS_CAUTIOUS
    assert scored(head, perfect, decision="stop").judgement.verdict is Verdict.AGREES
    left = {**perfect, "side": "left",
            "entry_mm": adult_head.plan.sides["left"].scalp_entry_mm.tolist()}  # fmt: skip
    assert scored(head, left).judgement.verdict is Verdict.AGREES


def test_marks_away_from_the_head_are_refused(adult_head, perfect):
    off = (np.array(perfect["entry_mm"]) * 1.3).tolist()
    for name in ("entry_mm", "nasion_mm", "by_eye_mm"):
        with pytest.raises(FieldRefused, match=r"(?i)away from the skin"):
            scored(adult_head, perfect, **{name: off})
    for point in ([0.0, 0.0, 0.0], [4000.0, 0.0, 0.0]):
        with pytest.raises(FieldRefused, match=r"(?i)away from the skin"):
            scored(adult_head, perfect, entry_mm=point)


def test_a_drill_that_points_out_of_the_head(adult_head, perfect):
    out = [-v for v in perfect["unit_inward"]]
    made = scored(adult_head, perfect, unit_inward=out)
    assert made.hand.tilt_deg > 170.0
    assert made.hand.past_inner_mm is None
    words = made.to_json()["hand"]["words"]
    assert "does not lead into the head" in words["stop"]


def test_bone_beside_and_on_a_seen_suture_is_measured(adult_head, perfect):
    """A seen suture is no missing bone; its margin is what is broken there."""
    parts = adult_head.parts
    plane = parts.midsagittal
    curve = parts.suture.curve_mm
    at = curve[int(np.argmin(np.abs(plane.signed_distance_mm(curve) - 30.0)))]
    out = at - parts.head.frame.origin_mm
    ahead = 4.0 * parts.head.frame.unit_anterior
    mark = skin_at(adult_head, at + ahead + 7.0 * out / np.linalg.norm(out))
    made = scored(adult_head, perfect, entry_mm=mark.tolist())
    suture = next(m for m in made.hand.margins if m.name == "suture")
    assert 0.0 < suture.value_mm < 9.0
    assert suture.broken_by_mm > 1.0
    assert made.path.no_bone is None
    assert made.hand.past_inner_mm is not None


def test_no_bone_no_depth(adult_head, perfect):
    """A hole in the bone under the mark: null, never zero, and the sentence says why."""
    from dataclasses import replace

    head = adult_head.parts.head
    stored = np.array(head.volume.stored)
    index = np.argwhere(stored > 250)
    points = head.volume.grid.world(index) - np.array(perfect["entry_mm"])
    inward = np.array(perfect["unit_inward"])
    along = points @ inward
    aside = np.linalg.norm(points - along[:, None] * inward, axis=1)
    hole = index[(aside < 7.0) & (np.abs(along) < 30.0)]
    stored[tuple(hole.T)] = 40
    holed = replace(head, volume=replace(head.volume, stored=stored))
    made = scored(replace(adult_head, parts=replace(adult_head.parts, head=holed)), perfect)
    assert made.hand.past_inner_mm is None
    assert made.hand.tip_error_mm is None
    assert made.hand.entry.along_scalp_mm < 0.2
    words = made.to_json()["hand"]["words"]
    assert "cannot be told: bone is missing" in words["stop"]


def test_a_mark_far_away_is_still_measured(adult_head, perfect):
    """On the back of the head: no margin is invented there, and the way is along the scalp."""
    behind = adult_head.parts.tape.profile_mm[-60]
    mark = skin_at(adult_head, behind + 15.0 * adult_head.parts.head.frame.unit_right)
    made = scored(adult_head, perfect, entry_mm=mark.tolist(), by_eye_mm=mark.tolist())
    assert made.hand.entry.along_scalp_mm > 80.0
    assert made.hand.entry.front_back_mm < -80.0


def test_tapes_laid_by_hand_are_those_of_the_rule(adult_head):
    """Through the true midline, and at right angles to it, they lead to the plan's own points."""
    parts = adult_head.parts
    nasion = parts.head.nasion_skin_mm
    tape = tape_along(adult_head, nasion, parts.tape.profile_mm[len(parts.tape.profile_mm) // 2])
    for side in (Side.RIGHT, Side.LEFT):
        entry = parts.sites[side].entry
        assert tape.at(110.0) == pytest.approx(entry.midline_point_mm, abs=0.2)
        across = entry.lateral_profile_mm[len(entry.lateral_profile_mm) // 2]
        lateral = lateral_tape(adult_head, tape.at(110.0), across)
        assert lateral.at(30.0) == pytest.approx(entry.scalp_entry_mm, abs=0.3)
        assert lateral.length_mm > 60.0
    told = tape.to_json()
    assert [t["cm"] for t in told["ticks"]][:12] == list(range(12))
    assert told["ticks"][11]["point_mm"] == pytest.approx(
        parts.sites[Side.RIGHT].entry.midline_point_mm.tolist(), abs=0.5
    )
    assert np.diff(told["arc_mm"]).min() > 0.0
    # A tape drawn askew leads elsewhere: at 110 mm about 110 / 140 of what it is off at 140.
    askew = tape_along(
        adult_head, nasion, skin_at(adult_head, tape.at(140.0) + 10.0 * parts.head.frame.unit_right)
    )
    off = parts.midsagittal.distance_of_mm(askew.at(110.0))
    assert 6.0 < off < 11.0


def test_tapes_that_cannot_be_laid(adult_head):
    nasion = adult_head.parts.head.nasion_skin_mm
    with pytest.raises(FieldRefused, match="apart"):
        tape_along(adult_head, nasion, nasion + np.array([1.0, 0.0, 0.5]))
    with pytest.raises(FieldRefused, match=r"(?i)away from the skin"):
        tape_along(adult_head, nasion, [0.0, 0.0, 400.0])
    with pytest.raises(FieldRefused, match=r"(?i)away from the skin"):
        lateral_tape(adult_head, [0.0, 0.0, 0.0], nasion)
