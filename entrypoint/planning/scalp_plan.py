"""A plan on a scalp without bone: the same for a real surface and for a modelled one.

A ``ScalpHead`` answers two questions: the midline profile, and the section down a side. All
else follows: the rule's point, the suture on the scalp (given, or from bregma, or expected),
and the distances that a scalp can tell. What needs bone stays null.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from entrypoint import __version__
from entrypoint.errors import GeometryError, MeasurementError
from entrypoint.geometry.guards import read_only
from entrypoint.geometry.planes import Plane
from entrypoint.geometry.polylines import point_at
from entrypoint.planning.clearance import SutureClearances, midline_clearances_mm, suture_clearances
from entrypoint.planning.depths import sensor_depth
from entrypoint.planning.entry import (
    Entry,
    MidlineTape,
    midline_tape,
    place_entry,
    side_sign,
)
from entrypoint.planning.findings import estimated_suture, midline_margin, ordered, suture_margin
from entrypoint.planning.head_findings import population_only, sides_as_stated
from entrypoint.planning.head_landmarks import interpupillary_mm
from entrypoint.planning.model import (
    Clearance,
    Finding,
    How,
    InputInfo,
    Landmark,
    LateralBy,
    LookedAt,
    Plan,
    Population,
    Rule,
    Side,
    SidePlan,
    Thickness,
)
from entrypoint.planning.moved import Margins, moved_point
from entrypoint.planning.odds import combined_sd, probability_below
from entrypoint.planning.scalp_suture import ScalpHead, ScalpSuture, suture_on_scalp
from entrypoint.planning.suture_odds import Arc, cautious_arc_mm, expected_bregma_mm
from entrypoint.reference import row, spread

__all__ = ["plan_on_scalp"]

FloatArray = NDArray[np.float64]


def _clearances(entry: Entry, suture: ScalpSuture, plane: Plane) -> SutureClearances:
    return suture_clearances(
        point=entry.scalp_entry_mm,
        suture_curve=suture.record.curve_mm,
        midsagittal=plane,
        unit_backward=entry.unit_backward,
    )


def _with_pupils(rule: Rule, head: ScalpHead) -> Rule:
    if rule.lateral_by is LateralBy.MID_PUPILLARY and rule.interpupillary_mm is None:
        return replace(rule, interpupillary_mm=interpupillary_mm(head.points))
    return rule


def _side(
    head: ScalpHead, tape: MidlineTape, suture: ScalpSuture | None, rule: Rule, side: Side
) -> SidePlan:
    def place(midline: float, lateral: float | None) -> Entry:
        at = replace(rule, midline_arc_mm=midline)
        if lateral is not None:
            at = replace(at, lateral_arc_mm=lateral, lateral_by=LateralBy.ARC)
        return place_entry(
            midline_profile_mm=head.profile_mm,
            midsagittal=head.plane,
            lateral_section=head.sections[side],
            side=side,
            rule=at,
            tape=tape,
        )

    def replan(midline: float, lateral: float) -> Margins:
        there = place(midline, lateral)
        point = there.scalp_entry_mm
        return Margins(
            suture_nearest_mm=None
            if suture is None
            else _clearances(there, suture, head.plane).nearest_mm,
            midline_scalp_mm=side_sign(side) * head.plane.distance_of_mm(point),
            sinus_mm=None,
            scalp_entry_mm=point,
        )

    entry = place(rule.midline_arc_mm, None)
    sd = definition = None
    clearance = Clearance(
        midline_scalp_mm=float(
            midline_clearances_mm(entry.scalp_entry_mm[None], head.plane, side)[0]
        ),
        midline_sd_mm=combined_sd(head.record.sd_mm, 0.0),
    )
    findings: list[Finding] = []
    moved = None
    if suture is not None:
        got = _clearances(entry, suture, head.plane)
        sd, definition = suture.record.sd_mm, suture.record.definition_sd_mm
        # an expected bregma is an arc along the same tape, so that the tape's own error drops out
        if not suture.expected:
            sd = combined_sd(sd, head.sd_along_mm)
        clearance = replace(
            clearance,
            suture_mm=got.parallel_mm,
            suture_sd_mm=sd,
            suture_definition_sd_mm=definition,
            suture_nearest_mm=got.nearest_mm,
            suture_scalp_mm=got.parallel_mm,
            p_suture_below_margin=probability_below(
                rule.suture_margin_mm, got.nearest_mm, sd, definition
            ),
            p_behind_suture=probability_below(0.0, got.nearest_mm, sd, definition),
        )
        moved = moved_point(
            replan,
            rule,
            (rule.midline_arc_mm, entry.tapes.lateral_taut_mm),
            suture_sd_mm=sd,
            suture_definition_sd_mm=definition,
        )
        findings += suture_margin(clearance, rule, moved, on="this scalp")
        findings += estimated_suture(
            side,
            suture.record.how,
            combined_sd(sd, definition),
            why="published arcs stand in for it" if suture.expected else "only bregma was given",
        )
    findings += midline_margin(clearance, rule)
    return SidePlan(
        scalp_entry_mm=entry.scalp_entry_mm,
        scalp_entry_sd_along_mm=head.sd_along_mm,
        scalp_entry_sd_across_mm=head.sd_across_mm,
        scalp_entry_definition_sd_along_mm=head.sd_definition_along_mm,
        tapes=entry.tapes,
        clearance=clearance,
        sensor=sensor_depth(Thickness(), rule, geometry_only=_is_child(head, rule)),
        moved=moved,
        findings=ordered(findings),
    )


def _is_child(head: ScalpHead, rule: Rule) -> bool:
    return rule.person == "child" or any(f.code == "child-suspected" for f in head.findings)


def _population(
    head: ScalpHead, tape: MidlineTape, rule: Rule, sides: Mapping[Side, SidePlan]
) -> Population | None:
    whole = tape.length_mm if head.inion_in_view else None
    bregma, bregma_sd = expected_bregma_mm(Arc.SCALP, nasion_inion_mm=whole)
    first = next(iter(sides.values()))
    have = first.clearance
    if have.suture_nearest_mm is None or have.p_suture_below_margin is None:
        return None
    lateral = first.tapes.lateral_taut_mm if first.tapes else rule.lateral_arc_mm
    definition = have.suture_definition_sd_mm or 0.0
    cautious = cautious_arc_mm(
        lateral_arc_mm=lateral,
        margin_mm=rule.suture_margin_mm,
        arc=Arc.SCALP,
        nasion_inion_mm=whole,
        definition_sd_mm=definition,
    )
    if cautious is not None:
        cautious = min(cautious, rule.midline_arc_mm)
    keys = ["nasion_bregma_arc_bone", "scalp_minus_bone_arc", "suture_bow_at_30"]
    keys += ["bregma_ratio", "nasion_inion_scalp"] if whole is not None else []
    return Population(
        bregma_arc_mm=bregma,
        bregma_arc_sd_mm=bregma_sd,
        suture_clearance_mm=have.suture_nearest_mm,
        suture_clearance_sd_mm=combined_sd(have.suture_sd_mm, definition),
        p_suture_below_margin=have.p_suture_below_margin,
        p_behind_suture=have.p_behind_suture or 0.0,
        cautious_midline_arc_mm=cautious,
        source="; ".join(dict.fromkeys(row(key).cited() for key in keys)),
    )


def plan_on_scalp(
    head: ScalpHead,
    *,
    info: InputInfo,
    rule: Rule,
    sides: Iterable[Side],
    tool_version: str = __version__,
) -> Plan:
    """Plan on a scalp, no bone known.

    Parameters
    ----------
    head : ScalpHead
    info : InputInfo
    rule : Rule
    sides : iterable of Side
    tool_version : str

    Returns
    -------
    Plan
        Thickness, drill stop, tip and sinus are null.

    Raises
    ------
    MeasurementError
        Too little scalp in view for the rule.
    FieldRefused
        A given point lies far from the scalp; no pupils for the mid-pupillary line.
    """
    rule = _with_pupils(rule, head)
    tape = midline_tape(head.profile_mm, head.plane)
    suture: ScalpSuture | None
    extra: list[Finding] = []
    try:
        suture = suture_on_scalp(head, tape)
    except (MeasurementError, GeometryError):
        suture = None
    if suture is not None and suture.expected and _is_child(head, rule):
        suture = None  # the published arcs are of adults
    plans = {side: _side(head, tape, suture, rule, side) for side in sides}
    landmarks = dict(head.landmarks)
    population = None
    if suture is not None and suture.bregma_arc_mm < tape.length_mm:
        landmarks["bregma"] = Landmark(
            position_mm=read_only(point_at(tape.tape.points_mm, suture.bregma_arc_mm)[0]),
            sd_mm=suture.bregma_sd_mm,
            how=How.ESTIMATED if suture.expected else How.GIVEN,
            definition_sd_mm=spread("bregma_definition"),
        )
    if suture is not None and suture.expected:
        extra.append(population_only("the suture's place comes"))
        population = _population(head, tape, rule, plans)
    could_not = [
        "skull thickness, drill stop and depths from bone: NOT KNOWN WITHOUT A SCAN",
        "distance to the sagittal sinus",
    ]
    if suture is None:
        could_not.append("distance to the coronal suture")
    return Plan(
        tool_version=tool_version,
        input=info,
        rule=rule,
        sides=plans,
        landmarks=landmarks,
        midsagittal_plane=head.record,
        coronal_suture=None if suture is None else suture.record,
        findings=ordered([*head.findings, *extra, sides_as_stated("the landmarks")]),
        looked_at=LookedAt(
            checked=head.checked,
            not_checked=("vessels, cortex and lesions", "swelling under the tapes"),
            could_not_be_checked=tuple(could_not),
        ),
        population=population,
    )
