"""Tape measures alone, any of them or none: marks to make, and what they are likely to mean."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from entrypoint import __version__
from entrypoint.errors import FieldRefused
from entrypoint.geometry.spheres import arc_of_chord_mm
from entrypoint.planning.depths import sensor_depth
from entrypoint.planning.finding_kinds import make
from entrypoint.planning.findings import ordered, suture_margin
from entrypoint.planning.head_findings import (
    child,
    measure_unusual,
    population_only,
    sides_as_stated,
)
from entrypoint.planning.model import (
    Clearance,
    Finding,
    InputInfo,
    InputKind,
    LateralBy,
    Level,
    LookedAt,
    MovedPoint,
    Plan,
    Population,
    Rule,
    Side,
    SidePlan,
    Tapes,
    Thickness,
)
from entrypoint.planning.odds import combined_sd
from entrypoint.planning.suture_odds import (
    Arc,
    cautious_arc_mm,
    definition_sd_mm,
    suture_odds,
)
from entrypoint.reference import row, spread, value

__all__ = ["MEASURES", "check_measures", "plan_from_tape", "usual_range_mm"]

MEASURES = ("nasion_inion_mm", "tragus_tragus_mm", "circumference_mm", "interpupillary_mm")
_WORDS = {
    "nasion_inion_mm": "nasion-inion tape",
    "tragus_tragus_mm": "tragus-tragus tape",
    "circumference_mm": "head circumference",
    "interpupillary_mm": "interpupillary distance",
}
_ROWS = {
    "nasion_inion_mm": ("nasion_inion_scalp",),
    "tragus_tragus_mm": ("tragus_tragus_scalp",),
    "circumference_mm": ("circumference_men", "circumference_women"),
    "interpupillary_mm": ("interpupillary_men", "interpupillary_women"),
}
_CHILD_BY = ("nasion_inion_mm", "circumference_mm")
_SLIPS = ((10.0, "cm"), (0.1, "tenths of a mm"), (1000.0, "m"), (25.4, "inches"))


def usual_range_mm(name: str) -> tuple[float, float]:
    """Range seen in published series of adults, both sexes together."""
    rows = [row(key) for key in _ROWS[name]]
    lows = [r.low if r.low is not None else r.value for r in rows]
    highs = [r.high if r.high is not None else r.value for r in rows]
    return min(lows), max(highs)


def _accepted_mm(name: str) -> tuple[float, float]:
    stem = name.removesuffix("_mm")
    return value(f"{stem}_refused_below"), value(f"{stem}_refused_above")


def check_measures(measures: Mapping[str, float], rule: Rule) -> tuple[Finding, ...]:
    """Refuse a measure that no head has; tell one that published adults do not have.

    Raises
    ------
    FieldRefused
        An unknown name, a value that is not finite, or one outside any head, with the unit
        it would fit where there is one.

    Examples
    --------
    >>> check_measures({"nasion_inion_mm": 366.0}, Rule())
    ()
    >>> check_measures({"nasion_inion_mm": 36.6}, Rule())
    Traceback (most recent call last):
    ...
    entrypoint.errors.FieldRefused: A nasion-inion tape of 36.6 mm; expected 200 to 480 mm; ...
    """
    out: list[Finding] = []
    for name, found in measures.items():
        if name not in MEASURES:
            raise FieldRefused(
                found=f"a measure named {name!r}",
                expected=", ".join(MEASURES),
                next_step="use one of these names",
            )
        low, high = _accepted_mm(name)
        if not low <= found <= high:  # false for a value that is not a number, too
            usual = usual_range_mm(name)
            likely = [
                f"{found * factor:.0f} mm, if it was in {unit}"
                for factor, unit in _SLIPS
                if usual[0] * 0.9 <= found * factor <= usual[1] * 1.1
            ]
            raise FieldRefused(
                found=f"a {_WORDS[name]} of {found:g} mm",
                expected=f"{low:.0f} to {high:.0f} mm",
                next_step=f"did you mean {likely[0]}?" if likely else "measure again, in mm",
            )
        usual_low, usual_high = usual_range_mm(name)
        if usual_low <= found <= usual_high:
            continue
        if found < usual_low and name in _CHILD_BY and rule.person is None:
            out += child(
                None,
                f"the {_WORDS[name]} of {found:.0f} mm is under the {usual_low:.0f} mm seen in "
                "published series of adults",
                value_found=found,
                limit=usual_low,
            )
        elif rule.person != "child":
            out.append(measure_unusual(_WORDS[name], found, usual_low, usual_high))
    if rule.person == "child":
        out += child("child", "", value_found=None, limit=None)
    return tuple(out)


def lateral_tape_mm(straight_mm: float) -> float:
    """Tape on the scalp over a straight distance from the midline, by the usual slope there."""
    radius = value("scalp_radius_lateral")
    return arc_of_chord_mm(2.0 * min(straight_mm, 0.95 * radius), radius) / 2.0


def _lateral(rule: Rule, measures: Mapping[str, float]) -> tuple[Rule, float, float | None]:
    if rule.lateral_by is not LateralBy.MID_PUPILLARY:
        return rule, rule.lateral_arc_mm, None
    apart = rule.interpupillary_mm or measures.get("interpupillary_mm")
    if apart is None:
        raise FieldRefused(
            found="the mid-pupillary line without an interpupillary distance",
            expected="interpupillary_mm",
            next_step="measure it, or give a lateral arc",
        )
    return replace(rule, interpupillary_mm=apart), lateral_tape_mm(apart / 2.0), apart / 2.0


def _looked_at(measures: Mapping[str, float], is_child: bool) -> LookedAt:
    checked = tuple(f"{_WORDS[name]} against published adults" for name in measures)
    suture = "where the coronal suture is to be expected, from published figures"
    return LookedAt(
        checked=checked if is_child else (*checked, suture),
        not_checked=(
            "this head's own suture, skull and scalp",
            "vessels, cortex and lesions",
            "swelling under the tape",
        ),
        could_not_be_checked=(
            "skull thickness, drill stop and depths from bone: NOT KNOWN WITHOUT A SCAN",
            "distance to the midline and to the sagittal sinus",
            *((f"{suture}: they are of adults",) if is_child else ()),
        ),
    )


def plan_from_tape(
    measures: Mapping[str, float],
    *,
    info: InputInfo | None = None,
    rule: Rule | None = None,
    sides: Iterable[Side] = (Side.RIGHT, Side.LEFT),
    tool_version: str = __version__,
) -> Plan:
    """Plan at the bedside, without a scan.

    Parameters
    ----------
    measures : mapping
        Any of ``MEASURES``, mm, tapes pulled tight on the scalp. Only the nasion-inion tape
        says where the suture is to be expected on this head; the interpupillary distance gives
        the mid-pupillary line; the others are only compared with published adults.
    info : InputInfo, optional
        What the plan is to say about its input.
    rule : Rule, optional
    sides : iterable of Side
        The same marks, mirrored.
    tool_version : str

    Returns
    -------
    Plan
        ``population`` holds the expected bregma, the probabilities and the cautious arc. Skull
        thickness, stop and depths from bone are null.

    Raises
    ------
    FieldRefused
        A measure that no head has, or the mid-pupillary line without its measure.
    """
    rule = rule or Rule()
    found = check_measures(measures, rule)
    rule, lateral_arc, straight = _lateral(rule, measures)
    nasion_inion = measures.get("nasion_inion_mm")
    reading = spread("tape_reading")
    definition = definition_sd_mm()
    odds = suture_odds(
        midline_arc_mm=rule.midline_arc_mm,
        lateral_arc_mm=lateral_arc,
        margin_mm=rule.suture_margin_mm,
        arc=Arc.SCALP,
        nasion_inion_mm=nasion_inion,
        measurement_sd_mm=reading,
        definition_sd_mm=definition,
    )
    cautious = cautious_arc_mm(
        lateral_arc_mm=lateral_arc,
        margin_mm=rule.suture_margin_mm,
        arc=Arc.SCALP,
        nasion_inion_mm=nasion_inion,
        measurement_sd_mm=reading,
        definition_sd_mm=definition,
    )
    if cautious is not None:
        cautious = min(cautious, rule.midline_arc_mm)
    keys = ["nasion_bregma_arc_bone", "scalp_minus_bone_arc", "suture_bow_at_30"]
    if nasion_inion is not None:
        keys += ["bregma_ratio", "nasion_inion_scalp"]
    population = Population(
        bregma_arc_mm=odds.bregma_arc_mm,
        bregma_arc_sd_mm=odds.bregma_arc_sd_mm,
        suture_clearance_mm=odds.clearance_mm,
        suture_clearance_sd_mm=combined_sd(odds.sd_mm, definition),
        p_suture_below_margin=odds.p_below_margin,
        p_behind_suture=odds.p_behind,
        cautious_midline_arc_mm=cautious,
        source="; ".join(dict.fromkeys(row(key).cited() for key in keys)),
    )
    is_child = rule.person == "child" or any(f.code == "child-suspected" for f in found)
    # The published series are of adults: they say nothing of a child's suture.
    clearance = (
        Clearance()
        if is_child
        else Clearance(
            suture_mm=odds.clearance_mm,
            suture_sd_mm=odds.sd_mm,
            suture_definition_sd_mm=definition,
            suture_nearest_mm=None,
            suture_scalp_mm=odds.clearance_mm,
            p_suture_below_margin=odds.p_below_margin,
            p_behind_suture=odds.p_behind,
        )
    )
    moved: MovedPoint | None = None
    side_findings: tuple[Finding, ...] = ()
    if not is_child:
        moved = _moved(rule, lateral_arc, odds.clearance_mm, cautious)
        judged = replace(clearance, suture_nearest_mm=odds.clearance_mm)
        side_findings = suture_margin(judged, rule, moved, on="the average of published heads")
    plans = {
        side: SidePlan(
            scalp_entry_sd_along_mm=reading,
            scalp_entry_sd_across_mm=reading,
            scalp_entry_definition_sd_along_mm=spread("nasion_definition"),
            tapes=Tapes(
                midline_taut_mm=rule.midline_arc_mm,
                midline_surface_mm=None,
                midline_chord_mm=None,
                midline_bone_mm=None,
                lateral_taut_mm=lateral_arc,
                lateral_surface_mm=None,
                lateral_straight_mm=straight,
            ),
            clearance=clearance,
            sensor=sensor_depth(Thickness(), rule, geometry_only=is_child),
            moved=moved,
            findings=ordered(side_findings),
        )
        for side in sides
    }
    whole = (
        *found,
        sides_as_stated("the reader of the tape"),
    )
    if not is_child:
        whole += (population_only("the suture's place comes"),)
    if nasion_inion is None and not is_child:
        whole += (
            make(
                "population-only",
                Level.NOTE,
                "without the nasion-inion tape the expected bregma is that of the average head",
                unit="",
            ),
        )
    info = info or InputInfo(kind=InputKind.TAPE, name="tape", sha256="")
    return Plan(
        tool_version=tool_version,
        input=replace(info, measures_mm=dict(measures)),
        rule=rule,
        sides=plans,
        findings=ordered(whole),
        looked_at=_looked_at(measures, is_child),
        population=None if is_child else population,
        sides_note="Right and left are the patient's, as whoever laid the tape says.",
    )


def _moved(rule: Rule, lateral_arc: float, clearance: float, cautious: float | None) -> MovedPoint:
    """Alternative arcs on the average head; tape distances only, no place in the world."""
    arc = min(rule.midline_arc_mm, rule.midline_arc_mm + clearance - rule.suture_margin_mm)
    exists = arc >= value("foremost_arc")
    kept = f"{value('probability_kept') * 100:.0f} %"
    if cautious is None:
        text = (
            f"no midline tape distance of {value('foremost_arc') / 10:.0f} cm or more keeps "
            f"{rule.suture_margin_mm:.0f} mm with {kept} probability"
        )
    else:
        whole = int(cautious + 1e-6)
        text = (
            f"a point at a midline tape distance of {whole / 10:g} cm ({whole} mm) would keep "
            f"{rule.suture_margin_mm:.0f} mm with {kept} probability"
        )
    return MovedPoint(
        exists=exists,
        midline_arc_mm=arc if exists else None,
        lateral_arc_mm=lateral_arc if exists else None,
        suture_nearest_mm=(clearance + rule.midline_arc_mm - arc) if exists else None,
        midline_arc_95_mm=cautious,
        text=text,
    )
