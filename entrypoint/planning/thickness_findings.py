"""Findings about scalp and bone along a path: how thick, how sure, and what hangs on it."""

from __future__ import annotations

import math

from entrypoint.planning.depths import scalp_stop_withheld
from entrypoint.planning.finding_kinds import make
from entrypoint.planning.model import Clearance, Finding, How, Level, Rule, Thickness
from entrypoint.planning.odds import probability_below
from entrypoint.reference import value

__all__ = [
    "child_of_bone",
    "drill_stop_withheld",
    "engagement_too_deep",
    "skull_thickness",
    "suture_in_path",
    "swelling",
    "thickness_uncertain",
]


def _tenth(mm: float) -> float:
    """Down to a tenth, as the figures beside it are."""
    return math.floor(mm * 10.0 + 1e-6) / 10.0


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


def suture_in_path(
    clearance: Clearance, thickness: Thickness, how: How, *, dense: bool
) -> tuple[Finding, ...]:
    """Coronal suture so near that the bone read along the path may be its gap or its edge."""
    have, limit = clearance.suture_nearest_mm, value("suture_reach")
    gap_seen = how is How.MEASURED and not dense
    if not gap_seen or have is None or thickness.skull_mm is None or abs(have) > limit:
        return ()
    return (
        make(
            "suture-in-path",
            Level.CAUTION,
            f"the coronal suture lies {abs(have):.1f} mm from the path: what was read of scalp and "
            "skull there may be of the gap between the bones, not of the bone beside it",
            value=abs(have),
            limit=limit,
            figures=("thickness.scalp_mm", "thickness.skull_mm", "drill_stop"),
        ),
    )


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
