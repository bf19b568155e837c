"""The two sides of a plan beside each other: what speaks for either, row by row.

Nothing is weighed, added up or ranked. A row speaks for a side only where the difference is
outside the 95 % interval of the difference itself: errors that move both sides alike drop out of
it, and the error of the one midsagittal plane, which moves them against each other, counts twice.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

from entrypoint.planning.model import (
    ComparisonRow,
    Finding,
    Level,
    Plan,
    Side,
    SideComparison,
    SidePlan,
)
from entrypoint.planning.odds import combined_sd, normal_quantile
from entrypoint.reference import row, value

__all__ = ["DIFFERS", "NO_DIFFERENCE", "compare_sides", "with_comparison"]

NO_DIFFERENCE = "no difference to speak of"
DIFFERS = "the two differ, and it speaks for neither"
_STOPPED = "not compared: a stop finding"
_ONE_ONLY = "not compared: known on one side only"

Read = Callable[[SidePlan], float | None]


def with_comparison(plan: Plan, prefer_side: Side | None = Side.RIGHT) -> Plan:
    """The plan with its two sides compared; as it is where only one is planned."""
    found = compare_sides(plan, prefer_side)
    return plan if found is None else replace(plan, comparison=found)


def compare_sides(plan: Plan, prefer_side: Side | None = Side.RIGHT) -> SideComparison | None:
    """Compare the two sides of a plan.

    Parameters
    ----------
    plan : Plan
    prefer_side : Side or None
        Preferred beforehand: common practice takes the non-dominant, usually right, side. It
        makes one row and changes no other.

    Returns
    -------
    SideComparison or None
        None where the plan has one side only. A side with a stop finding has no figures in it,
        and neither side has where the stop is about the whole head.
    """
    if not (Side.RIGHT in plan.sides and Side.LEFT in plan.sides):
        return None
    right, left = plan.sides[Side.RIGHT], plan.sides[Side.LEFT]
    rows = [
        *_distances(plan, right, left),
        *_thicknesses(plan, right, left),
        *_findings(right, left),
        *_hand(plan, right, left),
    ]
    if prefer_side is not None:
        usual = prefer_side is Side.RIGHT
        rows.append(
            ComparisonRow(
                code="preferred-side",
                unit="",
                speaks_for=prefer_side,
                note=row("preferred_side").cited() if usual else "as named for this plan",
            )
        )
    return SideComparison(rows=tuple(rows), prefer_side=prefer_side)


def _stopped(findings: tuple[Finding, ...]) -> bool:
    return any(f.level is Level.STOP for f in findings)


def _figures(
    plan: Plan, code: str, unit: str, of: Read, sd_of: Read | None
) -> ComparisonRow | None:
    """The two figures of a row, and why they are not compared; None where no side has one."""
    got: dict[Side, tuple[float | None, float | None]] = {}
    stopped = False
    for side in (Side.RIGHT, Side.LEFT):
        found = plan.sides[side]
        if _stopped(plan.findings) or _stopped(found.findings):
            got[side], stopped = (None, None), True
        else:
            got[side] = (of(found), sd_of(found) if sd_of is not None else None)
    (right, right_sd), (left, left_sd) = got[Side.RIGHT], got[Side.LEFT]
    if right is None and left is None:
        return None
    note = ""
    if right is None or left is None:
        note = _STOPPED if stopped else _ONE_ONLY
    return ComparisonRow(
        code=code,
        right=right,
        left=left,
        unit=unit,
        right_sd=right_sd,
        left_sd=left_sd,
        note=note,
    )


def _judged(
    made: ComparisonRow | None, sd: float, *, more_is_better: bool = True
) -> list[ComparisonRow]:
    """A row that speaks for the side with more, or less, where the sides differ."""
    if made is None:
        return []
    if made.note:
        return [made]
    made = replace(made, sd=sd)
    if not _differs(made):
        return [replace(made, note=NO_DIFFERENCE)]
    return [replace(made, speaks_for=_larger(made) if more_is_better else _smaller(made))]


def _differs(made: ComparisonRow) -> bool:
    difference = abs((made.right or 0.0) - (made.left or 0.0))
    return difference > normal_quantile(0.975) * (made.sd or 0.0)


def _larger(made: ComparisonRow) -> Side:
    return Side.RIGHT if (made.right or 0.0) > (made.left or 0.0) else Side.LEFT


def _smaller(made: ComparisonRow) -> Side:
    return Side.LEFT if _larger(made) is Side.RIGHT else Side.RIGHT


def _distances(plan: Plan, right: SidePlan, left: SidePlan) -> list[ComparisonRow]:
    suture = _figures(plan, "suture", "mm", _suture_mm, lambda s: s.clearance.suture_sd_mm)
    rows = _judged(suture, _suture_sd(plan, right, left))
    odds = _figures(plan, "suture-odds", "1", lambda s: s.clearance.p_suture_below_margin, None)
    if odds is not None:
        # The odds are that distance and its spread over again: they speak where it does.
        spoken = rows[0].speaks_for if rows else None
        rows.append(odds if odds.note else _by_odds(odds, spoken is _smaller(odds)))
    a, b = right.clearance, left.clearance
    for code, of, sd_of in (
        ("midline", lambda s: s.clearance.midline_scalp_mm, lambda s: s.clearance.midline_sd_mm),
        ("sinus", lambda s: s.clearance.sinus_mm, lambda s: s.clearance.sinus_sd_mm),
    ):
        made = _figures(plan, code, "mm", of, sd_of)
        if made is not None:
            measured = (made.right_sd or 0.0) + (made.left_sd or 0.0)
            readers = (a.midline_definition_sd_mm or 0.0) + (b.midline_definition_sd_mm or 0.0)
            rows += _judged(made, combined_sd(measured, readers))
    return rows


def _suture_mm(found: SidePlan) -> float | None:
    c = found.clearance
    return c.suture_mm if c.suture_nearest_mm is None else c.suture_nearest_mm


def _suture_sd(plan: Plan, right: SidePlan, left: SidePlan) -> float:
    """Spread of the difference between the sides' distances.

    Where the suture's own spread is known on each side it is that alone: the nasion, as measured
    and as readers differ in it, moves both points alike.
    """
    suture = plan.coronal_suture
    if suture is not None and suture.right_sd_mm is not None and suture.left_sd_mm is not None:
        readers = suture.definition_sd_mm
        return combined_sd(suture.right_sd_mm, suture.left_sd_mm, readers, readers)
    a, b = right.clearance, left.clearance
    return combined_sd(
        a.suture_sd_mm, b.suture_sd_mm, a.suture_definition_sd_mm, b.suture_definition_sd_mm
    )


def _by_odds(made: ComparisonRow, borne_out: bool) -> ComparisonRow:
    """Odds of harm speak for the side with less, where the difference is worth a word."""
    apart = abs((made.right or 0.0) - (made.left or 0.0))
    if apart < value("comparison_odds") or not borne_out:
        return replace(made, note=NO_DIFFERENCE)
    return replace(made, speaks_for=_smaller(made))


def _thicknesses(plan: Plan, right: SidePlan, left: SidePlan) -> list[ComparisonRow]:
    rows = []
    a, b = right.thickness, left.thickness
    scalp = _figures(
        plan, "scalp", "mm", lambda s: s.thickness.scalp_mm, lambda s: s.thickness.scalp_sd_mm
    )
    sd = combined_sd(
        a.scalp_sd_mm, b.scalp_sd_mm, a.scalp_definition_sd_mm, b.scalp_definition_sd_mm
    )
    for made in _judged(scalp, sd, more_is_better=False):
        apart = abs((made.right or 0.0) - (made.left or 0.0))
        limit = value("scalp_sides_limit")
        if made.speaks_for is not None and apart <= limit:
            made = replace(made, speaks_for=None, note=f"{DIFFERS}: {limit:g} mm apart or less")
        rows.append(made)
    skull = _figures(
        plan, "skull", "mm", lambda s: s.thickness.skull_mm, lambda s: s.thickness.skull_sd_mm
    )
    sd = combined_sd(
        a.skull_sd_mm, b.skull_sd_mm, a.skull_definition_sd_mm, b.skull_definition_sd_mm
    )
    for made in _judged(skull, sd):
        thin = max(value("skull_thin_limit"), plan.rule.engagement_mm or 0.0)
        least = min(made.right or 0.0, made.left or 0.0)
        if made.speaks_for is not None and least >= thin:
            made = replace(made, speaks_for=None, note=f"{DIFFERS}: both are {thin:g} mm or more")
        rows.append(made)
    return rows


def _findings(right: SidePlan, left: SidePlan) -> list[ComparisonRow]:
    """How many findings of each level; what they say counts, and is above."""
    rows = []
    for level in (Level.STOP, Level.CAUTION, Level.NOTE):
        counts = [sum(f.level is level for f in s.findings) for s in (right, left)]
        made = ComparisonRow(
            code=f"findings-{level.value}",
            right=float(counts[0]),
            left=float(counts[1]),
            unit="findings",
        )
        if counts[0] == counts[1]:
            made = replace(made, note=NO_DIFFERENCE)
        elif level is Level.NOTE:
            made = replace(made, note=f"{DIFFERS}: a note is for reading")
        else:
            made = replace(made, speaks_for=_smaller(made))
        rows.append(made)
    return rows


def _hand(plan: Plan, right: SidePlan, left: SidePlan) -> list[ComparisonRow]:
    made = _figures(plan, "hand-any-margin", "1", _p_hand, None)
    if made is None or made.note:
        return [] if made is None else [made]
    sds = []
    for found, p in ((right, made.right or 0.0), (left, made.left or 0.0)):
        draws = found.hand.draws if found.hand is not None else 1
        sds.append(math.sqrt(p * (1.0 - p) / draws))  # of the counting alone
    made = replace(made, sd=combined_sd(*sds))
    return [_by_odds(made, _differs(made))]


def _p_hand(found: SidePlan) -> float | None:
    if found.hand is None or found.hand.any_margin is None:
        return None
    return found.hand.any_margin.p_broken
