"""The catalogue of findings: what each code means, what to do, where its limit comes from."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from entrypoint.errors import FieldRefused
from entrypoint.planning.after_kinds import AFTER_KINDS
from entrypoint.planning.finding_kind import FindingKind
from entrypoint.planning.model import Finding, Level

__all__ = ["CATALOGUE", "FindingKind", "kind", "make"]

NOTE, CAUTION, STOP = Level.NOTE, Level.CAUTION, Level.STOP


# fmt: off
_KINDS = (
    FindingKind(
        code="suture-margin", title="Coronal suture nearer than the margin", levels=(CAUTION,),
        means="The point lies behind the suture or nearer to it than the margin of the rule, at "
        "the best estimate or with a probability of over 20 %. Near the suture bone is uneven and "
        "the motor strip is nearer.",
        do="Compare the rule's point with the alternatives that are listed beside it; look at the "
        "suture on the scan.",
        rows=("rule_suture_margin", "probability_caution", "suture_definition",
              "nasion_deepest_offset")),
    FindingKind(
        code="suture-in-path", title="Path at the coronal suture", levels=(CAUTION,),
        means="The suture lies within a few millimetres of the path. A suture is a gap between two "
        "bones with uneven edges: scalp and skull read there may be of the gap.",
        do="Compare the thickness of the bone in front of it; see the alternatives that are "
        "listed beside the rule's point.",
        rows=("suture_reach",)),
    FindingKind(
        code="midline-margin", title="Midline nearer than the margin", levels=(CAUTION,),
        means="The point on the scalp lies nearer to the midsagittal plane than the margin.",
        do="Look at the lateral distance and at the plane's own error.",
        rows=("rule_midline_margin", "probability_caution")),
    FindingKind(
        code="sinus-envelope", title="Path near the sagittal sinus envelope",
        levels=(NOTE, CAUTION, STOP),
        means="Between the outer table and 10 mm inside the inner table the path comes into, or "
        "near to, the region where the sagittal sinus lies in published series. The sinus of this "
        "head was not looked at.",
        do="Look at the sinus on a scan with contrast, where there is one; compare a more lateral "
        "point.",
        rows=("sinus_half_width_right", "sinus_half_width_left", "sinus_cautious_bound",
              "sinus_reach_inside")),
    FindingKind(
        code="thickness-uncertain", title="Thickness of the bone uncertain", levels=(CAUTION,),
        means="The surfaces of the bone along the path are known less well than usual: they are "
        "blurred, faint, or read unlike those beside the path.",
        do="Look at the depth profile, or at a scan with thinner slices.",
        rows=("thickness_sd_caution",)),
    FindingKind(
        code="skull-thin", title="Skull thinner than usual", levels=(CAUTION,),
        means="The bone along the path is thinner than in most adults.",
        do="Compare the thickness map around the point; the drill stop is short.",
        rows=("skull_thin_limit", "skull_frontal")),
    FindingKind(
        code="skull-thick", title="Skull thicker than usual", levels=(NOTE,),
        means="The bone along the path is thicker than in most adults.",
        do="Check that the bit and the bolt are long enough.",
        rows=("skull_thick_limit", "skull_frontal")),
    FindingKind(
        code="scalp-swelling", title="Scalp thicker than on the other side", levels=(CAUTION,),
        means="The scalp under the point or under a tape differs from the other side: a swelling "
        "moves the tape, the point and any stop that seats on scalp, and changes by the hour.",
        do="Look at both sides of the head; the tape reads longer over a swelling.",
        rows=("swelling_limit", "corridor_swelling_limit")),
    FindingKind(
        code="bone-missing", title="No sound bone at the point", levels=(STOP,),
        means="Bone is missing, cracked or covered by metal within 8 mm of the path. A thickness, "
        "a drill stop and depths from bone are not given.",
        do="Look at the scan at the point.", rows=("bone_missing_radius",)),
    FindingKind(
        code="tilt", title="Path not square to the skull", levels=(CAUTION,),
        means="The path leaves the perpendicular by more than is usual for this work.",
        do="Compare the path with the perpendicular one.", rows=("tilt_limit", "tilt_freehand")),
    FindingKind(
        code="path-crosses-midline", title="Path across the midline", levels=(STOP,),
        means="Between the skin and the tip the path leaves the side of the head that it was named "
        "for.",
        do="Check the side, the direction and the coordinate space.", rows=()),
    FindingKind(
        code="coarse-slices", title="Coarse slices", levels=(NOTE, CAUTION),
        means="The slices are thicker than figures of the skull need; the errors given are wider.",
        do="Use thinner slices of the same scan, where they were kept.",
        rows=("slice_limit", "slice_thick_limit")),
    FindingKind(
        code="field-of-view", title="Part of the head not in view", levels=(NOTE, CAUTION, STOP),
        means="The image or the surface ends before something that a figure needs.",
        do="Use a series that shows it; figures that need it are not given.", rows=()),
    FindingKind(
        code="plane-uncertain", title="Midsagittal plane uncertain", levels=(CAUTION,),
        means="The head's plane of symmetry is known less well than usual, and every distance to "
        "the midline with it.",
        do="Look at the plane on the pictures, or give landmarks on the midline.",
        rows=("plane_sd_caution", "plane_sd_deg_caution")),
    FindingKind(
        code="suture-closed", title="Coronal suture closed", levels=(NOTE,),
        means="No gap was seen where the coronal suture runs; a dense seam was, and the distance "
        "to the suture is the distance to its middle.",
        do="Look at the suture on the scan on both sides.",
        rows=("suture_definition",)),
    FindingKind(
        code="suture-not-visible", title="Coronal suture not seen", levels=(NOTE, CAUTION),
        means="The suture was not seen where it matters for the clearance; its place is an "
        "estimate from bregma, from arc proportions or from published figures.",
        do="Read the clearance with its error; give suture points, where they can be read.",
        rows=("nasion_bregma_arc_bone", "bregma_ratio", "suture_bow_at_30")),
    FindingKind(
        code="landmark-doubtful", title="Landmark doubtful", levels=(CAUTION, STOP),
        means="A landmark was found with a large error, or a given one lies away from the one "
        "that was found.",
        do="Look at it on the pictures; give it by hand.",
        rows=("given_detected_caution", "given_detected_stop")),
    FindingKind(
        code="landmark-moved", title="Given landmark moved to the surface",
        levels=(NOTE, CAUTION),
        means="A given landmark did not lie on the surface and was moved to it the shortest way.",
        do="Check the point, its unit and its coordinate space.",
        rows=("landmark_note", "landmark_caution", "landmark_refused")),
    FindingKind(
        code="child-suspected", title="Possibly a child", levels=(STOP,),
        means="A size, a suture or a thickness suggests a child. The published figures are of "
        "adults: only geometry is given, no stop, engagement or sensor depth.",
        do="State whether this is an adult or a child.",
        rows=("skull_child_limit", "nasion_inion_scalp", "circumference_women")),
    FindingKind(
        code="child-stated", title="A child, as stated", levels=(NOTE,),
        means="The input was stated to be a child. The published figures are of adults: only "
        "geometry is given, no stop, engagement or sensor depth.",
        do="Defer to local protocol for children.", rows=()),
    FindingKind(
        code="side-unknown", title="Side unknown", levels=(STOP,),
        means="The input does not say which side is the patient's right.",
        do="Use a file that states its orientation, or state it where that can be proved.",
        rows=()),
    FindingKind(
        code="side-not-measured", title="Nothing measured on a side", levels=(STOP,),
        means="The surface of the scalp or of the bone round the rule's point could not be "
        "followed on this side, so it has no figures.",
        do="Look at the scan there for metal, missing bone or the edge of the field.",
        rows=()),
    FindingKind(
        code="world-matrices-differ", title="Two transforms in the file disagree",
        levels=(CAUTION,),
        means="The file holds two transforms to millimetres that place a corner of the volume "
        "differently. The one named in the record was used.",
        do="Convert the file again from its source.", rows=("matrices_limit",)),
    FindingKind(
        code="unit-assumed", title="Unit of length assumed", levels=(NOTE,),
        means="The file states no unit; millimetres give a head of a plausible size.",
        do="Check one known length.", rows=("head_length_men", "head_breadth_women")),
    FindingKind(
        code="tip-outside-skull", title="Sensor tip outside the skull", levels=(STOP,),
        means="At the depth asked for, the tip does not lie inside the skull.",
        do="Check the sensor depth and the path.", rows=("rule_sensor_depth",)),
    FindingKind(
        code="engagement-too-deep", title="Engagement deeper than the bone", levels=(STOP,),
        means="The bolt's engagement that was typed is longer than the bone along the path.",
        do="Compare the engagement with the thickness and its error.",
        rows=("bolt_engagement_shortest", "bolt_engagement_longest")),
    FindingKind(
        code="stored-values", title="How the file stores its values", levels=(NOTE, CAUTION),
        means="The stored values were shifted, cut off or padded, the header contradicts itself, "
        "or a DICOM series was chosen or is not whole or even. What was done to read it is said.",
        do="Compare with the original series where a figure depends on it.", rows=()),
    FindingKind(
        code="practice-head", title="PRACTICE HEAD, NOT A PATIENT", levels=(NOTE,),
        means="The input is a phantom, a sample or a rehearsal head.",
        do="Use nothing of it on a patient.", rows=()),
    FindingKind(
        code="sides-as-stated", title="Sides are as the input states them", levels=(NOTE,),
        means="Right and left follow the file, the landmarks or the typed side: anatomy cannot "
        "show that they were swapped.",
        do="Check the side against the patient.", rows=()),
    FindingKind(
        code="metal", title="Metal in the image", levels=(NOTE, CAUTION),
        means="Values are saturated by metal; what lies near it cannot be judged.",
        do="Look at the scan around it.", rows=()),
    FindingKind(
        code="noise", title="Noisy image", levels=(NOTE, CAUTION),
        means="The noise is higher than in usual head images; errors are wider.",
        do="Use a smoother series of the same scan.", rows=("noise_limit",)),
    FindingKind(
        code="low-contrast", title="Bone of low contrast", levels=(NOTE, CAUTION),
        means="The bone along the path is hardly denser than soft tissue, or its range is cut off; "
        "its edges are less certain.",
        do="Read the thickness with its error.", rows=("contrast_limit",)),
    FindingKind(
        code="population-only", title="Published figures in place of this head", levels=(NOTE,),
        means="What this input cannot show comes from published figures of other heads, with "
        "their spread.",
        do="Read the probabilities; skull thickness, stop and depth from bone are not known "
        "without a scan.",
        rows=("nasion_bregma_arc_bone", "scalp_minus_bone_arc", "suture_bow_at_30")),
    FindingKind(
        code="measure-unusual", title="A measure outside the usual range", levels=(NOTE, CAUTION),
        means="A measure lies outside the range seen in published series of adults.",
        do="Measure again; check the unit.",
        rows=("nasion_inion_scalp", "circumference_men", "circumference_women",
              "interpupillary_men", "interpupillary_women", "tragus_tragus_scalp")),
    FindingKind(
        code="nasion-shallow", title="Nasal root hardly hollow", levels=(CAUTION,),
        means="The nasal root is so shallow that its deepest point is poorly defined; the error "
        "of the nasion, and of every midline tape, is wider.",
        do="Look at the nasion on the picture, or give it.",
        rows=("nasion_hollow_limit", "nasion_definition")),
    FindingKind(
        code="asymmetry", title="Uneven head", levels=(NOTE, CAUTION),
        means="One side of the head differs from the other by more than is usual.",
        do="Look at the plane and at both sides.", rows=("asymmetry_limit",)),
    FindingKind(
        code="frontal-sinus", title="Frontal sinus on the path", levels=(CAUTION,),
        means="Air lies between the tables along the path or beside it.",
        do="Compare a point farther back or more lateral.", rows=()),
    FindingKind(
        code="drill-stop-scalp-withheld", title="No stop that seats on scalp", levels=(NOTE,),
        means="The scalp is too thick or too uneven for a stop that seats on it.",
        do="The length for a stop that seats on bone does not depend on the scalp.",
        rows=("scalp_stop_limit", "scalp_sides_limit")),
    FindingKind(
        code="landmark-model", title="Scalp modelled from landmarks", levels=(NOTE, CAUTION),
        means="No surface was given: the scalp between the landmarks is a smooth model, and its "
        "own error is in the figures.",
        do="Read the error of the entry; a scan or a surface shows this head.", rows=()),
    FindingKind(
        code="air-near-path", title="Air beside or on the path", levels=(CAUTION,),
        means="Something as dark as air lies in the scalp or inside the skull within the corridor "
        "round the path.",
        do="Look at the scan along the path.",
        rows=("corridor_air_hu", "corridor_radius_bone", "corridor_radius_inside")),
    FindingKind(
        code="denser-than-brain", title="Denser than brain along the path", levels=(CAUTION,),
        means="Under the bone or along the sensor's way the scan reads denser than brain does "
        "here, and than the same place on the other side, by more than its noise. What it is, "
        "the figure does not say.",
        do="Look at the scan along the path, on both sides.",
        rows=("corridor_denser", "corridor_denser_sides", "corridor_sure", "brain_hu",
              "clot_hu")),
    FindingKind(
        code="fluid-under-bone", title="Fluid density under the bone", levels=(NOTE, CAUTION),
        means="Round the path the scan reads like fluid deeper under the inner table than on the "
        "other side, or deep on both.",
        do="Look at the scan under the bone, on both sides.",
        rows=("corridor_fluid_note", "corridor_fluid_caution", "corridor_fluid_deep",
              "fluid_hu")),
    FindingKind(
        code="dense-under-bone", title="As dense as bone under the bone", levels=(CAUTION,),
        means="Below the inner table, and not joined to it, lies something as dense as bone or "
        "calcification. Where it lies close under the table the thickness may hold it.",
        do="Look at the scan along the path.", rows=("corridor_calcified_hu",)),
    FindingKind(
        code="fluid-space-near", title="Fluid space near the tip", levels=(NOTE, CAUTION),
        means="A large space that reads like fluid, such as a ventricle, lies near the planned "
        "place of the tip.",
        do="Look at the scan round the tip; compare the sensor's depth.",
        rows=("ventricle_near_note", "ventricle_near_caution", "ventricle_least_volume",
              "ventricle_deeper_than", "fluid_hu")),
)
# fmt: on

CATALOGUE: Mapping[str, FindingKind] = MappingProxyType(
    {k.code: k for k in (*_KINDS, *AFTER_KINDS)}
)


def kind(code: str) -> FindingKind:
    """Return the catalogue's entry for a code.

    Raises
    ------
    FieldRefused
        There is no such code.

    Examples
    --------
    >>> kind("tilt").title
    'Path not square to the skull'
    >>> kind("tlit")
    Traceback (most recent call last):
    ...
    entrypoint.errors.FieldRefused: No finding has the code 'tlit'; expected ...
    """
    found = CATALOGUE.get(code)
    if found is None:
        import difflib

        near = difflib.get_close_matches(code, CATALOGUE, n=1) or [next(iter(CATALOGUE))]
        raise FieldRefused(
            found=f"no finding has the code {code!r}",
            expected=f"one of {', '.join(sorted(CATALOGUE))}",
            next_step=f"did you mean {near[0]!r}?",
        )
    return found


def make(
    code: str,
    level: Level,
    text: str,
    *,
    value: float | None = None,
    limit: float | None = None,
    unit: str = "mm",
    figures: tuple[str, ...] = (),
) -> Finding:
    """Make a finding of the catalogue, its source filled in.

    Raises
    ------
    FieldRefused
        No such code, or a level that this code does not take.
    """
    entry = kind(code)
    if level not in entry.levels:
        raise FieldRefused(
            found=f"the finding {code!r} at level {level.value!r}",
            expected=f"one of {', '.join(x.value for x in entry.levels)}",
            next_step="use another level, or another code",
        )
    return Finding(
        code=code,
        level=level,
        text=text,
        value=value,
        limit=limit,
        unit=unit,
        source=entry.source(),
        figures=figures,
    )
