"""What the bedside sheet says: one side of one plan in whole millimetres, and nothing computed.

One drill-stop length is shown, for the one seat that was named. Clearances and thickness round
down, probabilities of harm round up; an interval holds the measurement's error and the readers'.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

from entrypoint.errors import FieldRefused
from entrypoint.planning.head_findings import child
from entrypoint.planning.model import (
    DrillStop,
    Finding,
    How,
    InputKind,
    Level,
    Plan,
    Seat,
    Side,
    SidePlan,
)
from entrypoint.planning.odds import combined_sd
from entrypoint.report.rounding import (
    down,
    half_width_mm,
    of_100,
    tape,
    up,
    whole_in,
    whole_mm,
)
from entrypoint.report.wording import LEVEL_ORDER, NOT_KNOWN, SIDE_WORDS, sentence

__all__ = [
    "Figure95",
    "Person",
    "Stop",
    "as_stated",
    "chosen",
    "figures",
    "findings",
    "looked_at",
    "remarks",
    "sensor_rows",
    "stop_box",
    "tape_rows",
    "whole",
]

SEE_FINDINGS = "none is given: see the findings"
# Facts of the file, which are no lengths to set or to keep.
_AS_STORED = frozenset({"coarse-slices", "stored-values", "unit-assumed", "world-matrices-differ"})
_TELL_AN_ERROR = frozenset({"landmark-doubtful", "landmark-moved", "plane-uncertain"})


class Person(StrEnum):
    """Whose head it is; stated, never assumed."""

    ADULT = "adult"
    CHILD = "child"


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure95:
    """One figure as the sheet sets it: name, whole number with its unit, 95 % interval."""

    name: str
    figure: str
    interval: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """The drill-stop box: one length, or why there is none."""

    seat: Seat | None
    length: str = ""  # "" where none is given
    blank: bool = False  # a ruled blank: not known without a scan
    why_none: tuple[str, ...] = ()
    beside: tuple[str, ...] = ()


def chosen(plan: Plan, side: Side, person: Person | None, seat: Seat | None) -> Plan:
    """The plan as this sheet may show it: that side, that person, that seat.

    Parameters
    ----------
    plan : Plan
    side : Side
        As typed.
    person : Person or None
        As typed; None where the plan states it.
    seat : Seat or None
        As typed; None where the plan names it, or shows no length.

    Returns
    -------
    Plan
        For a child geometry alone: stop, sensor depth and what rests on adults are null.

    Raises
    ------
    FieldRefused
        The side is not in the plan; nothing states whose head it is; what was typed and what
        the plan was made with differ; a stop length without a named seat.
    """
    if side not in plan.sides:
        raise FieldRefused(
            found=f"no {SIDE_WORDS[side]} in this plan",
            expected="a side that was planned",
            next_step="plan that side, or name the other one",
        )
    if plan.rule.person is None and person is None:
        raise FieldRefused(
            found="a plan that does not state whether this is an adult or a child",
            expected="one of them, stated",
            next_step="add --adult or --child",
        )
    made = as_stated(plan, person, seat)
    stop = made.sides[side].drill_stop
    given = not (stop.start_on_bone_mm is stop.start_on_scalp_mm is None)
    if made.rule.stop_seats_on is None and given:
        raise FieldRefused(
            found="no surface named for the drill stop's seat",
            expected="bone or scalp: a sheet shows one length, for one seat",
            next_step="add --stop-seats-on bone or --stop-seats-on scalp",
        )
    return made


def as_stated(
    plan: Plan, person: Person | None, seat: Seat | None, *, what: str = "the sheet"
) -> Plan:
    """The plan with what was typed beside it; for a child geometry alone.

    Parameters
    ----------
    plan : Plan
    person : Person or None
    seat : Seat or None
    what : str
        What is being made, for the words of a refusal.

    Raises
    ------
    FieldRefused
        What was typed and what the plan was made with differ.
    """
    stated = plan.rule.person
    if stated is not None and person is not None and stated != person.value:
        raise _differs(f"the plan states {stated}, {what} {person.value}")
    named = plan.rule.stop_seats_on
    if named is not None and seat is not None and named is not seat:
        raise _differs(
            f"the plan names a stop that seats on {named.value}, {what} on {seat.value}"
        )
    who = stated or (person.value if person is not None else None)
    if who == Person.CHILD.value and stated is None:
        plan = _as_child(plan)
    return replace(plan, rule=replace(plan.rule, person=who, stop_seats_on=seat or named))


def _differs(found: str) -> FieldRefused:
    return FieldRefused(
        found=found,
        expected="one and the same",
        next_step="plan again with what is meant",
    )


def _as_child(plan: Plan) -> Plan:
    """Geometry alone: nothing to set, and nothing that rests on published adults."""
    if plan.population is not None:
        raise FieldRefused(
            found="a child, and a plan with the suture of published adults in it",
            expected="a plan that was made for a child",
            next_step="plan again with --child",
        )
    sides = {}
    for side, found in plan.sides.items():
        sides[side] = replace(
            found,
            sensor_tip_mm=None,
            clearance=replace(found.clearance, midline_tip_mm=None),
            drill_stop=DrillStop(),
            sensor=None,
            moved=None,
            hand=None,
        )
    said = child(Person.CHILD.value, "", value_found=None, limit=None)
    return replace(plan, sides=sides, findings=(*plan.findings, *said))


def looked_at(plan: Plan, side: Side) -> tuple[tuple[str, str], ...]:
    """Three rows: what was checked, what not, what could not be; of this side alone."""
    looked = plan.looked_at
    rows = (
        ("Checked", looked.checked),
        ("Not checked", looked.not_checked),
        ("Could not be checked", looked.could_not_be_checked),
    )
    other = SIDE_WORDS[Side.LEFT if side is Side.RIGHT else Side.RIGHT]
    out = []
    for word, items in rows:
        kept = [item.replace(f", {SIDE_WORDS[side]}", "") for item in items if other not in item]
        out.append((word, "; ".join(kept) or "none of these"))
    return tuple(out)


def findings(plan: Plan, side: Side) -> tuple[Finding, ...]:
    """Findings of the head and of this side, stops first; the practice banner says its own."""
    both = (*plan.sides[side].findings, *plan.findings)
    kept = [f for f in both if f.code != "practice-head"]
    return tuple(sorted(kept, key=lambda f: LEVEL_ORDER.index(f.level)))


def whole(finding: Finding) -> str:
    """The finding's sentence with whole figures, as on everything to hold."""
    if finding.code in _AS_STORED:
        return sentence(finding.text)
    return sentence(whole_in(finding.text, threat=finding.code in _TELL_AN_ERROR))


def tape_rows(plan: Plan, side: Side) -> tuple[tuple[str, str], ...]:
    """The two tape distances and what they are."""
    found = plan.sides[side].tapes
    words = (
        "behind the nasion, along the midline",
        f"to the {SIDE_WORDS[side]}, at right angles to the midline tape",
    )
    if found is None:
        return tuple((SEE_FINDINGS, word) for word in words)
    return (
        (tape(found.midline_taut_mm), words[0]),
        (tape(found.lateral_taut_mm), words[1]),
    )


def stop_box(plan: Plan, side: Side) -> Stop:
    """The one stop length, or what stands in its place."""
    found, seat = plan.sides[side], plan.rule.stop_seats_on
    if plan.rule.person == Person.CHILD.value:
        return Stop(seat=seat, why_none=("Geometry only for a child: local protocol decides.",))
    if plan.input.kind is not InputKind.CT:
        return Stop(seat=seat, blank=True, beside=(NOT_KNOWN,))
    stop = found.drill_stop
    start = stop.start_on_scalp_mm if seat is Seat.SCALP else stop.start_on_bone_mm
    if start is None or seat is None:
        return Stop(seat=seat, why_none=_why_none(plan, side, seat))
    beside = []
    inner = _inner_table_mm(found, seat)
    if inner is not None:
        beside.append(
            f"Where to expect the inner table, from the same face: about {whole_mm(inner)}, "
            "NOT A SETTING."
        )
    if stop.p_start_passes_inner_table is not None:
        beside.append(
            "Past the inner table at this length: "
            f"{of_100(stop.p_start_passes_inner_table)} simulated placements."
        )
    return Stop(seat=seat, length=whole_mm(start), beside=tuple(beside))


def _why_none(plan: Plan, side: Side, seat: Seat | None) -> tuple[str, ...]:
    """The findings that name the stop among their figures, the most pressing level alone."""
    fields = {"drill_stop"}
    if seat is not None:
        fields.add(f"drill_stop.start_on_{seat.value}_mm")
    named = [f for f in findings(plan, side) if fields & set(f.figures)]
    stops = [f for f in named if f.level is Level.STOP]
    withheld = [f for f in named if f.code.startswith("drill-stop")]
    told = tuple(whole(f) for f in stops or withheld or named)
    return told or ("See the findings: the length cannot be told here.",)


def _inner_table_mm(found: SidePlan, seat: Seat) -> float | None:
    """Best estimate of the inner table's depth from the seat, with no allowance."""
    skull, scalp = found.thickness.skull_mm, found.thickness.scalp_mm
    if seat is Seat.BONE or skull is None:
        return skull
    return None if scalp is None else scalp + skull


def sensor_rows(plan: Plan, side: Side) -> tuple[tuple[str, str], ...]:
    """Depth of the tip from several faces; an empty figure is a ruled blank.

    Returns
    -------
    tuple of (figure, words)
        No row for a child.
    """
    sensor = plan.sides[side].sensor
    if sensor is None:
        return ()
    rows = [(f"{sensor.below_inner_table_mm:g} mm", "below the inner table")]
    if sensor.from_outer_table_mm is None:
        known = plan.input.kind is InputKind.CT
        if known:
            return (*rows, ("none", "is given from the bone: see the findings"))
        return (*rows, ("", f"from the bone: {NOT_KNOWN}"))
    rows.append((whole_mm(sensor.from_outer_table_mm), "from the bone's surface"))
    if sensor.from_scalp_mm is not None:
        rows.append((whole_mm(sensor.from_scalp_mm), "from the scalp"))
    if sensor.from_bolt_top_mm is not None:
        rows.append((whole_mm(sensor.from_bolt_top_mm), "from the top of the bolt as typed"))
    if sensor.half_turns is not None:
        turns = f"{round(sensor.half_turns, 1):g} half turns"
        rows.append((turns, "for the engagement and pitch as typed"))
    return tuple(rows)


def figures(plan: Plan, side: Side) -> tuple[Figure95, ...]:
    """Clearances and thickness, those that are known."""
    c, t = plan.sides[side].clearance, plan.sides[side].thickness
    p = plan.population
    rows = []
    if p is not None and c.suture_nearest_mm is None:
        name = "In front of suture, other heads"
        rows.append(_row(name, p.suture_clearance_mm, p.suture_clearance_sd_mm))
    else:
        name = _suture_name(plan, side)
        readers = c.suture_definition_sd_mm
        rows.append(_row(name, c.suture_nearest_mm, c.suture_sd_mm, readers))
    readers = c.midline_definition_sd_mm
    scan = plan.input.kind is InputKind.CT
    rows.append(_row("Midline to the scalp point", c.midline_scalp_mm, c.midline_sd_mm, readers))
    if plan.sides[side].sensor is not None and scan:
        rows.append(_row("Midline to the sensor tip", c.midline_tip_mm, c.midline_sd_mm, readers))
    if c.sinus_mm is not None or not scan:
        rows.append(_row("Sagittal sinus envelope", c.sinus_mm, c.sinus_sd_mm, readers))
    rows += [
        _row("Scalp along the path", t.scalp_mm, t.scalp_sd_mm, t.scalp_definition_sd_mm),
        _row("Skull along the path", t.skull_mm, t.skull_sd_mm, t.skull_definition_sd_mm),
    ]
    if t.thinnest_near_mm is not None:
        rows.append(_row("Thinnest skull near it", t.thinnest_near_mm, t.skull_sd_mm,
                         t.skull_definition_sd_mm))  # fmt: skip
    rows += _point(plan.sides[side])
    if scan:
        return tuple(rows)
    return tuple(r if r.figure else replace(r, interval=NOT_KNOWN) for r in rows)


def _point(found: SidePlan) -> list[Figure95]:
    """How well the point on the scalp is placed, 95 %."""
    along, across = found.scalp_entry_sd_along_mm, found.scalp_entry_sd_across_mm
    if along is None or across is None:
        return []
    a = up(half_width_mm(combined_sd(along, found.scalp_entry_definition_sd_along_mm)), 0)
    b = up(half_width_mm(combined_sd(across, found.scalp_entry_definition_sd_across_mm)), 0)
    figure = f"± {a:.0f} mm along, ± {b:.0f} mm to the side"
    return [Figure95(name="Point on the scalp", figure=figure)]


def _suture_name(plan: Plan, side: Side) -> str:
    suture = plan.coronal_suture
    how = None if suture is None else suture.right if side is Side.RIGHT else suture.left
    if how is How.ESTIMATED:
        return "In front of suture, estimated"
    return "In front of the suture"


def _row(
    name: str, value_mm: float | None, sd_mm: float | None = None, readers_mm: float | None = None
) -> Figure95:
    if value_mm is None:
        return Figure95(name=name, figure="", interval="not known")
    figure = whole_mm(value_mm)
    if sd_mm is None:
        return Figure95(name=name, figure=figure)
    half = half_width_mm(combined_sd(sd_mm, readers_mm))
    low, high = int(down(value_mm - half, 0)), int(up(value_mm + half, 0))
    return Figure95(name=name, figure=figure, interval=f"{low} to {high} mm")


def remarks(plan: Plan, side: Side) -> str:
    """What stands under the clearances: how often the suture's margin breaks, and the tilt."""
    found = plan.sides[side]
    c, margin = found.clearance, f"{plan.rule.suture_margin_mm:g} mm"
    out = []
    p = plan.population
    near, behind = c.p_suture_below_margin, c.p_behind_suture
    of_whom = "simulated placements"
    if p is not None and c.suture_nearest_mm is None:
        near, behind, of_whom = p.p_suture_below_margin, p.p_behind_suture, "other heads"
    if near is not None and behind is not None:
        out.append(
            f"Nearer than {margin} to the coronal suture: {of_100(near)} {of_whom}; behind it: "
            f"{of_100(behind)}."
        )
    if found.tilt_deg is not None and up(found.tilt_deg, 0) > 0.0:
        out.append(f"Tilt of the path from square: {up(found.tilt_deg, 0):.0f} degrees.")
    if any(f.figure.startswith("-") for f in figures(plan, side)):
        out.append("Minus: behind the suture, or past the midline or the envelope.")
    return " ".join(out)
