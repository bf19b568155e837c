"""Findings about one side: figures in, findings out. Texts describe; they do not order.

Levels: *stop* for the few things under which nothing should go on unexamined; *caution* where
a margin is broken at the best estimate or with a probability of over 20 %; *note* otherwise.
In a text a clearance is rounded down and a probability of harm up.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from entrypoint.planning.clearance import sinus_half_width_mm
from entrypoint.planning.depths import scalp_stop_withheld
from entrypoint.planning.finding_kinds import make
from entrypoint.planning.model import (
    Clearance,
    Finding,
    How,
    Level,
    MovedPoint,
    Rule,
    Side,
    Thickness,
)
from entrypoint.planning.odds import combined_sd, count_of, probability_below
from entrypoint.reference import value

__all__ = [
    "child_of_bone",
    "dense_seam",
    "drill_stop_withheld",
    "engagement_too_deep",
    "estimated_suture",
    "midline_margin",
    "ordered",
    "sinus_envelope",
    "skull_thickness",
    "suture_in_path",
    "suture_margin",
    "swelling",
    "thickness_uncertain",
    "worst_level",
]

_SUTURE_REACH_MM = 3.0  # half a gap, its bevelled edges and its wandering; judgement

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


def _tenth(mm: float) -> float:
    """Down to a tenth, as the figures beside it are."""
    return math.floor(mm * 10.0 + 1e-6) / 10.0


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


def suture_in_path(clearance: Clearance, thickness: Thickness) -> tuple[Finding, ...]:
    """Coronal suture so near that the bone read along the path may be its gap or its edge."""
    have = clearance.suture_nearest_mm
    if have is None or thickness.skull_mm is None or abs(have) > _SUTURE_REACH_MM:
        return ()
    return (
        make(
            "suture-in-path",
            Level.CAUTION,
            f"the coronal suture lies {abs(have):.1f} mm from the path: what was read of scalp and "
            "skull there may be of the gap between the bones, not of the bone beside it",
            value=abs(have),
            limit=_SUTURE_REACH_MM,
            figures=("thickness.scalp_mm", "thickness.skull_mm", "drill_stop"),
        ),
    )


def thickness_uncertain(thickness: Thickness) -> tuple[Finding, ...]:
    """Scalp and skull along the path that the scan shows less well than usual."""
    sd, limit = thickness.skull_sd_mm, value("thickness_sd_caution")
    if sd is None or sd <= limit:
        return ()
    return (
        make(
            "thickness-uncertain",
            Level.CAUTION,
            f"the skull along the path is known only to within {math.ceil(19.6 * sd) / 10:.1f} mm "
            "(95 %): its surfaces are blurred, faint, or unlike those beside the path",
            value=sd,
            limit=limit,
            figures=("thickness.skull_mm", "thickness.scalp_mm", "drill_stop", "sensor"),
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


def child_of_bone(thickness: Thickness, rule: Rule) -> bool:
    """Whether the bone along the path is so thin that it suggests a child."""
    skull = thickness.skull_mm
    return skull is not None and skull < value("skull_child_limit") and rule.person != "adult"


def skull_thickness(thickness: Thickness, rule: Rule) -> tuple[Finding, ...]:
    """Bone along the path: thin, thick, or so thin that it suggests a child."""
    skull = thickness.skull_mm
    if skull is None:
        return ()
    sd = thickness.skull_sd_mm or 0.0
    out: list[Finding] = []
    figures = ("thickness.skull_mm",)
    said = f"the skull along the path is {math.floor(skull * 10 + 1e-6) / 10:.1f} mm thick"
    spread = f"(95 %: {max(skull - 1.96 * sd, 0.0):.1f} to {skull + 1.96 * sd:.1f})"
    if child_of_bone(thickness, rule):
        limit = value("skull_child_limit")
        out.append(
            make(
                "child-suspected",
                Level.STOP,
                f"{said} {spread}, under {limit:.0f} mm: this suggests a child; only geometry is "
                "given",
                value=skull,
                limit=limit,
                figures=figures,
            )
        )
    thin, thick = value("skull_thin_limit"), value("skull_thick_limit")
    if skull < thin or probability_below(thin, skull, sd) > value("probability_caution"):
        out.append(
            make(
                "skull-thin",
                Level.CAUTION,
                f"{said} {spread}; under {thin:.0f} mm is thin for an adult",
                value=skull,
                limit=thin,
                figures=figures,
            )
        )
    elif skull >= thick:
        out.append(
            make(
                "skull-thick",
                Level.NOTE,
                f"{said} {spread}; {thick:.0f} mm or more is seen in about 1 adult in 12",
                value=skull,
                limit=thick,
                figures=figures,
            )
        )
    return tuple(out)


def swelling(
    thickness: Thickness, *, elsewhere_mm: float | None = None, where: str = ""
) -> tuple[Finding, ...]:
    """Scalp against the other side, at the point or under a tape.

    Parameters
    ----------
    thickness : Thickness
        With the scalp on both sides, where known.
    elsewhere_mm : float, optional
        Greatest excess over the other side, or over the usual scalp, under either tape.
    where : str
        Where that was, in words.
    """
    limit = value("swelling_limit")
    scalp, other = thickness.scalp_mm, thickness.scalp_other_side_mm
    figures = ("thickness.scalp_mm", "scalp_entry_mm", "drill_stop.start_on_scalp_mm")
    if scalp is not None and other is not None and abs(scalp - other) >= limit:
        more = "thicker" if scalp > other else "thinner"
        return (
            make(
                "scalp-swelling",
                Level.CAUTION,
                f"the scalp at the point is {abs(scalp - other):.1f} mm {more} than on the other "
                f"side ({_tenth(scalp):.1f} and {_tenth(other):.1f} mm): a swelling moves the tape "
                "and the point",
                value=scalp - other,
                limit=limit,
                figures=figures,
            ),
        )
    if elsewhere_mm is not None and elsewhere_mm >= limit:
        return (
            make(
                "scalp-swelling",
                Level.CAUTION,
                f"the scalp {where or 'under a tape'} is {elsewhere_mm:.1f} mm thicker than "
                "expected: a swelling under a tape moves the point",
                value=elsewhere_mm,
                limit=limit,
                figures=figures[1:2],
            ),
        )
    return ()


def drill_stop_withheld(thickness: Thickness) -> tuple[Finding, ...]:
    """Why no stop that seats on scalp is given; nothing where the scalp is not known at all."""
    if thickness.scalp_mm is None:
        return ()
    why = scalp_stop_withheld(thickness)
    if why is None:
        return ()
    return (
        make(
            "drill-stop-scalp-withheld",
            Level.NOTE,
            f"no length is given for a stop that seats on scalp: {why}",
            value=thickness.scalp_mm,
            limit=value("scalp_stop_limit"),
            figures=("drill_stop.start_on_scalp_mm", "drill_stop.on_scalp_mm"),
        ),
    )


def engagement_too_deep(thickness: Thickness, rule: Rule) -> tuple[Finding, ...]:
    """Engagement of the bolt against the bone along the path, at its lower 95 % bound."""
    if rule.engagement_mm is None or thickness.skull_mm is None:
        return ()
    low = thickness.skull_mm - 1.96 * (thickness.skull_sd_mm or 0.0)
    if rule.engagement_mm <= low:
        return ()
    return (
        make(
            "engagement-too-deep",
            Level.STOP,
            f"the engagement of {rule.engagement_mm:.1f} mm reaches through the bone, which is "
            f"{thickness.skull_mm:.1f} mm thick (lower 95 % bound {max(low, 0.0):.1f} mm)",
            value=rule.engagement_mm,
            limit=low,
            figures=("sensor.from_bolt_top_mm",),
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
