"""``entrypoint report``: a plan as one page for a browser, which needs nothing else."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from entrypoint.cli.options import (
    AdultUnlessStated,
    ChildUnlessStated,
    Quiet,
    SeatUnlessNamed,
    Series,
    Sides,
)


def report(
    plan: Annotated[str, typer.Argument(metavar="PLAN", help="A plan record, or a check record.")],
    out: Annotated[
        str, typer.Option(metavar="FILE", help="The page, a file that ends in .html.")
    ],
    volume: Annotated[
        str | None,
        typer.Option(metavar="CT", help="The plan's own volume; without it, only the tapes."),
    ] = None,
    series: Series = None,
    path: Annotated[
        str | None,
        typer.Option(metavar="LABEL", help="Which path, where a check record holds several."),
    ] = None,
    side: Annotated[
        Sides, typer.Option(help="The PATIENT'S side; those of the plan by default.")
    ] = Sides.BOTH,
    stop_seats_on: SeatUnlessNamed = None,
    adult: AdultUnlessStated = False,
    child: ChildUnlessStated = False,
    quiet: Quiet = False,
    force: Annotated[bool, typer.Option("--force", help="Replace an existing FILE.")] = False,
) -> None:
    """Make a page of a plan: a head to turn, pictures, every figure and where it is from.

    One HTML file that opens without a network. It says what was looked at before any number, and
    shows a stop length for one side and one named seat only. For planning and teaching only;
    local protocol decides.
    """
    if adult and child:
        raise typer.BadParameter("Give one of --adult and --child.", param_hint="--child")
    if Path(out).suffix.lower() not in (".html", ".htm"):
        raise typer.BadParameter(f"{out!r} does not end in .html.", param_hint="--out")
    from entrypoint import api
    from entrypoint.cli.options import not_an_input
    from entrypoint.cli.output import progress_shown, write_stdout
    from entrypoint.io.atomic import check_target, write_text
    from entrypoint.planning.model import Level, Side

    check_target(out, force=force)
    not_an_input(out, plan, volume)
    made = api.read_plan_or_path(plan, path)
    sides = tuple(made.sides) if side is Sides.BOTH else (Side(side.value),)
    with progress_shown(quiet=quiet) as progress:
        loaded = None if volume is None else api.read_volume(volume, series=series)
        page = api.report(
            made, loaded, sides=sides, person="adult" if adult else "child" if child else None,
            stop_seats_on=None if stop_seats_on is None else stop_seats_on.value,
            progress=progress,
        )  # fmt: skip
    written = write_text(out, page, force=force)
    write_stdout(f"{written.name}\n")
    found = [*made.findings, *(f for s in sides for f in made.sides[s].findings)]
    if any(f.level is Level.STOP for f in found):
        raise typer.Exit(1)
