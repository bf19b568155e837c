"""The values that a site map is made of: what its JSON record holds, field by field.

The within-margins area is where every margin that was looked at holds; it says nothing of what
was not looked at. World frame and nulls as in ``model``.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from entrypoint.planning.model import (
    CAVEAT,
    SIDES_NOTE,
    Finding,
    How,
    ImageQuality,
    InputInfo,
    LookedAt,
    Rule,
    Side,
)

__all__ = [
    "NOT_IN_IT",
    "OWN_RULE",
    "HandPlace",
    "MapArea",
    "MapCentre",
    "MapLimit",
    "MapPoint",
    "Margin",
    "SideMap",
    "SiteMap",
]

FloatArray = NDArray[np.float64]

OWN_RULE = "the rule"  # name of the point that the map was asked for
NOT_IN_IT = (
    "vessels of the scalp and the brain, the sagittal sinus itself (its envelope is published, "
    "not this head's own vein)",
    "cortex, ventricles and lesions along the path",
    "blood, fluid or air under the bone, frontal sinus, hairline fractures, swelling",
    "clotting, infection, consent, previous surgery",
)


class Margin(StrEnum):
    """What a place must keep to be within margins."""

    SUTURE = "suture"
    MIDLINE = "midline"
    SINUS = "sinus"
    BONE = "sound-bone"
    THICKNESS = "skull-thickness"
    MAP = "end-of-map"  # not a margin: beyond it nothing was looked at


@dataclass(frozen=True, slots=True, kw_only=True)
class MapLimit:
    """One margin, and the part of the map on which it is broken at the best estimate."""

    margin: Margin
    limit_mm: float
    share_broken: float


@dataclass(frozen=True, slots=True, kw_only=True)
class MapCentre:
    """The place of an area that lies farthest from its edges: no entry, and not marked."""

    midline_arc_mm: float
    lateral_arc_mm: float
    position_mm: FloatArray
    edge_mm: float
    edge_is: Margin


@dataclass(frozen=True, slots=True, kw_only=True)
class MapArea:
    """An area of the scalp on the map."""

    area_mm2: float
    parts: int
    reaches_end_of_map: bool
    centre: MapCentre | None


@dataclass(frozen=True, slots=True, kw_only=True)
class MapPoint:
    """A rule's point on the map; figures at the best estimate, null where it lies off the map."""

    name: str
    midline_arc_mm: float
    lateral_arc_mm: float | None
    in_map: bool
    within_best: bool | None = None
    within_kept: bool | None = None
    p_margin_broken: float | None = None
    edge_best_mm: float | None = None  # positive inside the area; null where it has no edge
    edge_best_is: Margin | None = None
    edge_kept_mm: float | None = None
    edge_kept_is: Margin | None = None
    suture_nearest_mm: float | None = None
    midline_scalp_mm: float | None = None
    sinus_mm: float | None = None
    scalp_mm: float | None = None
    skull_mm: float | None = None
    slope_deg: float | None = None
    broken: tuple[Margin, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class HandPlace:
    """Spread of a hand's mark on the scalp at the rule's point, added to the measurement's own."""

    sd_along_mm: float
    sd_across_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SideMap:
    """One side of the map."""

    suture: How
    limits: tuple[MapLimit, ...]
    best: MapArea  # every margin holds at the best estimate
    kept: MapArea  # every margin holds with the stated probability
    rule_point: MapPoint
    rules: tuple[MapPoint, ...]
    hand: HandPlace | None = None
    scalp_sd_mm: float | None = None
    skull_sd_mm: float | None = None
    skull_least_mm: float | None = None
    skull_median_mm: float | None = None
    skull_most_mm: float | None = None
    share_without_sound_bone: float = 0.0
    findings: tuple[Finding, ...] = ()  # of the plan at the rule's point


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteMap:
    """A site map: the record ``entrypoint.map``, version 1."""

    tool_version: str
    input: InputInfo
    rule: Rule
    midline_arc_first_mm: float
    midline_arc_last_mm: float
    lateral_arc_first_mm: float
    lateral_arc_last_mm: float
    step_mm: float
    p_kept: float  # probability with which every margin holds in the smaller area
    sides: dict[Side, SideMap]
    findings: tuple[Finding, ...] = ()
    looked_at: LookedAt = field(default_factory=LookedAt)
    quality: ImageQuality | None = None
    practice: bool = False
    not_in_it: tuple[str, ...] = NOT_IN_IT
    caveat: str = CAVEAT
    sides_note: str = SIDES_NOTE
