"""The box of what is set by hand on a drill and a sensor: one stop length, for one named seat."""

from __future__ import annotations

from entrypoint.planning.model import InputKind, Plan, Seat, Side, SidePlan
from entrypoint.report.document import Table
from entrypoint.report.rounding import down, of_100, whole_mm
from entrypoint.report.wording import (
    BLANK,
    DEVICE_FIRST,
    NAME_THE_SEAT,
    NOT_KNOWN,
    SEAT_WORDS,
    SIDE_WORDS,
    STOP_GIVES,
)

Row = tuple[str, str]


def drill_box(plan: Plan, side: Side) -> Table:
    """The drill and sensor figures of one side, in millimetres, in a box of their own.

    Parameters
    ----------
    plan : Plan
    side : Side
    """
    found = plan.sides[side]
    rows = [*_stop(plan, found), *_sensor(plan, found), (DEVICE_FIRST, "")]
    return Table(rows=tuple(rows), boxed=True, title=f"DRILL AND SENSOR: {SIDE_WORDS[side]}")


def _stop(plan: Plan, found: SidePlan) -> list[Row]:
    if plan.input.kind is not InputKind.CT:
        return [("Stop length", f"{BLANK} mm  {NOT_KNOWN}")]
    seat = plan.rule.stop_seats_on
    if seat is None:
        return [(NAME_THE_SEAT, "")]
    stop = found.drill_stop
    start = stop.start_on_bone_mm if seat is Seat.BONE else stop.start_on_scalp_mm
    title = f"Stop length, stop seated {SEAT_WORDS[seat]}"
    if start is None:
        return [(title, "none is given here: see the findings")]
    rows = [(title, whole_mm(start))]
    if stop.p_start_passes_inner_table is not None:
        rows.append(
            ("  simulated placements past the inner table", of_100(stop.p_start_passes_inner_table))
        )
    inner = _inner_table_mm(found, seat)
    if inner is not None:
        rows.append(
            ("  where to expect the inner table: not a setting", f"about {whole_mm(inner)}")
        )
    return [*rows, (STOP_GIVES, "")]


def _inner_table_mm(found: SidePlan, seat: Seat) -> float | None:
    """Best estimate of the inner table's depth from the seat, with no allowance."""
    skull, scalp = found.thickness.skull_mm, found.thickness.scalp_mm
    if seat is Seat.BONE or skull is None:
        return skull
    return None if scalp is None else scalp + skull


def _sensor(plan: Plan, found: SidePlan) -> list[Row]:
    sensor = found.sensor
    if sensor is None:
        return []
    rows = [("Sensor tip below the inner table", f"{down(sensor.below_inner_table_mm):g} mm")]
    if plan.input.kind is not InputKind.CT:
        return [*rows, ("Sensor tip from the bone's surface", f"{BLANK} mm  {NOT_KNOWN}")]
    faces = (
        ("Sensor tip from the bone's surface", sensor.from_outer_table_mm),
        ("Sensor tip from the scalp", sensor.from_scalp_mm),
        ("Sensor tip from the bolt's top", sensor.from_bolt_top_mm),
    )
    rows += [(words, whole_mm(value)) for words, value in faces if value is not None]
    if sensor.half_turns is not None:
        rows.append(("Half turns for the typed engagement", f"{sensor.half_turns:.1f}"))
    return rows
