"""The values that a plan is made of: what the JSON record holds, field by field.

World frame: RAS+ millimetres of the input. ``None`` means "cannot be known from this input";
it is never replaced by a guess. Full precision is kept here; rounding belongs to ``report``.

Two spreads are kept apart: a *measurement* standard deviation (``sd_mm``: voxels, blur, noise,
landmark and plane error; tested by calibration) and a *definition* standard deviation
(``definition_sd_mm``: how far careful readers differ in what the word means).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from entrypoint.planning.hand_model import HandResult

FloatArray = NDArray[np.float64]

CAVEAT = (
    "For planning and teaching only. Not a medical device, not a diagnosis, not an instruction: "
    "every figure has an error, and what is not listed was not looked at. Local protocol, the "
    "device's own instructions and the judgement of a licensed practitioner take precedence."
)
SIDES_NOTE = "Right and left are the patient's, as the file states them."


class Side(StrEnum):
    """A side of the patient."""

    RIGHT = "right"
    LEFT = "left"


class InputKind(StrEnum):
    """What a plan was made from."""

    CT = "ct"
    LANDMARKS = "landmarks"
    SCALP = "scalp"
    TAPE = "tape"


class How(StrEnum):
    """Where a value comes from."""

    DETECTED = "detected"
    GIVEN = "given"
    MEASURED = "measured"
    ESTIMATED = "estimated"


class Level(StrEnum):
    """How much a finding asks for."""

    NOTE = "note"
    CAUTION = "caution"
    STOP = "stop"


class LateralBy(StrEnum):
    """How the lateral distance of the rule is given."""

    ARC = "arc"
    MID_PUPILLARY = "mid-pupillary"


class Seat(StrEnum):
    """The surface that the drill stop's face comes to rest on."""

    BONE = "bone"
    SCALP = "scalp"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """The rule and the margins a plan is made with; defaults are rows of ``reference``."""

    midline_arc_mm: float = 110.0
    lateral_arc_mm: float = 30.0
    lateral_by: LateralBy = LateralBy.ARC
    interpupillary_mm: float | None = None
    suture_margin_mm: float = 10.0
    midline_margin_mm: float = 10.0
    sinus_margin_mm: float = 0.0
    sensor_depth_mm: float = 15.0
    drill_allowance_mm: float = 1.0
    stop_seats_on: Seat | None = None
    bolt_length_mm: float | None = None
    engagement_mm: float | None = None
    thread_pitch_mm: float | None = None
    person: str | None = None  # "adult", "child" or None where it was not stated


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something a reader must know; levels follow the care rules, wording describes."""

    code: str
    level: Level
    text: str
    value: float | None = None
    limit: float | None = None
    unit: str = "mm"
    source: str = ""
    figures: tuple[str, ...] = ()  # the record fields that this finding is about


@dataclass(frozen=True, slots=True, kw_only=True)
class Landmark:
    """A named point, world mm."""

    position_mm: FloatArray
    sd_mm: float
    how: How
    definition_sd_mm: float = 0.0
    moved_mm: float | None = None  # how far a given point was moved to its surface


@dataclass(frozen=True, slots=True, kw_only=True)
class MidsagittalPlane:
    """The head's own plane of symmetry; ``unit_normal`` points to the patient's right."""

    point_mm: FloatArray
    unit_normal: FloatArray
    sd_mm: float
    sd_deg: float
    how: How
    definition_sd_mm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CoronalSuture:
    """The suture's centre line from the patient's left to right."""

    how: How
    sd_mm: float
    curve_mm: FloatArray  # (n, 3)
    along: str = "outer_table"  # or "scalp" where the input shows no bone
    right: How = How.ESTIMATED  # over the span that matters for that side's clearance
    left: How = How.ESTIMATED
    right_sd_mm: float | None = None
    left_sd_mm: float | None = None
    definition_sd_mm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Tapes:
    """Where the entry is in tape terms, and the three lengths that must not be mixed."""

    midline_taut_mm: float
    midline_surface_mm: float | None
    midline_chord_mm: float | None
    midline_bone_mm: float | None
    lateral_taut_mm: float
    lateral_surface_mm: float | None
    lateral_straight_mm: float | None  # straight distance from the plane (mid-pupillary)


@dataclass(frozen=True, slots=True, kw_only=True)
class Thickness:
    """Lengths along the trajectory."""

    scalp_mm: float | None = None
    skull_mm: float | None = None
    outer_table_mm: float | None = None
    diploe_mm: float | None = None
    inner_table_mm: float | None = None
    tables_merged: bool | None = None
    scalp_sd_mm: float | None = None
    skull_sd_mm: float | None = None
    scalp_definition_sd_mm: float | None = None
    skull_definition_sd_mm: float | None = None
    scalp_other_side_mm: float | None = None
    thinnest_near_mm: float | None = None  # thinnest bone within 5 mm and 4 degrees
    slant_factor: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Clearance:
    """Signed distances; midline ones are positive on the named side, suture ones in front."""

    midline_scalp_mm: float | None = None
    midline_outer_table_mm: float | None = None
    midline_inner_table_mm: float | None = None
    midline_tip_mm: float | None = None
    midline_sd_mm: float | None = None
    midline_definition_sd_mm: float | None = None  # of the sinus envelope's distance too
    sinus_mm: float | None = None
    sinus_sd_mm: float | None = None
    sinus_tip_mm: float | None = None  # always null: the envelope is not applied at the tip
    suture_mm: float | None = None
    suture_sd_mm: float | None = None
    suture_definition_sd_mm: float | None = None
    suture_nearest_mm: float | None = None
    suture_bone_mm: float | None = None  # the same as suture_nearest_mm, kept by the record
    suture_scalp_mm: float | None = None
    p_suture_below_margin: float | None = None
    p_behind_suture: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DrillStop:
    """Free length of bit, from the stop's face to the very point."""

    start_on_scalp_mm: float | None = None
    start_on_bone_mm: float | None = None
    on_scalp_mm: float | None = None  # "through": where to expect the inner table
    on_bone_mm: float | None = None
    sd_mm: float | None = None
    p_start_passes_inner_table: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorDepth:
    """Depth of the tip from several faces."""

    below_inner_table_mm: float
    from_outer_table_mm: float | None = None
    from_scalp_mm: float | None = None
    from_bolt_top_mm: float | None = None
    half_turns: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MovedPoint:
    """The smallest move of the tape distances at which every margin holds."""

    exists: bool
    midline_arc_mm: float | None = None
    lateral_arc_mm: float | None = None
    scalp_entry_mm: FloatArray | None = None
    suture_nearest_mm: float | None = None
    midline_scalp_mm: float | None = None
    sinus_mm: float | None = None
    midline_arc_95_mm: float | None = None  # keeps the margin with 95 % probability; None: no such
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SidePlan:
    """Everything about one side."""

    scalp_entry_mm: FloatArray | None = None
    scalp_entry_sd_along_mm: float | None = None
    scalp_entry_sd_across_mm: float | None = None
    scalp_entry_definition_sd_along_mm: float | None = None
    scalp_entry_definition_sd_across_mm: float | None = None
    outer_table_mm: FloatArray | None = None
    inner_table_mm: FloatArray | None = None
    sensor_tip_mm: FloatArray | None = None
    unit_inward: FloatArray | None = None
    tilt_deg: float | None = None
    tapes: Tapes | None = None
    thickness: Thickness = field(default_factory=Thickness)
    clearance: Clearance = field(default_factory=Clearance)
    drill_stop: DrillStop = field(default_factory=DrillStop)
    sensor: SensorDepth | None = None
    moved: MovedPoint | None = None
    hand: HandResult | None = None  # simulated placements, where they were asked for
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class InputInfo:
    """What the plan was made from; no name, path or header text of a hospital file."""

    kind: InputKind
    name: str  # a short code from the hash, or the label the user typed
    sha256: str
    shape: tuple[int, ...] | None = None
    voxel_mm: tuple[float, ...] | None = None
    world_matrix_from: str | None = None  # "sform", "qform" or "dicom"
    unit: str = "mm"
    space: str = "RAS"
    measures_mm: dict[str, float] = field(default_factory=dict)  # tape input


@dataclass(frozen=True, slots=True, kw_only=True)
class LookedAt:
    """What was looked at: said before any number."""

    checked: tuple[str, ...] = ()
    not_checked: tuple[str, ...] = ()
    could_not_be_checked: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ImageQuality:
    """What the scan itself allows, measured on it."""

    blur_fwhm_mm: float | None = None
    noise_hu: float | None = None
    slice_mm: float | None = None
    air_hu: float | None = None
    soft_hu: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Population:
    """What published figures say where this input cannot: tape and landmark plans."""

    bregma_arc_mm: float  # expected taut arc on the scalp, nasion to bregma
    bregma_arc_sd_mm: float
    suture_clearance_mm: float
    suture_clearance_sd_mm: float
    p_suture_below_margin: float
    p_behind_suture: float
    cautious_midline_arc_mm: float | None  # keeps the margin with 95 % probability, >= 90 mm
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparisonRow:
    """One thing in which the two sides are compared; null where a side has no such figure."""

    code: str
    right: float | None = None
    left: float | None = None
    unit: str = "mm"
    right_sd: float | None = None  # of the measurement, as elsewhere
    left_sd: float | None = None
    sd: float | None = None  # of the difference: measurement and readers, what is shared apart
    speaks_for: Side | None = None
    note: str = ""  # why it speaks for neither, or what stands behind it


@dataclass(frozen=True, slots=True, kw_only=True)
class SideComparison:
    """Both sides beside each other: reasons one by one, never added up, never a choice."""

    rows: tuple[ComparisonRow, ...]
    prefer_side: Side | None = None  # as typed or by common practice; one row, not a rule


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A plan: the record ``entrypoint.plan``, version 1."""

    tool_version: str
    input: InputInfo
    rule: Rule
    sides: dict[Side, SidePlan]
    landmarks: dict[str, Landmark] = field(default_factory=dict)
    midsagittal_plane: MidsagittalPlane | None = None
    coronal_suture: CoronalSuture | None = None
    findings: tuple[Finding, ...] = ()  # about the whole head or file
    looked_at: LookedAt = field(default_factory=LookedAt)
    quality: ImageQuality | None = None
    population: Population | None = None
    comparison: SideComparison | None = None  # where both sides are planned
    practice: bool = False
    seed: int | None = None
    given_path: str | None = None  # label of a path of one's own: no rule led to its point
    caveat: str = CAVEAT
    sides_note: str = SIDES_NOTE
