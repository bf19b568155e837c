"""``entrypoint draw``: pictures of a plan, from its record and its volume."""

from __future__ import annotations

import re
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from entrypoint.cli.options import Series, Sides

ENDINGS = ("png", "svg", "pdf")
_BOTH_IN_ONE = ("map", "tape")
_SIZE = re.compile(r"(\d+(?:\.\d+)?)(?:x(\d+(?:\.\d+)?))?")
_LEAST_MM, _MOST_MM = 60.0, 1500.0
_LEAST_DPI, _MOST_DPI = 50, 600
_MOST_PIXELS = 12_000.0


class View(StrEnum):
    """What is drawn."""

    SECTION = "section"
    PROFILE = "profile"
    SQUARE_ON = "square-on"
    HEAD = "head"
    MAP = "map"
    TAPE = "tape"
    ALL = "all"


class GroundOf(StrEnum):
    """What a picture is drawn on."""

    LIGHT = "light"
    DARK = "dark"


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
    plan: Annotated[str, typer.Argument(metavar="PLAN", help="A plan record (plan --json).")],
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

    size_mm = _size(size, dpi)
    target = Path(out)
    folder = target.is_dir()
    ending = kind.value if folder else target.suffix.lower().removeprefix(".")
    made = api.read_plan(plan)
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

        path = target / f"{picture.name}.{ending}" if folder else target
        write_bytes(path, to_bytes(picture.figure, ending, dpi=dpi), force=force)
        write_stdout(f"{path.name}\n")
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


def _size(text: str | None, dpi: int) -> tuple[float, float | None] | None:
    """Width, and height where it is given, in mm."""
    if not _LEAST_DPI <= dpi <= _MOST_DPI:
        raise typer.BadParameter(f"{dpi} is not {_LEAST_DPI} to {_MOST_DPI}.", param_hint="--dpi")
    if text is None:
        return None
    found = _SIZE.fullmatch(text.strip().lower())
    sides = [] if found is None else [float(part) for part in found.groups() if part]
    if not sides or not all(_LEAST_MM <= mm <= _MOST_MM for mm in sides):
        raise typer.BadParameter(
            f"{text!r} is no WIDTH or WIDTHxHEIGHT of {_LEAST_MM:g} to {_MOST_MM:g} mm.",
            param_hint="--size",
        )
    if max(sides) / 25.4 * dpi > _MOST_PIXELS:
        raise typer.BadParameter(
            f"{text!r} at {dpi} dots an inch is over {_MOST_PIXELS:g} pixels.", param_hint="--size"
        )
    return sides[0], sides[1] if len(sides) == 2 else None
