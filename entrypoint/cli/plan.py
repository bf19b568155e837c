"""``entrypoint plan``: from an input to a plan, printed and recorded."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from entrypoint.cli.options import (
    Adult,
    Allowance,
    Child,
    Engagement,
    Force,
    Label,
    Landmarks,
    Lateral,
    LateralArc,
    MidlineArc,
    MidlineMargin,
    Number,
    OfSide,
    Preferred,
    Pupils,
    Quiet,
    Seated,
    SensorDepth,
    Series,
    Sides,
    Space,
    SutureMargin,
    Unit,
    flag,
    not_an_input,
    rule_of,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from entrypoint.planning.model import Plan, Rule

_MEASURES = ("nasion_inion_mm", "tragus_tragus_mm", "circumference_mm", "interpupillary_mm")


def plan(
    source: Annotated[
        str | None,
        typer.Argument(
            metavar="INPUT",
            help="A CT volume (.nii, .nii.gz, a DICOM folder or zip), a landmark file (JSON, CSV) "
            "or a scalp surface (.stl, .ply, .obj, .glb); none for tape measures alone.",
        ),
    ] = None,
    series: Series = None,
    landmarks: Landmarks = None,
    side: OfSide = Sides.BOTH,
    prefer_side: Annotated[
        Preferred,
        typer.Option(help="With both sides: one line of their comparison. Common practice."),
    ] = Preferred.RIGHT,
    midline_arc_mm: MidlineArc = None,
    lateral_arc_mm: LateralArc = None,
    lateral: Lateral = None,
    suture_margin_mm: SutureMargin = None,
    midline_margin_mm: MidlineMargin = None,
    drill_allowance_mm: Allowance = None,
    stop_seats_on: Seated = None,
    sensor_depth_mm: SensorDepth = None,
    bolt_length_mm: Annotated[Number, typer.Option(help="Length of the bolt; no default.")] = None,
    engagement_mm: Engagement = None,
    thread_pitch_mm: Annotated[
        Number, typer.Option(help="Pitch of the bolt's thread; no default.")
    ] = None,
    adult: Adult = False,
    child: Child = False,
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
    interpupillary_mm: Pupils = None,
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
    force: Force = False,
    label: Label = None,
    quiet: Quiet = False,
) -> None:
    """Plan an entry from a CT, landmarks, a scalp surface or tape measures.

    Prints what was looked at, the findings, then the figures with their errors, for both sides
    unless one is named. For planning and teaching only.
    """
    typed = dict(locals())
    rule = rule_of(typed)
    from entrypoint.cli.hand import hand_options

    typed["hand"] = hand_options(typed)
    measures = {name: typed[name] for name in _MEASURES if typed[name] is not None}
    if json is not None and json != "-":
        from entrypoint.io.atomic import check_target

        check_target(json, force=force)
        not_an_input(json, source, landmarks)
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
    _for_dicom_only(source, typed["series"])
    if source is None:
        if landmarks is not None:
            return api.plan_landmarks(landmarks, **common)
        return api.plan_tape(measures, **common)
    from entrypoint.io.recognise import FileKind, recognise

    kind = recognise(source)
    if kind is FileKind.VOLUME:
        _no_tape_beside(measures)
        _for_surfaces_only(typed)
        return api.plan_ct(
            source, series=typed["series"], landmarks=landmarks, progress=progress, **common
        )
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
            param_hint=flag(beside[0]),
        )


def _for_dicom_only(source: str | None, series: str | None) -> None:
    if series is None:
        return
    from entrypoint.io.volume_file import holds_dicom

    if source is None or not holds_dicom(source):
        raise typer.BadParameter(
            "The option is for a DICOM folder, archive or object.", param_hint="--series"
        )


def _for_surfaces_only(typed: dict[str, Any]) -> None:
    for name in ("unit", "space"):
        if typed[name] is not None:
            raise typer.BadParameter(
                "This input states its own; the option is for a scalp surface.",
                param_hint=f"--{name}",
            )
