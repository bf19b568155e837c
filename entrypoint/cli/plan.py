"""``entrypoint plan``: from an input to a plan, printed and recorded."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from collections.abc import Callable

    from entrypoint.planning.model import Plan, Rule

_MEASURES = ("nasion_inion_mm", "tragus_tragus_mm", "circumference_mm", "interpupillary_mm")
_MID_PUPILLARY = "mid-pupillary"


class Sides(StrEnum):
    """Which sides of the patient."""

    RIGHT = "right"
    LEFT = "left"
    BOTH = "both"


class Preferred(StrEnum):
    """The side that is preferred beforehand."""

    RIGHT = "right"
    LEFT = "left"
    NONE = "none"


class SeatOn(StrEnum):
    """What the drill stop seats on."""

    BONE = "bone"
    SCALP = "scalp"


class Unit(StrEnum):
    """Unit of a surface file."""

    MM = "mm"
    CM = "cm"
    M = "m"


class Space(StrEnum):
    """Coordinate space of a surface file."""

    RAS = "RAS"
    LPS = "LPS"


Number = float | None


def plan(
    source: Annotated[
        str | None,
        typer.Argument(
            metavar="INPUT",
            help="A CT volume (.nii, .nii.gz), a landmark file (JSON, CSV) or a scalp surface "
            "(.stl, .ply, .obj, .glb); none for tape measures alone.",
        ),
    ] = None,
    landmarks: Annotated[
        str | None,
        typer.Option(metavar="FILE", help="Landmarks, JSON or CSV: override what is found."),
    ] = None,
    side: Annotated[
        Sides, typer.Option(help="The PATIENT'S side. Both by default, so that none is assumed.")
    ] = Sides.BOTH,
    prefer_side: Annotated[
        Preferred,
        typer.Option(help="With both sides: one line of their comparison. Common practice."),
    ] = Preferred.RIGHT,
    midline_arc_mm: Annotated[
        Number, typer.Option(help="Tape from the nasion backwards over the scalp. [110]")
    ] = None,
    lateral_arc_mm: Annotated[
        Number, typer.Option(help="Tape to the side, at right angles. [30]")
    ] = None,
    lateral: Annotated[
        str | None,
        typer.Option(metavar="mid-pupillary|MM", help="The same, or half the pupils' distance."),
    ] = None,
    suture_margin_mm: Annotated[
        Number, typer.Option(help="Least distance in front of the coronal suture. [10]")
    ] = None,
    midline_margin_mm: Annotated[
        Number, typer.Option(help="Least distance to the midline plane. [10]")
    ] = None,
    drill_allowance_mm: Annotated[
        Number, typer.Option(help="Added where the inner table is to be expected. [1]")
    ] = None,
    stop_seats_on: Annotated[
        SeatOn | None,
        typer.Option(help="What the stop's face seats on; without it no stop length is shown."),
    ] = None,
    sensor_depth_mm: Annotated[
        Number, typer.Option(help="Sensor tip below the inner table. [15]")
    ] = None,
    bolt_length_mm: Annotated[Number, typer.Option(help="Length of the bolt; no default.")] = None,
    engagement_mm: Annotated[
        Number, typer.Option(help="How deep the bolt engages the bone; no default.")
    ] = None,
    thread_pitch_mm: Annotated[
        Number, typer.Option(help="Pitch of the bolt's thread; no default.")
    ] = None,
    adult: Annotated[bool, typer.Option("--adult", help="The head is an adult's.")] = False,
    child: Annotated[
        bool, typer.Option("--child", help="The head is a child's: geometry only.")
    ] = False,
    unit: Annotated[
        Unit | None, typer.Option(help="Unit of a scalp surface, which states none.")
    ] = None,
    space: Annotated[
        Space | None, typer.Option(help="Coordinate space of a scalp surface.")
    ] = None,
    nasion_inion_mm: Annotated[
        Number, typer.Option(help="Tape from nasion to inion over the top.")
    ] = None,
    tragus_tragus_mm: Annotated[
        Number, typer.Option(help="Tape from ear to ear over the top.")
    ] = None,
    circumference_mm: Annotated[Number, typer.Option(help="Tape round the head.")] = None,
    interpupillary_mm: Annotated[
        Number, typer.Option(help="Straight distance between the pupils.")
    ] = None,
    hand: Annotated[
        bool,
        typer.Option("--hand", help="Simulate placements by hand, beside the plan's errors."),
    ] = False,
    draws: Annotated[
        int | None, typer.Option(help="With --hand: how many placements. [10000]")
    ] = None,
    seed: Annotated[
        int | None, typer.Option(help="With --hand: seed of the random numbers. [1]")
    ] = None,
    spread: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=NUMBER",
            help="With --hand: a standard deviation of it, as in mark_mm=1.5; may be repeated.",
        ),
    ] = None,
    past_inner_mm: Annotated[
        Number, typer.Option(help="With --hand: count a bit this far past the inner table. [0]")
    ] = None,
    json: Annotated[
        str | None,
        typer.Option("--json", metavar="FILE|-", help="Write the plan record; - prints only it."),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace an existing FILE.")] = False,
    label: Annotated[
        str | None, typer.Option(help="A short name for the outputs; never a person's.")
    ] = None,
    quiet: Annotated[
        bool, typer.Option("--quiet", help="No progress and no notes: findings that ask for more.")
    ] = False,
) -> None:
    """Plan an entry from a CT, landmarks, a scalp surface or tape measures.

    Prints what was looked at, the findings, then the figures with their errors, for both sides
    unless one is named. For planning and teaching only.
    """
    typed = dict(locals())
    rule = _rule(typed)
    from entrypoint.cli.hand import hand_options

    typed["hand"] = hand_options(typed)
    measures = {name: typed[name] for name in _MEASURES if typed[name] is not None}
    if json is not None and json != "-":
        from entrypoint.io.atomic import check_target

        check_target(json, force=force)
        _not_an_input(json, source, landmarks)
    from entrypoint.cli.output import print_document, progress_shown, write_json

    with progress_shown(quiet=quiet) as progress:
        made = _make(typed, rule, measures, progress)
    if json is not None:
        from entrypoint.io.record import dumps

        write_json(dumps(made), json, force=force)
    if json != "-":
        from entrypoint.report.text import plan_document

        print_document(plan_document(made, brief=quiet))
    if _has_stop(made):
        raise typer.Exit(1)


def _not_an_input(json: str, *inputs: str | None) -> None:
    """Refuse to write over a file that is read, also where overwriting was asked for."""
    import os

    from entrypoint.errors import OutputRefused

    for path in inputs:
        if (
            path is not None
            and os.path.exists(path)
            and os.path.exists(json)
            and (os.path.samefile(path, json))
        ):
            raise OutputRefused(
                found="the record would be written over the input",
                expected="a file that is not read",
                next_step="choose another name",
            )


def _has_stop(made: Plan) -> bool:
    from entrypoint.planning.model import Level

    findings = [*made.findings, *(f for side in made.sides.values() for f in side.findings)]
    return any(f.level is Level.STOP for f in findings)


def _make(
    typed: dict[str, Any],
    rule: Rule,
    measures: dict[str, float],
    progress: Callable[[str], None] | None,
) -> Plan:
    from entrypoint import api
    from entrypoint.planning.model import Side

    both = typed["side"] is Sides.BOTH
    sides = api.BOTH_SIDES if both else (Side(typed["side"].value),)
    common: dict[str, Any] = {"rule": rule, "sides": sides}
    common |= {name: typed[name] for name in ("label", "hand")}
    preferred = typed["prefer_side"]
    common["prefer_side"] = None if preferred is Preferred.NONE else Side(preferred.value)
    source, landmarks = typed["source"], typed["landmarks"]
    if source is None:
        if landmarks is not None:
            return api.plan_landmarks(landmarks, **common)
        return api.plan_tape(measures, **common)
    from entrypoint.io.recognise import FileKind, recognise

    kind = recognise(source)
    if kind is FileKind.VOLUME:
        _no_tape_beside(measures)
        _for_surfaces_only(typed)
        return api.plan_ct(source, landmarks=landmarks, progress=progress, **common)
    if kind is FileKind.LANDMARKS:
        if landmarks is not None:
            raise typer.BadParameter(
                "INPUT is a landmark file already; give one of them.", param_hint="--landmarks"
            )
        _no_tape_beside(measures)
        _for_surfaces_only(typed)
        return api.plan_landmarks(source, **common)
    if kind is FileKind.SURFACE:
        if landmarks is None:
            raise typer.BadParameter(
                "A scalp surface needs a landmark file beside it.", param_hint="--landmarks"
            )
        _no_tape_beside(measures)
        return api.plan_scalp(
            source,
            landmarks,
            unit=typed["unit"].value if typed["unit"] else None,
            space=typed["space"].value if typed["space"] else None,
            **common,
        )
    raise typer.BadParameter("INPUT is a plan record, which is already a plan.", param_hint="INPUT")


def _no_tape_beside(measures: dict[str, float]) -> None:
    beside = [name for name in measures if name != "interpupillary_mm"]
    if beside:
        raise typer.BadParameter(
            "Tape measures are for a plan without a file; give either.",
            param_hint=_flag(beside[0]),
        )


def _for_surfaces_only(typed: dict[str, Any]) -> None:
    for name in ("unit", "space"):
        if typed[name] is not None:
            raise typer.BadParameter(
                "This input states its own; the option is for a scalp surface.",
                param_hint=f"--{name}",
            )


def _rule(typed: dict[str, Any]) -> Rule:
    from entrypoint.io.limits import RANGES, out_of_range
    from entrypoint.planning.model import LateralBy, Rule, Seat

    if typed["adult"] and typed["child"]:
        raise typer.BadParameter("Give one of --adult and --child.", param_hint="--child")
    given: dict[str, Any] = {}
    if typed["lateral"] is not None:
        if typed["lateral_arc_mm"] is not None:
            raise typer.BadParameter("Give one of --lateral and --lateral-arc-mm.")
        if typed["lateral"].strip().lower() == _MID_PUPILLARY:
            given["lateral_by"] = LateralBy.MID_PUPILLARY
        else:
            typed["lateral_arc_mm"] = _number(typed["lateral"])
    for name in RANGES:
        value = typed.get(name)
        if value is None:
            continue
        wrong = out_of_range(name, value)
        if wrong is not None:
            raise typer.BadParameter(
                f"{wrong[0]} cannot be meant; expected {wrong[1]}.", param_hint=_flag(name)
            )
        if name in Rule.__dataclass_fields__:
            given[name] = value
    if typed["stop_seats_on"] is not None:
        given["stop_seats_on"] = Seat(typed["stop_seats_on"].value)
    if typed["adult"] or typed["child"]:
        given["person"] = "adult" if typed["adult"] else "child"
    bolt, engagement = given.get("bolt_length_mm"), given.get("engagement_mm")
    if bolt is not None and engagement is not None and engagement >= bolt:
        raise typer.BadParameter(
            f"An engagement of {engagement:g} mm is not shorter than the bolt of {bolt:g} mm.",
            param_hint="--engagement-mm",
        )
    if (
        given.get("lateral_by") is LateralBy.MID_PUPILLARY
        and typed["source"] is None
        and (typed["landmarks"] is None and typed["interpupillary_mm"] is None)
    ):
        raise typer.BadParameter(
            "The mid-pupillary line needs the distance between the pupils.",
            param_hint="--interpupillary-mm",
        )
    return Rule(**given)


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise typer.BadParameter(
            f"{text!r} is neither {_MID_PUPILLARY} nor a number of mm.", param_hint="--lateral"
        ) from None


def _flag(name: str) -> str:
    return "--" + name.replace("_", "-")
