"""What a hand adds to a plan: the spreads it works with, and what came of simulated placements.

A count is told with the number of placements it is out of, and a share is never 0 or 1.
"""

from __future__ import annotations

from dataclasses import dataclass, field

__all__ = [
    "HandBone",
    "HandMargin",
    "HandOptions",
    "HandPoint",
    "HandResult",
    "HandSpreads",
    "HandStop",
    "HandTilt",
    "HandTip",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class HandSpreads:
    """Standard deviations of what a hand does; defaults are rows of ``reference``."""

    nasion_along_mm: float = 2.0
    nasion_sideways_mm: float = 1.0
    midline_offset_mm: float = 2.0
    midline_yaw_deg: float = 1.0
    tape_share: float = 0.005  # of the length laid
    tape_reading_mm: float = 1.5
    lateral_angle_deg: float = 3.0
    mark_mm: float = 1.0  # on the skin, along and across alike
    tilt_deg: float = 2.0715  # about each of two axes
    skate_mm: float = 0.5  # of the bit on bone, along and across alike

    @classmethod
    def none(cls) -> HandSpreads:
        """A hand that adds nothing."""
        return cls(**dict.fromkeys(cls.__slots__, 0.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class HandOptions:
    """How many placements are simulated, from which seed, with which spreads."""

    draws: int = 10_000
    seed: int = 1
    spreads: HandSpreads = field(default_factory=HandSpreads)
    past_inner_mm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class HandMargin:
    """In how many simulated placements something happened."""

    broken: int
    draws: int
    p_broken: float  # (broken + 1) / (draws + 2): never 0, never 1
    p_at_most: float | None  # one-sided 95 % bound; None where it happened in every placement


@dataclass(frozen=True, slots=True, kw_only=True)
class HandPoint:
    """Spread of the point on the scalp, in the plane that touches it there."""

    sd_along_mm: float
    sd_across_mm: float
    hand_sd_along_mm: float  # of the hand alone, without the plan's own measurement
    hand_sd_across_mm: float
    ellipse_long_mm: float  # half-axes of the ellipse that holds 95 of 100
    ellipse_short_mm: float
    ellipse_turn_deg: float  # of its long axis from the midline's direction, away from midline


@dataclass(frozen=True, slots=True, kw_only=True)
class HandTilt:
    """Angle of the drill from square to the bone."""

    median_deg: float
    within_95_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HandBone:
    """Bone along the path that is drilled: 5, 50 and 95 of 100 placements."""

    low_mm: float
    median_mm: float
    high_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HandTip:
    """Spread of the sensor's tip, its length from the bone's surface being the plan's."""

    sd_along_mm: float
    sd_across_mm: float
    sd_deep_mm: float
    radius_95_mm: float  # from the planned tip
    below_inner_low_mm: float
    below_inner_median_mm: float
    below_inner_high_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HandStop:
    """What became of the stop length of the plan, for the one seat that was named."""

    past_inner_mm: float
    start_past_inner: HandMargin
    bone_left_at_through: HandMargin | None
    not_a_setting_past_in_1_percent_mm: float | None
    not_a_setting_bone_left_in_5_percent_mm: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class HandResult:
    """What came of simulated placements on one side; null where the input cannot tell."""

    draws: int
    seed: int
    spreads: HandSpreads
    outside_chart: int  # placements where the scan was not read; counted as broken
    included: tuple[str, ...] = ()
    not_included: tuple[str, ...] = ()
    suture: HandMargin | None = None
    behind_suture: HandMargin | None = None
    midline: HandMargin | None = None
    sinus: HandMargin | None = None
    sound_bone: HandMargin | None = None
    any_margin: HandMargin | None = None
    point: HandPoint | None = None
    tilt: HandTilt | None = None
    bone: HandBone | None = None
    tip: HandTip | None = None
    stop: HandStop | None = None
