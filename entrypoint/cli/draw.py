"""``entrypoint draw``: pictures of a plan, from its record and its volume."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from entrypoint.cli.options import GroundOf, Series, Sides, room_of

ENDINGS = ("png", "svg", "pdf")
_BOTH_IN_ONE = ("map", "tape")


class View(StrEnum):
    """What is drawn."""

    SECTION = "section"
    PROFILE = "profile"
    SQUARE_ON = "square-on"
    HEAD = "head"
    MAP = "map"
    TAPE = "tape"
    ALL = "all"


class LabelsOf(StrEnum):
    """How much is written on a picture."""

    OFF = "off"
    SHORT = "short"
    FULL = "full"


class Kind(StrEnum):
    """What a picture in a folder is stored as."""

    PNG = "png"
    SVG = "svg"
    PDF = "pdf"


def draw(
    plan: Annotated[
        str,
        typer.Argument(metavar="PLAN", help="A record (plan --json, or check --json)."),
    ],
    out: Annotated[
        str,
        typer.Option(
            metavar="FOLDER|FILE", help="An existing folder, or one file (.png, .svg, .pdf)."
        ),
    ],
    volume: Annotated[
        str | None,
        typer.Option(metavar="CT", help="The plan's own volume; without it, only the tapes."),
    ] = None,
    series: Series = None,
    view: Annotated[View, typer.Option(help="Which picture.")] = View.ALL,
    path: Annotated[
        str | None,
        typer.Option(metavar="LABEL", help="Which path of a check record that holds several."),
    ] = None,
    side: Annotated[
        Sides, typer.Option(help="The PATIENT'S side; those of the plan by default.")
    ] = Sides.BOTH,
    kind: Annotated[
        Kind, typer.Option("--format", help="What pictures in a folder are stored as.")
    ] = Kind.PNG,
    size: Annotated[
        str | None,
        typer.Option(
            metavar="WIDTH[xHEIGHT]", help="Room to fill, mm; letters and lines grow with it."
        ),
    ] = None,
    dpi: Annotated[int, typer.Option(help="Dots an inch, of a PNG and of the scan.")] = 200,
    ground: Annotated[GroundOf, typer.Option(help="Light or dark.")] = GroundOf.LIGHT,
    labels: Annotated[
        LabelsOf, typer.Option(help="Words, figures with letters for names, or marks alone.")
    ] = LabelsOf.FULL,
    force: Annotated[bool, typer.Option("--force", help="Replace existing files.")] = False,
) -> None:
    """Draw a plan: path in section, depth profile, bone square on, head, site map, tapes.

    Every picture comes from the plan record, says from where it is seen, and is for planning and
    teaching only.
    """
    from entrypoint import api
    from entrypoint.cli.output import write_stdout
    from entrypoint.errors import EntrypointError, MissingExtra

    size_mm = room_of(size, dpi)
    target = Path(out)
    folder = target.is_dir()
    ending = kind.value if folder else target.suffix.lower().removeprefix(".")
    made = api.read_plan_or_path(plan, path)
    sides = None if side is Sides.BOTH else [side.value]
    count = 1 if sides is not None else len(made.sides)
    if not folder:
        _one_file(out, ending, view, count, force, plan, volume)
    views = [v.value for v in View if v is not View.ALL] if view is View.ALL else [view.value]
    drawn = api.draw(
        made, volume, series=series, views=views, sides=sides, ground=ground.value,
        labels=labels.value, size_mm=size_mm,
    )  # fmt: skip
    last: EntrypointError | None = None
    written = 0
    for picture in drawn:
        if picture.figure is None:
            last = picture.refused
            if view is not View.ALL and (last is not None and count == 1):
                raise last
            typer.echo(f"entrypoint: Not drawn: {picture.name}. {last}", err=True)
            continue
        from entrypoint.figures.save import to_bytes
        from entrypoint.io.atomic import write_bytes

        file = target / f"{picture.name}.{ending}" if folder else target
        write_bytes(file, to_bytes(picture.figure, ending, dpi=dpi), force=force)
        write_stdout(f"{file.name}\n")
        written += 1
    if not written and last is not None:
        raise typer.Exit(last.exit_code if isinstance(last, EntrypointError | MissingExtra) else 4)


def _one_file(
    out: str, ending: str, view: View, count: int, force: bool, plan: str, volume: str | None
) -> None:
    """Refuse what does not go into one file, before any work."""
    from entrypoint.cli.options import not_an_input
    from entrypoint.io.atomic import check_target

    if ending not in ENDINGS:
        raise typer.BadParameter(
            f"{out!r} is no folder and does not end in .png, .svg or .pdf.", param_hint="--out"
        )
    if view is View.ALL:
        raise typer.BadParameter(
            "one file holds one picture: name it, or give a folder.", param_hint="--view"
        )
    if count > 1 and view.value not in _BOTH_IN_ONE:
        raise typer.BadParameter(
            "one file holds one side of the patient: name it, or give a folder.",
            param_hint="--side",
        )
    check_target(out, force=force)
    not_an_input(out, plan, volume)
