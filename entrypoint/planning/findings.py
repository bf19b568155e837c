"""Findings about one side: figures in, findings out. Texts describe; they do not order.

Levels: *stop* for the few things under which nothing should go on unexamined; *caution* where
a margin is broken at the best estimate or with a probability of over 20 %; *note* otherwise.
In a text a clearance is rounded down and a probability of harm up.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from entrypoint.planning.clearance import sinus_half_width_mm
from entrypoint.planning.finding_kinds import make
from entrypoint.planning.model import (
    Clearance,
    Finding,
    How,
    Level,
    MovedPoint,
    Rule,
    Side,
)
from entrypoint.planning.odds import combined_sd, count_of, probability_below
from entrypoint.reference import value

__all__ = [
    "dense_seam",
    "estimated_suture",
    "midline_margin",
    "ordered",
    "sinus_envelope",
    "suture_margin",
    "worst_level",
]

_RANK = {Level.STOP: 0, Level.CAUTION: 1, Level.NOTE: 2}


def ordered(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Worst first, otherwise in the order in which they were raised; repeats dropped."""
    unique = list(dict.fromkeys(findings))
    return tuple(sorted(unique, key=lambda f: _RANK[f.level]))


def worst_level(findings: Iterable[Finding]) -> Level | None:
    """Return the worst level, None where there is no finding."""
    return min((f.level for f in findings), key=lambda x: _RANK[x], default=None)


def _down(mm: float) -> int:
    return math.floor(mm + 1e-9)


def _interval(value_mm: float, sd_mm: float) -> str:
    lo, hi = value_mm - 1.96 * sd_mm, value_mm + 1.96 * sd_mm
    return f"95 %: {math.floor(lo + 1e-9)} to {math.ceil(hi - 1e-9)}"


def _suture_interval(value_mm: float, sd_mm: float) -> str:
    """95 % interval of a distance in front of the suture; behind it in words, not by a sign."""
    lo = math.floor(value_mm - 1.96 * sd_mm + 1e-9)
    hi = math.ceil(value_mm + 1.96 * sd_mm - 1e-9)
    if lo >= 0:
        return f"95 %: {lo} to {hi}"
    if hi <= 0:
        return f"95 %: {-hi} to {-lo} behind"
    return f"95 %: {-lo} behind to {hi} in front"


def _in_front(value_mm: float) -> str:
    if value_mm >= 0.0:
        return f"{_down(value_mm)} mm in front of the coronal suture"
    return f"{math.ceil(-value_mm - 1e-9)} mm behind the coronal suture"


def suture_margin(
    clearance: Clearance,
    rule: Rule,
    moved: MovedPoint | None = None,
    *,
    on: str = "this scan",
    point: str = "the rule's point",
) -> tuple[Finding, ...]:
    """Distance to the coronal suture against the margin, judged on the nearest distance."""
    have = clearance.suture_nearest_mm
    if have is None:
        return ()
    sd = clearance.suture_sd_mm or 0.0
    definition = clearance.suture_definition_sd_mm or 0.0
    p = clearance.p_suture_below_margin
    if p is None:
        p = probability_below(rule.suture_margin_mm, have, sd, definition)
    if have >= rule.suture_margin_mm and p <= value("probability_caution"):
        return ()
    text = (
        f"on {on} {point} lies {_in_front(have)} "
        f"({_suture_interval(have, combined_sd(sd, definition))}); about {count_of(p, 100)} in 100 "
        f"such placements would lie nearer than {rule.suture_margin_mm:.0f} mm"
    )
    if moved is not None and moved.text:
        text += f"; {moved.text}"
    return (
        make(
            "suture-margin",
            Level.CAUTION,
            text,
            value=have,
            limit=rule.suture_margin_mm,
            figures=("clearance.suture_nearest_mm", "clearance.suture_mm"),
        ),
    )


def midline_margin(clearance: Clearance, rule: Rule) -> tuple[Finding, ...]:
    """Distance of the scalp point from the midsagittal plane against the margin."""
    have = clearance.midline_scalp_mm
    if have is None:
        return ()
    sd = clearance.midline_sd_mm or 0.0
    readers = clearance.midline_definition_sd_mm or 0.0
    p = probability_below(rule.midline_margin_mm, have, sd, readers)
    if have >= rule.midline_margin_mm and p <= value("probability_caution"):
        return ()
    return (
        make(
            "midline-margin",
            Level.CAUTION,
            f"the point on the scalp lies {_down(have)} mm from the midline "
            f"({_interval(have, combined_sd(sd, readers))}), margin "
            f"{rule.midline_margin_mm:.0f} mm",
            value=have,
            limit=rule.midline_margin_mm,
            figures=("clearance.midline_scalp_mm",),
        ),
    )


def sinus_envelope(clearance: Clearance, rule: Rule, side: Side) -> tuple[Finding, ...]:
    """Path against the sinus envelope: stop inside it, caution near it, note further out.

    The spread is of the plane, measured and defined: the envelope is already a bound over heads.
    """
    have = clearance.sinus_mm
    if have is None:
        return ()
    half = sinus_half_width_mm(side)
    sd = clearance.sinus_sd_mm or clearance.midline_sd_mm or 0.0
    sd = combined_sd(sd, clearance.midline_definition_sd_mm or 0.0)
    p = probability_below(rule.sinus_margin_mm, have, sd)
    where = f"{half:.0f} mm on the PATIENT'S {side.value.upper()}"
    if have <= 0.0:
        level = Level.STOP
        text = (
            f"between the outer table and {value('sinus_reach_inside'):.0f} mm inside the inner "
            f"table the path enters the sagittal sinus envelope ({where}) by "
            f"{math.ceil(-have - 1e-9)} mm"
        )
    elif have < rule.sinus_margin_mm or p > value("probability_caution"):
        level = Level.CAUTION
        text = (
            f"the path passes {_down(have)} mm from the sagittal sinus envelope ({where}; "
            f"{_interval(have, sd)})"
        )
    elif have + half < value("sinus_cautious_bound"):
        level = Level.NOTE
        text = (
            f"the path comes to {_down(have + half)} mm from the midline, inside the cautious "
            f"bound of {value('sinus_cautious_bound'):.0f} mm for a far displaced sinus"
        )
    else:
        return ()
    return (
        make(
            "sinus-envelope",
            level,
            text,
            value=have,
            limit=rule.sinus_margin_mm,
            figures=("clearance.sinus_mm",),
        ),
    )


def dense_seam(side: Side, dense: bool) -> tuple[Finding, ...]:
    """Suture that was followed by its dense seam."""
    if not dense:
        return ()
    return (
        make(
            "suture-closed",
            Level.NOTE,
            f"the coronal suture on the PATIENT'S {side.value.upper()} shows no gap; a dense seam "
            "through the bone was followed in its place",
            unit="",
            figures=("clearance.suture_mm", "clearance.suture_nearest_mm"),
        ),
    )


def estimated_suture(side: Side, how: How, sd_mm: float, *, why: str) -> tuple[Finding, ...]:
    """Suture that was not seen on the span that matters for one side."""
    if how in (How.MEASURED, How.GIVEN, How.DETECTED):
        return ()
    return (
        make(
            "suture-not-visible",
            Level.NOTE,
            f"the coronal suture on the PATIENT'S {side.value.upper()} was not seen ({why}); its "
            f"place is an estimate, give or take {math.ceil(1.96 * sd_mm)} mm (95 %)",
            value=sd_mm,
            figures=("clearance.suture_mm", "clearance.suture_nearest_mm"),
        ),
    )
