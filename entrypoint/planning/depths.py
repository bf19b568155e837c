"""Drill stop and sensor depths, from thicknesses with their errors.

Lengths of a stop run from the stop's face to the very point of the bit. The setting named
*start* is a lower bound, so that the bit is still in bone when the stop meets its seat;
*through* is where the inner table is to be expected, and is not a setting.
"""

from __future__ import annotations

import math

from entrypoint.errors import FieldRefused
from entrypoint.planning.model import DrillStop, Rule, SensorDepth, Thickness
from entrypoint.planning.odds import combined_sd, normal_quantile, probability_below
from entrypoint.reference import value

__all__ = ["drill_stop", "scalp_stop_withheld", "sensor_depth"]


def _tenth(mm: float) -> str:
    """Down to a tenth, as the figures beside it are."""
    return f"{math.floor(mm * 10.0 + 1e-6) / 10.0:.1f}"


def scalp_stop_withheld(thickness: Thickness) -> str | None:
    """Why no stop that seats on scalp is given, or None where it is.

    The scalp gives under a stop and swells by the hour: over a thick or one-sided scalp no
    such length means anything.
    """
    scalp, other = thickness.scalp_mm, thickness.scalp_other_side_mm
    if scalp is None:
        return "the scalp thickness is not known"
    if scalp > value("scalp_stop_limit"):
        return f"the scalp is {_tenth(scalp)} mm thick, over {value('scalp_stop_limit'):.0f} mm"
    if other is not None and abs(scalp - other) > value("scalp_sides_limit"):
        return (
            f"the scalp is {_tenth(scalp)} mm thick here and {_tenth(other)} mm on the other side, "
            f"over {value('scalp_sides_limit'):.0f} mm apart"
        )
    return None


def _floor_mm(length: float) -> float:
    return float(max(math.floor(length + 1e-9), 0))


def drill_stop(thickness: Thickness, rule: Rule, *, geometry_only: bool = False) -> DrillStop:
    """Drill-stop lengths for both seats.

    Parameters
    ----------
    thickness : Thickness
        Along the path; ``thinnest_near_mm`` is the thinnest path within 5 mm of the entry and
        4 degrees of the perpendicular, and counts for *start* where it is known.
    rule : Rule
        Its drill allowance is added to *through*.
    geometry_only : bool
        A child, or no sound bone: every length is null.

    Returns
    -------
    DrillStop
        *start*: one-sided lower 99 % bound of the thinnest path, less 1 mm, rounded down to a
        whole millimetre, never below 0. On scalp null where ``scalp_stop_withheld`` says why.
    """
    skull, sd = thickness.skull_mm, thickness.skull_sd_mm
    if geometry_only or skull is None or sd is None:
        return DrillStop()
    z = normal_quantile(value("stop_quantile"))
    reserve = value("stop_reserve")
    near = thickness.thinnest_near_mm
    thinnest = skull if near is None else min(near, skull)
    start_on_bone = _floor_mm(thinnest - z * sd - reserve)
    start_on_scalp = on_scalp = None
    if scalp_stop_withheld(thickness) is None and thickness.scalp_mm is not None:
        both = combined_sd(sd, thickness.scalp_sd_mm)
        start_on_scalp = _floor_mm(thickness.scalp_mm + thinnest - z * both - reserve)
        on_scalp = thickness.scalp_mm + skull + rule.drill_allowance_mm
    return DrillStop(
        start_on_scalp_mm=start_on_scalp,
        start_on_bone_mm=start_on_bone,
        on_scalp_mm=on_scalp,
        on_bone_mm=skull + rule.drill_allowance_mm,
        sd_mm=sd,
        p_start_passes_inner_table=probability_below(start_on_bone, thinnest, sd),
    )


def sensor_depth(
    thickness: Thickness, rule: Rule, *, geometry_only: bool = False
) -> SensorDepth | None:
    """Depth of the sensor's tip from several faces.

    From the bolt's top, with the bolt seated by its thread in bone, the length is
    bolt length - engagement + skull + depth below the inner table; it is given only where
    both the length of the bolt and the engagement were typed. None for a child.

    Raises
    ------
    FieldRefused
        A depth, length, engagement or pitch that is not positive.
    """
    for name, number in (
        ("sensor depth", rule.sensor_depth_mm),
        ("bolt length", rule.bolt_length_mm),
        ("engagement", rule.engagement_mm),
        ("thread pitch", rule.thread_pitch_mm),
    ):
        if number is not None and not 0.0 < number < 200.0:
            raise FieldRefused(
                found=f"a {name} of {number} mm",
                expected="a positive length in mm",
                next_step="check the unit and the value",
            )
    if geometry_only:
        return None
    depth = rule.sensor_depth_mm
    skull, scalp = thickness.skull_mm, thickness.scalp_mm
    outer = None if skull is None else skull + depth
    top = half_turns = None
    if outer is not None and rule.bolt_length_mm is not None and rule.engagement_mm is not None:
        # An engagement deeper than the bone at its lower bound seats nowhere: no length then.
        low = (skull or 0.0) - 1.96 * (thickness.skull_sd_mm or 0.0)
        if rule.engagement_mm <= low:
            top = rule.bolt_length_mm - rule.engagement_mm + outer
    if rule.engagement_mm is not None and rule.thread_pitch_mm is not None:
        half_turns = 2.0 * rule.engagement_mm / rule.thread_pitch_mm
    return SensorDepth(
        below_inner_table_mm=depth,
        from_outer_table_mm=outer,
        from_scalp_mm=None if outer is None or scalp is None else outer + scalp,
        from_bolt_top_mm=top,
        half_turns=half_turns,
    )
