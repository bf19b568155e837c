"""The second score: what the trainee would do, against what the plan's findings ask."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from entrypoint.planning.depths import scalp_stop_withheld
from entrypoint.planning.model import Finding, Level, Plan, Seat, Side
from entrypoint.rehearsal.marks import Decision, Marks
from entrypoint.report.rounding import up
from entrypoint.report.wording import SIDE_WORDS

if TYPE_CHECKING:
    from entrypoint.rehearsal.own_path import OwnPath

__all__ = ["Failure", "Judgement", "Verdict", "asked_of", "judge"]

# Findings that change what would be done at this point; other cautions are about a figure's error.
_CHANGE = (
    "suture-margin",
    "midline-margin",
    "sinus-envelope",
    "scalp-swelling",
    "skull-thin",
    "asymmetry",
    "frontal-sinus",
    "metal",
)


class Verdict(StrEnum):
    """How a decision compares with what the findings ask; never summed with millimetres."""

    AGREES = "agrees"
    MORE_CAUTIOUS = "more cautious"
    LESS_CAUTIOUS = "less cautious"
    NOT_GIVEN = "not given"


class Failure(StrEnum):
    """What fails an attempt whatever its millimetres."""

    WRONG_SIDE = "wrong side"
    WRONG_SEAT = "wrong seat"
    PAST_INNER = "past the inner table"
    SINUS = "sinus envelope entered"
    WENT_ON = "going ahead on a stop"


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """The judgement score."""

    decision: Decision | None
    asked: Decision
    verdict: Verdict
    fails: tuple[Failure, ...]
    reasons: tuple[str, ...]  # one sentence each: of the decision, then of each failure

    @property
    def failed(self) -> bool:
        """Whether it fails, whatever the millimetres."""
        return bool(self.fails)


def asked_of(plan: Plan, side: Side) -> tuple[Decision, tuple[Finding, ...]]:
    """What the findings of a side and of the whole head ask, and which findings those are."""
    found = (*plan.findings, *plan.sides[side].findings)
    stops = tuple(f for f in found if f.level is Level.STOP)
    if stops:
        return Decision.STOP, stops
    cautions = tuple(f for f in found if f.level is Level.CAUTION and f.code in _CHANGE)
    return (Decision.CHANGE, cautions) if cautions else (Decision.GO, ())


def judge(
    plan: Plan,
    marks: Marks,
    path: OwnPath | None,
    *,
    lies_on: Side,
    asked_side: Side | None,
    asked_seat: Seat | None,
    past_inner_mm: float | None,
    most_past_mm: float,
) -> Judgement:
    """Judge an attempt.

    Parameters
    ----------
    plan : Plan
    marks : Marks
    path : OwnPath or None
        None where nothing could be measured at the mark.
    lies_on : Side
        Side of the midsagittal plane on which the mark lies.
    asked_side, asked_seat
        As the exercise states them; None where it does not.
    past_inner_mm : float or None
        How deep the bit passes the inner table.
    most_past_mm : float
        Farther than this fails.
    """
    side = marks.side if marks.side in plan.sides else lies_on
    asked, why = asked_of(plan, side)
    verdict, reasons = _decided(marks.decision, asked, why)
    fails: list[Failure] = []

    def fail(what: Failure, sentence: str) -> None:
        fails.append(what)
        reasons.append(sentence)

    if asked_side is not None and marks.side is not asked_side:
        fail(
            Failure.WRONG_SIDE,
            f"The exercise asks for the {SIDE_WORDS[asked_side]}, and the "
            f"{SIDE_WORDS[marks.side]} was chosen.",
        )
    elif lies_on is not marks.side:
        fail(
            Failure.WRONG_SIDE,
            f"The {SIDE_WORDS[marks.side]} was chosen, and the mark lies on the "
            f"{SIDE_WORDS[lies_on]}.",
        )
    seat = _seat(plan, marks, side, asked_seat)
    if seat is not None:
        fail(Failure.WRONG_SEAT, seat)
    if past_inner_mm is not None and past_inner_mm > most_past_mm:
        fail(
            Failure.PAST_INNER,
            f"At this stop the bit would pass the inner table by {up(past_inner_mm):.1f} mm, over "
            f"{most_past_mm:g} mm.",
        )
    if path is not None and path.sinus_mm is not None and path.sinus_mm < 0.0:
        fail(
            Failure.SINUS,
            f"The path enters the sagittal sinus envelope by {up(-path.sinus_mm):.1f} mm.",
        )
    if marks.decision is Decision.GO and asked is Decision.STOP:
        fail(Failure.WENT_ON, f"Going ahead on a stop finding: {_named(why)}.")
    return Judgement(
        decision=marks.decision,
        asked=asked,
        verdict=verdict,
        fails=tuple(fails),
        reasons=tuple(reasons),
    )


_WORDS = {
    Decision.GO: "go ahead",
    Decision.CHANGE: "change the point, the path or the setting",
    Decision.STOP: "stop and call",
}
_CAUTION = (Decision.GO, Decision.CHANGE, Decision.STOP)


def _decided(
    decision: Decision | None, asked: Decision, why: tuple[Finding, ...]
) -> tuple[Verdict, list[str]]:
    because = f" ({_named(why)})" if why else ", because no finding asks for more"
    if decision is None:
        return Verdict.NOT_GIVEN, [
            f"No decision was given; the findings ask to {_WORDS[asked]}{because}."
        ]
    step = _CAUTION.index(decision) - _CAUTION.index(asked)
    if step == 0:
        return Verdict.AGREES, [f"To {_WORDS[asked]} is what the findings ask{because}."]
    more = Verdict.MORE_CAUTIOUS if step > 0 else Verdict.LESS_CAUTIOUS
    return more, [
        f"To {_WORDS[decision]} is {more.value} than the findings, which ask to "
        f"{_WORDS[asked]}{because}."
    ]


def _named(why: tuple[Finding, ...]) -> str:
    from entrypoint.planning.finding_kinds import kind

    return "; ".join(dict.fromkeys(kind(f.code).title.lower() for f in why))


def _seat(plan: Plan, marks: Marks, side: Side, asked: Seat | None) -> str | None:
    """Why the seat is wrong, or None."""
    if marks.seat is None or marks.stop_mm is None:
        return None
    if asked is not None and marks.seat is not asked:
        return (
            f"The exercise asks for a stop seated on {asked.value}, and the stop was set for "
            f"{marks.seat.value}."
        )
    withheld = scalp_stop_withheld(plan.sides[side].thickness)
    if marks.seat is Seat.SCALP and withheld is not None:
        return f"No stop can be seated on the scalp here: {withheld}."
    return None
