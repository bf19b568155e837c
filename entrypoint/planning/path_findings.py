"""Findings about a path that was given by hand, or that runs where no rule would lead it."""

from __future__ import annotations

import math

from entrypoint.planning.finding_kinds import make
from entrypoint.planning.model import Clearance, Finding, Level, Side
from entrypoint.reference import value

__all__ = ["midline_crossed", "skin_point_moved"]


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


def skin_point_moved(moved_mm: float) -> tuple[Finding, ...]:
    """Given point that did not lie on the skin: nothing, a note or a caution."""
    note, caution = value("landmark_note"), value("landmark_caution")
    if moved_mm <= note:
        return ()
    level = Level.CAUTION if moved_mm > caution else Level.NOTE
    return (
        make(
            "landmark-moved",
            level,
            f"the given point was moved {moved_mm:.1f} mm, the shortest way, to the skin",
            value=moved_mm,
            limit=caution if level is Level.CAUTION else note,
            figures=("scalp_entry_mm",),
        ),
    )
