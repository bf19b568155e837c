"""The values that a table of rules is made of: what its JSON record holds, field by field.

A row is what the chart of the scan shows at the two tape distances of one rule; it is no plan of
that point. World frame and nulls as in ``model``.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from entrypoint.planning.model import (
    CAVEAT,
    SIDES_NOTE,
    Finding,
    How,
    ImageQuality,
    InputInfo,
    Level,
    LookedAt,
    Rule,
    Side,
)

__all__ = ["MOST_RULES", "NOT_A_PLAN", "RowFinding", "RuleRow", "RuleTable", "SideRules"]

FloatArray = NDArray[np.float64]
MOST_RULES = 2000  # of one table: a grid that is larger was a slip
NOT_A_PLAN = (
    "A row is read from a chart of the scan and is no plan of its point: plan at a point before "
    "any of its figures is used."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class RowFinding:
    """A finding at the point of a row; what it means is told by its code."""

    code: str
    level: Level


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleRow:
    """Figures at one rule's point; null where the chart does not show them."""

    midline_arc_mm: float
    lateral_arc_mm: float
    charted: bool
    note: str = ""  # why figures are null
    scalp_entry_mm: FloatArray | None = None
    scalp_mm: float | None = None
    scalp_sd_mm: float | None = None
    skull_mm: float | None = None
    skull_sd_mm: float | None = None
    slope_deg: float | None = None
    midline_scalp_mm: float | None = None
    midline_inner_table_mm: float | None = None
    midline_tip_mm: float | None = None
    midline_sd_mm: float | None = None
    sinus_mm: float | None = None
    sinus_sd_mm: float | None = None
    suture_nearest_mm: float | None = None
    suture_sd_mm: float | None = None
    suture_definition_sd_mm: float | None = None
    p_suture_below_margin: float | None = None
    p_behind_suture: float | None = None
    start_stop_mm: float | None = None  # for the seat that the rule names; null without one
    sensor_from_scalp_mm: float | None = None
    findings: tuple[RowFinding, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SideRules:
    """Every row of one side."""

    suture: How
    rows: tuple[RuleRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleTable:
    """A table of rules: the record ``entrypoint.rules``, version 1."""

    tool_version: str
    input: InputInfo
    rule: Rule  # margins, depths and seat of every row; its arcs are those of the plan behind it
    midline_arc_first_mm: float  # charted range
    midline_arc_last_mm: float
    lateral_arc_first_mm: float
    lateral_arc_last_mm: float
    sides: dict[Side, SideRules]
    findings: tuple[Finding, ...] = ()  # about the whole head or file
    looked_at: LookedAt = field(default_factory=LookedAt)
    quality: ImageQuality | None = None
    practice: bool = False
    not_a_plan: str = NOT_A_PLAN
    caveat: str = CAVEAT
    sides_note: str = SIDES_NOTE
