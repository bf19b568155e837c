"""``entrypoint check``: paths of one's own on a CT."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from entrypoint.cli.options import (
    Adult,
    Allowance,
    Child,
    Engagement,
    Force,
    Label,
    Landmarks,
    MidlineMargin,
    Quiet,
    Seated,
    SensorDepth,
    Series,
    Space,
    SutureMargin,
    Volume,
    not_an_input,
    rule_of,
)

if TYPE_CHECKING:
    from entrypoint.planning.given_path_model import GivenPath, PathCheck

Three = tuple[float, float, float] | None
_ONE_PATH = ("skin_point", "tip_point", "along", "side")


def check(
    volume: Volume,
    skin_point: Annotated[
        Three, typer.Option(metavar="R A S", help="Where the path enters the skin, world mm.")
    ] = None,
    tip_point: Annotated[Three, typer.Option(metavar="R A S", help="Where its tip is to lie.")] = (
        None
    ),
    along: Annotated[
        Three, typer.Option(metavar="R A S", help="Or a direction into the head, of any length.")
    ] = None,
    square: Annotated[
        bool, typer.Option("--square", help="Or square to the skull at its foot.")
    ] = False,
    side: Annotated[
        str | None,
        typer.Option(metavar="right|left", help="The PATIENT'S side, checked against the plane."),
    ] = None,
    space: Annotated[
        Space | None, typer.Option(help="Space of the numbers; none is assumed.")
    ] = None,
    paths: Annotated[
        str | None,
        typer.Option(metavar="FILE", help="Several paths, JSON: see 'entrypoint schema paths'."),
    ] = None,
    within_deg: Annotated[
        float, typer.Option(help="Look for the worst this far off in direction.")
    ] = 4.0,
    within_mm: Annotated[float, typer.Option(help="And this far off on the skin.")] = 5.0,
    series: Series = None,
    landmarks: Landmarks = None,
    suture_margin_mm: SutureMargin = None,
    midline_margin_mm: MidlineMargin = None,
    drill_allowance_mm: Allowance = None,
    stop_seats_on: Seated = None,
    sensor_depth_mm: SensorDepth = None,
    engagement_mm: Engagement = None,
    adult: Adult = False,
    child: Child = False,
    json: Annotated[
        str | None,
        typer.Option("--json", metavar="FILE|-", help="Write the check record; - prints only it."),
    ] = None,
    force: Force = False,
    label: Label = None,
    quiet: Quiet = False,
) -> None:
    """Check paths of your own on a head CT, as the plan's own path is judged.

    Gives for each path where it enters in tape terms, its tilt, bone and clearances along it, what
    lies near it, how it differs from the rule's, and the worst within reach; several in a stated
    order, which is no choice. For planning and teaching only.
    """
    typed = {"lateral": None, "source": volume, **locals()}
    rule = rule_of(typed)
    from entrypoint import api
    from entrypoint.planning.given_path_model import Within

    wanted: str | GivenPath
    if paths is not None:
        beside = [name for name in _ONE_PATH if typed[name] is not None]
        if beside or square or space is not None:
            raise typer.BadParameter(
                "The file gives points, sides and space itself.", param_hint="--paths"
            )
        wanted = paths
    else:
        wanted = _one_path(skin_point, tip_point, along, square, side, space)
    if json is not None and json != "-":
        from entrypoint.io.atomic import check_target

        check_target(json, force=force)
        not_an_input(json, volume, landmarks, paths)
    from entrypoint.cli.output import print_document, progress_shown, write_json

    with progress_shown(quiet=quiet) as progress:
        made = api.check_ct(
            volume, wanted, within=Within(within_deg=within_deg, within_mm=within_mm),
            series=series, landmarks=landmarks, rule=rule, label=label, progress=progress,
        )  # fmt: skip
    if json is not None:
        from entrypoint.io.check_record import dumps_check

        write_json(dumps_check(made), json, force=force)
    if json != "-":
        from entrypoint.report.check_text import check_document

        print_document(check_document(made, brief=quiet))
    code = _code(made)
    if code:
        raise typer.Exit(code)


def _one_path(
    skin_point: Three, tip_point: Three, along: Three, square: bool, side: str | None,
    space: Space | None,
) -> GivenPath:  # fmt: skip
    """The path of the options; what is not typed is asked for, never assumed."""
    if skin_point is None:
        raise typer.BadParameter("Give a point, or --paths.", param_hint="--skin-point")
    if side not in ("right", "left"):
        raise typer.BadParameter("Name the PATIENT'S side: right or left.", param_hint="--side")
    if space is None:
        raise typer.BadParameter("Name it: RAS or LPS.", param_hint="--space")
    if sum((tip_point is not None, along is not None, square)) != 1:
        raise typer.BadParameter(
            "Give one of --tip-point, --along and --square.", param_hint="--tip-point"
        )
    import numpy as np

    from entrypoint.io import check_record
    from entrypoint.planning.given_path_model import GivenPath
    from entrypoint.planning.model import Side

    stated = check_record.Space(space.value)

    def point(three: Three, name: str) -> np.ndarray | None:
        return None if three is None else check_record.in_world(np.array(three), stated, name)

    skin = point(skin_point, "the skin point")
    assert skin is not None
    return GivenPath(
        label="A",
        side=Side(side),
        skin_point_mm=skin,
        tip_point_mm=point(tip_point, "the tip"),
        along_mm=point(along, "the direction"),
    )


def _code(made: PathCheck) -> int:
    """Of a refused path before that of a stop finding."""
    from entrypoint.planning.model import Level

    refused = [p.refused_exit for p in made.paths if p.refused_exit is not None]
    if refused:
        return min(refused)
    found = [*made.findings, *(f for p in made.paths if p.path for f in p.path.findings)]
    return int(any(f.level is Level.STOP for f in found))
