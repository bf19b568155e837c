"""What a scan after placement shows, against the plan: what the record ``entrypoint.after`` holds.

World RAS millimetres of the scan after placement, unless a field says otherwise. Each figure has
the standard deviation of its measurement; what cannot be judged is null, with the reason in words.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from entrypoint.planning.model import (
    CAVEAT,
    SIDES_NOTE,
    Clearance,
    Finding,
    InputInfo,
    LookedAt,
    Rule,
    Side,
)

__all__ = [
    "NOT_A_READING",
    "AfterPlacement",
    "AgainstPlan",
    "Along",
    "Compared",
    "Depth",
    "Frames",
    "PlacedPath",
    "PlacedTapes",
    "Sensor",
    "Something",
    "WhereFrom",
]

FloatArray = NDArray[np.float64]
NOT_A_READING = (
    "A scan shows where metal lies. It does not show what a sensor reads, nor that it reads "
    "rightly."
)


class Compared(StrEnum):
    """By what the scan after placement and the plan were brought into one frame."""

    SKULL = "skull"
    LANDMARKS = "landmarks"
    NOTHING = "nothing"


class WhereFrom(StrEnum):
    """Where a figure that metal may hide was read."""

    BEFORE = "before"  # on the scan before placement, carried over
    AFTER = "after"
    BRIDGED = "bridged"  # from the bone round the metal, a smooth surface laid under it


@dataclass(frozen=True, slots=True, kw_only=True)
class Frames:
    """How the two scans were brought into one frame, and how well."""

    by: Compared
    # Where the axes and the origin of the scan's world lie in the plan's.
    unit_right_in_plan: FloatArray | None = None
    unit_anterior_in_plan: FloatArray | None = None
    unit_superior_in_plan: FloatArray | None = None
    origin_in_plan_mm: FloatArray | None = None
    sd_mm: float | None = None  # at the bolt, one axis
    sd_deg: float | None = None
    apart_mm: float | None = None  # middle of the distances of the outer tables, by the skull
    apart_75_mm: float | None = None  # three quarters lie nearer
    landmarks: tuple[str, ...] = ()  # those that were compared, without the skull
    why_not: str = ""

    def plan_from_after(self) -> FloatArray | None:
        """The same as a matrix (4, 4), mm."""
        axes = (self.unit_right_in_plan, self.unit_anterior_in_plan, self.unit_superior_in_plan)
        if self.origin_in_plan_mm is None or any(a is None for a in axes):
            return None
        out = np.eye(4)
        out[:3] = np.column_stack([*(a for a in axes if a is not None), self.origin_in_plan_mm])
        return out


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedTapes:
    """The point of the skin on the bolt's axis, in tape terms of this head."""

    read_on: WhereFrom
    midline_arc_mm: float
    lateral_arc_mm: float
    lateral_straight_mm: float
    midline_arc_sd_mm: float
    lateral_arc_sd_mm: float
    midline_arc_definition_sd_mm: float
    lateral_arc_definition_sd_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedPath:
    """The bolt's axis as found."""

    scalp_entry_mm: FloatArray | None  # where it meets the skin, laid smoothly under the metal
    outer_table_mm: FloatArray
    unit_inward: FloatArray
    sd_mm: float  # across the axis, at the outer table
    sd_deg: float
    tilt_deg: float  # from square to the outer table
    tilt_sd_deg: float
    bolt_end_mm: float  # below the outer table, as it reads: metal blooms
    tapes: PlacedTapes | None = None
    tapes_why_not: str = ""
    skull_mm: float | None = None  # along the axis
    skull_sd_mm: float | None = None
    skull_from: WhereFrom | None = None
    skull_why_not: str = ""
    clearance: Clearance = field(default_factory=Clearance)


@dataclass(frozen=True, slots=True, kw_only=True)
class Depth:
    """Depth of the tip below the inner table: positive inside, negative outside."""

    below_inner_table_mm: float | None = None
    sd_mm: float | None = None
    inner_table_from: WhereFrom | None = None
    why_not: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    """The thread below the bolt, as far as it is seen."""

    tip_mm: FloatArray | None = None
    tip_sd_mm: float | None = None  # along the axis
    seen_share: float | None = None  # of its length below the bolt
    off_axis_mm: float | None = None
    depth: Depth = field(default_factory=Depth)
    why_not: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AgainstPlan:
    """How far the path lies from the planned one; signs as named."""

    back_mm: float | None = None  # along the midline arc; positive: farther back than planned
    away_mm: float | None = None  # along the lateral arc; positive: farther from the midline
    arcs_sd_mm: float | None = None
    entry_apart_mm: float | None = None  # straight, on the scalp
    outer_table_apart_mm: float | None = None
    apart_sd_mm: float | None = None
    turned_deg: float | None = None
    turned_sd_deg: float | None = None
    tip_apart_mm: float | None = None
    tip_apart_sd_mm: float | None = None
    deeper_mm: float | None = None  # than planned; positive: deeper
    deeper_sd_mm: float | None = None


class Something(StrEnum):
    """What is there to look at along the path."""

    AIR = "air"
    DENSER = "denser than brain"


@dataclass(frozen=True, slots=True, kw_only=True)
class Along:
    """Something to look at along the path, by depth below the inner table."""

    kind: Something
    from_mm: float
    to_mm: float
    hu: float
    off_path_mm: float  # its nearest place


@dataclass(frozen=True, slots=True, kw_only=True)
class AfterPlacement:
    """A scan after placement against a plan: the record ``entrypoint.after``, version 1."""

    tool_version: str
    side_planned: Side
    side_found: Side | None  # None: too near to the midline to be told
    input: InputInfo
    plan_input: InputInfo
    rule: Rule
    frames: Frames
    path: PlacedPath
    sensor: Sensor
    against_plan: AgainstPlan
    along_path: tuple[Along, ...] = ()
    along_path_judged_to_mm: tuple[float, float] | None = None  # depths that could be judged
    findings: tuple[Finding, ...] = ()
    looked_at: LookedAt = field(default_factory=LookedAt)
    not_a_reading: str = NOT_A_READING
    practice: bool = False
    caveat: str = CAVEAT
    sides_note: str = SIDES_NOTE
