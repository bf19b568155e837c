"""``entrypoint teach``: teaching figures, from a practice head or from a scan."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from entrypoint.cli.options import Force, GroundOf, Series, Sides, room_of


class Figure(StrEnum):
    """Which teaching figure."""

    LANDMARKS = "landmarks-and-tapes"
    SPREAD = "mark-and-suture"
    LAYERS = "layers"
    SLANT = "square-to-the-skull"
    CONVERGING = "converging-path"
    MARGINS = "sinus-and-suture"
    SWELLING = "swollen-scalp"
    ALL = "all"


def teach(
    figure: Annotated[Figure, typer.Argument(metavar="NAME|all", help="Which figure.")],
    out: Annotated[str, typer.Option(metavar="FOLDER", help="An existing folder.")],
    volume: Annotated[
        str | None,
        typer.Option(metavar="CT", help="A scan of your own; without it, a practice head."),
    ] = None,
    series: Series = None,
    side: Annotated[
        Sides | None,
        typer.Option(help="The PATIENT'S side that is shown; needed with --volume. [right]"),
    ] = None,
    blank: Annotated[
        bool, typer.Option("--blank", help="A form: no answers, which go into a file beside it.")
    ] = False,
    ground: Annotated[GroundOf, typer.Option(help="Light or dark.")] = GroundOf.LIGHT,
    size: Annotated[
        str | None,
        typer.Option(
            metavar="WIDTH[xHEIGHT]", help="Room to fill, mm; letters and lines grow with it."
        ),
    ] = None,
    dpi: Annotated[int, typer.Option(help="Dots an inch, of the PNG and of scans.")] = 200,
    force: Force = False,
) -> None:
    """Make teaching figures as SVG and PNG, each with its caption and its sources.

    Each makes one point, with numbers from a practice head or from your own scan and from
    published rows. For planning and teaching only.
    """
    from entrypoint import api
    from entrypoint.cli.output import progress_shown, write_stdout
    from entrypoint.io.atomic import check_target, write_bytes
    from entrypoint.planning.model import Side

    room = room_of(size, dpi)
    shown = _side(side, volume)
    folder = Path(out)
    if not folder.is_dir():
        raise typer.BadParameter(f"{out!r} is no existing folder.", param_hint="--out")
    names = [f.value for f in Figure if f is not Figure.ALL]
    wanted = names if figure is Figure.ALL else [figure.value]
    for name in wanted:
        for file in _files(name, blank=blank):
            check_target(folder / file, force=force)
    with progress_shown(quiet=False) as progress:
        loaded = None if volume is None else api.read_volume(volume, series=series)
        made = api.teach(
            wanted, loaded, side=Side(shown.value), blank=blank, ground=ground.value,
            size_mm=room, progress=progress,
        )  # fmt: skip
        last = None
        written = 0
        for lesson in made:
            from entrypoint.figures.teach.model import NotDrawn
            from entrypoint.figures.teach.plates import files_of

            if isinstance(lesson, NotDrawn):
                last = lesson.refused
                typer.echo(f"entrypoint: Not drawn: {lesson.name}. {last}", err=True)
                continue
            written += 1
            for file, content in files_of(lesson, dpi=dpi).items():
                write_bytes(folder / file, content, force=force)
                write_stdout(f"{file}\n")
    if not written and last is not None:
        raise typer.Exit(last.exit_code)


def _side(side: Sides | None, volume: str | None) -> Sides:
    """The side to show: a scan's must be typed, a practice head's is its right without it."""
    if side is Sides.BOTH:
        raise typer.BadParameter("one side is shown: right or left.", param_hint="--side")
    if side is None and volume is not None:
        raise typer.BadParameter(
            "a scan's figures show one side of the patient: name it.", param_hint="--side"
        )
    return side or Sides.RIGHT


def _files(name: str, *, blank: bool) -> tuple[str, ...]:
    if blank:
        return f"{name}-form.svg", f"{name}-form.png", f"{name}-form.answers.json"
    return f"{name}.svg", f"{name}.png", f"{name}.json"
