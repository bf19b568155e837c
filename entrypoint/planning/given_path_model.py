"""Paths of one's own, as they are given and as they are checked: what the check record holds.

World RAS millimetres. A checked path holds its figures in the form of one side of a plan, so that
whatever reads a side of a plan reads it too.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from entrypoint.planning.model import (
    CAVEAT,
    SIDES_NOTE,
    CoronalSuture,
    Finding,
    ImageQuality,
    InputInfo,
    Landmark,
    LookedAt,
    MidsagittalPlane,
    Rule,
    Side,
    SidePlan,
)

__all__ = [
    "ORDER_RULE",
    "AgainstRule",
    "Aim",
    "CheckedPath",
    "FluidNear",
    "GivenPath",
    "PathCheck",
    "Standing",
    "Within",
    "Worst",
]

FloatArray = NDArray[np.float64]
ORDER_RULE = (
    "An order, not a choice: first the fewest stop findings, then the fewest margins broken, then "
    "the most left of the smallest margin at its worst; equal paths as they were given, and "
    "refused ones last."
)


class Aim(StrEnum):
    """How the direction of a path was given."""

    TIP = "tip"
    ALONG = "along"
    SQUARE = "square"


@dataclass(frozen=True, slots=True, kw_only=True)
class GivenPath:
    """A path as it is given; without tip and direction it is square to the skull."""

    label: str
    side: Side
    skin_point_mm: FloatArray
    tip_point_mm: FloatArray | None = None
    along_mm: FloatArray | None = None  # a direction into the head, of any length

    @property
    def aim(self) -> Aim:
        """How the direction was given."""
        if self.tip_point_mm is not None:
            return Aim.TIP
        return Aim.SQUARE if self.along_mm is None else Aim.ALONG


@dataclass(frozen=True, slots=True, kw_only=True)
class Within:
    """How far a path is let stray when its worst figures are looked for."""

    within_deg: float = 4.0
    within_mm: float = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Worst:
    """The worst of one figure over the paths within reach, and which path that is."""

    figure: str  # the record field of a side
    worst_mm: float
    sd_mm: float | None = None
    definition_sd_mm: float | None = None
    offset_back_mm: float = 0.0  # of its point on the skin
    offset_away_mm: float = 0.0  # away from the midline
    tilt_back_deg: float = 0.0  # of its direction, from that of the path
    tilt_away_deg: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class AgainstRule:
    """How a path differs from the one that the rule gives on its side."""

    back_mm: float  # along the midline tape, positive behind the rule's point
    away_mm: float  # along the lateral tape, positive away from the midline
    back_sd_mm: float
    away_sd_mm: float
    back_definition_sd_mm: float
    away_definition_sd_mm: float
    straight_mm: float  # between the two points on the skin
    turned_deg: float  # between the two directions
    tip_mm: float | None = None  # between the two tips


@dataclass(frozen=True, slots=True, kw_only=True)
class FluidNear:
    """What reads like fluid under the bone round a path, and near its tip; null: not read."""

    tip_to_space_mm: float | None = None
    tip_to_space_sd_mm: float | None = None
    under_bone_mm: float | None = None
    under_bone_other_side_mm: float | None = None
    why: str = ""  # no distance from the tip is given


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What a path is ordered by."""

    stop_findings: int
    margins_broken: int  # of suture, midline and sinus, at the best estimate
    least_left_mm: float | None = None  # of the smallest margin, at the worst within reach


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedPath:
    """One path, with everything that a plan says of its own.

    ``path`` is None where the path was refused, for the reason in ``refused``.
    """

    label: str
    side: Side
    aim: Aim
    given_skin_mm: FloatArray
    given_tip_mm: FloatArray | None = None
    refused: str | None = None
    refused_exit: int | None = None  # exit code of that refusal
    skin_moved_mm: float | None = None  # how far the point was moved to the skin
    path: SidePlan | None = None
    tilt_back_deg: float | None = None  # of the path from square, positive towards the back
    tilt_away_deg: float | None = None  # positive away from the midline
    tilt_sd_deg: float | None = None
    square_skull_mm: float | None = None  # skull square to it at the same foot
    slant_mm: float | None = None  # bone more than that along the path
    midline_arc_sd_mm: float | None = None  # of the point read in tape terms
    lateral_arc_sd_mm: float | None = None
    midline_arc_definition_sd_mm: float | None = None
    lateral_arc_definition_sd_mm: float | None = None
    fluid: FluidNear | None = None
    against_rule: AgainstRule | None = None
    worst: tuple[Worst, ...] = ()
    standing: Standing | None = None
    looked_at: LookedAt = field(default_factory=LookedAt)


@dataclass(frozen=True, slots=True, kw_only=True)
class PathCheck:
    """Paths of one's own on a CT: the record ``entrypoint.check``, version 1."""

    tool_version: str
    input: InputInfo
    rule: Rule
    within: Within
    paths: tuple[CheckedPath, ...]  # as given
    order: tuple[str, ...]  # labels, by ``order_rule``
    order_rule: str = ORDER_RULE
    rule_sides: dict[Side, SidePlan] = field(default_factory=dict)  # the rule's own paths
    landmarks: dict[str, Landmark] = field(default_factory=dict)
    midsagittal_plane: MidsagittalPlane | None = None
    coronal_suture: CoronalSuture | None = None
    findings: tuple[Finding, ...] = ()  # about the whole head or file
    quality: ImageQuality | None = None
    practice: bool = False
    caveat: str = CAVEAT
    sides_note: str = SIDES_NOTE
