"""``entrypoint sheet``: one page to print and to hold, from a plan record alone."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from entrypoint.cli.options import (
    AdultUnlessStated,
    ChildUnlessStated,
    SeatUnlessNamed,
)


class SideOf(StrEnum):
    """The side of the patient; a sheet holds one."""

    RIGHT = "right"
    LEFT = "left"


class PaperOf(StrEnum):
    """What the sheet is printed on."""

    A4 = "a4"
    LETTER = "letter"


def sheet(
    plan: Annotated[str, typer.Argument(metavar="PLAN", help="A plan record (plan --json).")],
    side: Annotated[SideOf, typer.Option(help="The PATIENT'S side; no default.")],
    out: Annotated[str, typer.Option(metavar="FILE", help="The page, a file that ends in .pdf.")],
    stop_seats_on: SeatUnlessNamed = None,
    adult: AdultUnlessStated = False,
    child: ChildUnlessStated = False,
    paper: Annotated[PaperOf, typer.Option(help="A4 or Letter.")] = PaperOf.A4,
    force: Annotated[bool, typer.Option("--force", help="Replace an existing FILE.")] = False,
) -> None:
    """Make a bedside sheet: one page to print at 100 %, with boxes to fill in by hand.

    One side, one drill-stop length for the one seat that is named, and what was looked at before
    any number. For planning and teaching only; local protocol decides.
    """
    if adult and child:
        raise typer.BadParameter("Give one of --adult and --child.", param_hint="--child")
    if Path(out).suffix.lower() != ".pdf":
        raise typer.BadParameter(f"{out!r} does not end in .pdf.", param_hint="--out")
    from entrypoint.cli.options import not_an_input
    from entrypoint.cli.output import write_stdout
    from entrypoint.figures.sheet import sheet_pdf
    from entrypoint.figures.sheet_page import Paper
    from entrypoint.figures.sheet_words import Person, findings
    from entrypoint.io.atomic import check_target, write_bytes
    from entrypoint.io.record import read_plan
    from entrypoint.planning.model import Level, Seat, Side

    check_target(out, force=force)
    not_an_input(out, plan)
    made, of = read_plan(plan), Side(side.value)
    person = Person.ADULT if adult else Person.CHILD if child else None
    content = sheet_pdf(
        made,
        side=of,
        person=person,
        seat=None if stop_seats_on is None else Seat(stop_seats_on.value),
        paper=Paper(paper.value),
    )
    path = write_bytes(out, content, force=force)
    write_stdout(f"{path.name}\n")
    if any(f.level is Level.STOP for f in findings(made, of)):
        raise typer.Exit(1)
