"""Findings about a path itself: its tilt, its tip, and the side that it stays on."""

from __future__ import annotations

import math

from entrypoint.planning.finding_kinds import make
from entrypoint.planning.model import Clearance, Finding, Level, Side
from entrypoint.reference import value

__all__ = ["midline_crossed", "tilt", "tip_outside_skull"]


def midline_crossed(clearance: Clearance, side: Side) -> tuple[Finding, ...]:
    """Path that leaves its side of the midsagittal plane between the skin and the tip."""
    places = (
        ("at the skin", clearance.midline_scalp_mm),
        ("at the outer table", clearance.midline_outer_table_mm),
        ("at the inner table", clearance.midline_inner_table_mm),
        ("at the tip", clearance.midline_tip_mm),
    )
    beyond = [(where, away) for where, away in places if away is not None and away < 0.0]
    if not beyond:
        return ()
    where, away = min(beyond, key=lambda found: found[1])
    return (
        make(
            "path-crosses-midline",
            Level.STOP,
            f"the path lies {math.ceil(-away - 1e-9)} mm beyond the midsagittal plane {where}: it "
            f"does not stay on the PATIENT'S {side.value.upper()}",
            value=away,
            limit=0.0,
            figures=("clearance.midline_tip_mm", "clearance.midline_inner_table_mm"),
        ),
    )


def tilt(tilt_deg: float | None) -> tuple[Finding, ...]:
    """Angle of a path from the perpendicular."""
    limit = value("tilt_limit")
    if tilt_deg is None or tilt_deg <= limit:
        return ()
    return (
        make(
            "tilt",
            Level.CAUTION,
            f"the path leaves the perpendicular by {tilt_deg:.0f} degrees, over {limit:.0f}",
            value=tilt_deg,
            limit=limit,
            unit="deg",
            figures=("tilt_deg",),
        ),
    )


def tip_outside_skull(inside: bool | None, depth_mm: float) -> tuple[Finding, ...]:
    """Tip of the sensor not inside the skull; nothing where that cannot be told."""
    if inside is None or inside:
        return ()
    return (
        make(
            "tip-outside-skull",
            Level.STOP,
            f"{depth_mm:.0f} mm below the inner table the tip does not lie inside the skull",
            value=depth_mm,
            figures=("sensor_tip_mm",),
        ),
    )
