"""``entrypoint log``: what was done, beside the plan, for audit."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any

import typer

from entrypoint.cli.options import Number, SeatOn

if TYPE_CHECKING:
    from entrypoint.io.log_lines import ReadLog
    from entrypoint.planning.log_model import Done


class DoneOn(StrEnum):
    """The side of the patient."""

    RIGHT = "right"
    LEFT = "left"


def log(
    plan: Annotated[str, typer.Argument(metavar="PLAN", help="A plan record (plan --json).")],
    side: Annotated[
        DoneOn | None, typer.Option(help="The PATIENT'S side on which it was done; no default.")
    ] = None,
    role: Annotated[
        str | None,
        typer.Option(
            metavar="ROLE",
            help="operator, supervisor, assistant, nurse, second-checker or recorder; no name.",
        ),
    ] = None,
    at: Annotated[
        str | None,
        typer.Option(metavar="TIME", help="When, as 2026-03-01T14:05Z. [now]"),
    ] = None,
    drill_depth_mm: Annotated[Number, typer.Option(help="Drill depth used, as set.")] = None,
    stop_seat: Annotated[
        SeatOn | None, typer.Option(help="What the stop's face was seated on.")
    ] = None,
    sensor_depth_mm: Annotated[
        Number, typer.Option(help="Sensor tip below the inner table, as intended.")
    ] = None,
    sensor_from_bolt_top_mm: Annotated[
        Number, typer.Option(help="Sensor length from the bolt's top.")
    ] = None,
    engagement_mm: Annotated[Number, typer.Option(help="How deep the bolt engaged.")] = None,
    half_turns: Annotated[Number, typer.Option(help="Half turns of the bolt.")] = None,
    device: Annotated[
        str | None,
        typer.Option(
            metavar="REFERENCE", help="Device reference: capital letters, digits, and . / -"
        ),
    ] = None,
    zero_mmhg: Annotated[Number, typer.Option(help="Zero reference.")] = None,
    first_reading_mmhg: Annotated[Number, typer.Option(help="First reading.")] = None,
    complication: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="From the fixed list; may be repeated. Also none-noted."),
    ] = None,
    corrects: Annotated[
        int | None, typer.Option(metavar="ENTRY", help="This entry stands for that one.")
    ] = None,
    listed: Annotated[bool, typer.Option("--list", help="Print the log, and stop.")] = False,
    verify: Annotated[
        bool, typer.Option("--verify", help="Say whether every entry follows the one before it.")
    ] = False,
    last: Annotated[
        str | None,
        typer.Option(metavar="HASH", help="With --verify: the last entry's hash as kept."),
    ] = None,
) -> None:
    """Log what was done beside its plan: fixed fields and roles, no free text, no person.

    One line an entry, in a file beside the plan; each line carries the hash of the one before it.
    Nothing is ever rewritten: a correction is a new entry. For audit and teaching only.
    """
    typed = dict(locals())
    if listed and verify:
        raise typer.BadParameter("Give one of --list and --verify.", param_hint="--verify")
    if last is not None and not verify:
        raise typer.BadParameter("It goes with --verify.", param_hint="--last")
    if listed or verify:
        _no_fields(typed)
        (_verify if verify else _list)(plan, last)
        return
    if side is None or role is None:
        missing = "--side" if side is None else "--role"
        raise typer.BadParameter("An entry needs it; there is no default.", param_hint=missing)
    _append(typed)


def _no_fields(typed: dict[str, Any]) -> None:
    apart = {"plan", "listed", "verify", "last"}
    given = [name for name, value in typed.items() if name not in apart and value is not None]
    if given:
        raise typer.BadParameter(
            "--list and --verify add nothing to the log.",
            param_hint="--" + given[0].replace("_", "-"),
        )


def _append(typed: dict[str, Any]) -> None:
    import hashlib

    from entrypoint import __version__
    from entrypoint.cli.output import print_document
    from entrypoint.io.landmarks import read_text
    from entrypoint.io.log_file import append_entry, log_path
    from entrypoint.io.record import PLAN, loads
    from entrypoint.planning.log_model import LogEntry, Role
    from entrypoint.planning.model import Side
    from entrypoint.report.log_text import entry_document

    text = read_text(typed["plan"], what=PLAN.the)
    made, side = loads(text), Side(typed["side"].value)
    try:
        role = Role(typed["role"])
    except ValueError:
        raise typer.BadParameter(
            f"{typed['role']!r} is none of {', '.join(r.value for r in Role)}.", param_hint="--role"
        ) from None
    plan_sha256 = hashlib.sha256(text.encode("utf-8")).hexdigest()
    entry, before = append_entry(
        log_path(typed["plan"]),
        LogEntry(
            number=0,
            written="",
            done_at=typed["at"] or "",
            plan_sha256=plan_sha256,
            plan_name=made.input.name,
            side=side,
            role=role,
            done=_done(typed),
            previous="",
            sha256="",
            corrects=typed["corrects"],
            practice=made.practice,
            tool_version=__version__,
        ),
    )
    notes = _plan_notes(before, plan_sha256)
    if made.sides and side not in made.sides:
        notes.append(f"The plan does not plan the PATIENT'S {side.value.upper()}.")
    if entry.torn is not None:
        notes.append(
            f"The line before this one was never finished ({entry.torn.n_bytes} bytes): it is "
            "kept, and this entry names it."
        )
    print_document(entry_document(entry, notes))


def _done(typed: dict[str, Any]) -> Done:
    from entrypoint.planning.log_model import Complication, Done
    from entrypoint.planning.model import Seat

    seen = []
    for name in typed["complication"] or []:
        try:
            seen.append(Complication(name))
        except ValueError:
            raise typer.BadParameter(
                f"{name!r} is none of {', '.join(c.value for c in Complication)}.",
                param_hint="--complication",
            ) from None
    seat = typed["stop_seat"]
    return Done(
        drill_depth_mm=typed["drill_depth_mm"],
        stop_seat=None if seat is None else Seat(seat.value),
        sensor_depth_mm=typed["sensor_depth_mm"],
        sensor_from_bolt_top_mm=typed["sensor_from_bolt_top_mm"],
        engagement_mm=typed["engagement_mm"],
        half_turns=typed["half_turns"],
        device_reference=typed["device"],
        zero_reference_mmhg=typed["zero_mmhg"],
        first_reading_mmhg=typed["first_reading_mmhg"],
        complications=tuple(seen),
    )


def _plan_notes(found: ReadLog, plan_sha256: str) -> list[str]:
    if all(e.plan_sha256 == plan_sha256 for e in found.entries):
        return []
    return ["The plan beside this log is not, or not any more, the one of every entry."]


def _read(plan: str) -> tuple[ReadLog, str]:
    import hashlib

    from entrypoint.io.landmarks import read_text
    from entrypoint.io.log_file import log_path, read_log
    from entrypoint.io.record import PLAN, loads

    text = read_text(plan, what=PLAN.the)
    loads(text)
    return read_log(log_path(plan)), hashlib.sha256(text.encode("utf-8")).hexdigest()


def _list(plan: str, _: str | None) -> None:
    from entrypoint.cli.output import print_document
    from entrypoint.report.log_text import log_document

    found, plan_sha256 = _read(plan)
    told = [*found.torn, *_unfinished(found)]
    print_document(log_document(found.entries, told, found.corrected_by))
    for note in [*found.faults, *_plan_notes(found, plan_sha256)]:
        typer.echo(f"entrypoint: {note}", err=True)
    if found.faults:
        raise typer.Exit(1)


def _unfinished(found: ReadLog) -> list[str]:
    if not found.tail:
        return []
    return [f"The last line was never finished ({len(found.tail)} bytes)"]


def _verify(plan: str, last: str | None) -> None:
    from entrypoint.cli.output import print_document
    from entrypoint.report.log_text import verify_document

    found, plan_sha256 = _read(plan)
    faults = list(found.faults)
    if last is not None and last.strip().lower() != found.last_sha256:
        kept = any(e.sha256 == last.strip().lower() for e in found.entries)
        faults.append(
            "the log goes on after the entry of that hash"
            if kept
            else "the entry of that hash is not in the log: entries are missing or were changed"
        )
    notes = [t.rstrip(".") for t in (*found.torn, *_unfinished(found))]
    notes += [n.rstrip(".") for n in _plan_notes(found, plan_sha256)]
    print_document(verify_document(found.entries, faults, notes))
    if faults:
        raise typer.Exit(1)
