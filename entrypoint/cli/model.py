"""``entrypoint model``: a head to hold, from a CT: scalp and skull as closed bodies."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from entrypoint.cli.options import Series, Sides, Volume, not_an_input

ENDINGS = (".3mf", ".stl", ".glb")
_CUT = "axial:"


class What(StrEnum):
    """Which bodies."""

    SCALP = "scalp"
    SKULL = "skull"
    BOTH = "both"


class Marks(StrEnum):
    """How tapes and entry are marked."""

    RAISED = "raised"
    ENGRAVED = "engraved"
    NONE = "none"


def model(
    volume: Volume,
    out: Annotated[
        str, typer.Option(metavar="FILE", help="Where to: .3mf or .stl to print, .glb to show.")
    ],
    series: Series = None,
    what: Annotated[
        What, typer.Option(help="Scalp, skull, or both (not in one .stl).")
    ] = What.SCALP,
    marks: Annotated[
        Marks, typer.Option(help="Tapes and entry, 0.8 mm high or deep on the print.")
    ] = Marks.RAISED,
    cut: Annotated[
        str,
        typer.Option(
            metavar="axial:MM|off",
            help="A flat base this far above the nasion; below it with a minus.",
        ),
    ] = "off",
    triangles: Annotated[int, typer.Option(help="Of each body, at most.")] = 150_000,
    scale: Annotated[float, typer.Option(metavar="PERCENT", help="Of the head's size.")] = 100.0,
    side: Annotated[
        Sides, typer.Option(help="The PATIENT'S side that is marked; both by default.")
    ] = Sides.BOTH,
    force: Annotated[bool, typer.Option("--force", help="Replace an existing file.")] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="No progress.")] = False,
) -> None:
    """Make a head to print or to show: scalp and skull as watertight bodies, in millimetres.

    What lies on or round the head (head rest, tubes, table) is left out, and the ends of the scan
    are closed flat. Prints the size on the print bed. For planning and teaching only.
    """
    ending = Path(out).suffix.lower()
    cut_mm = _checked(out, ending, what, cut)
    from entrypoint.io.atomic import check_target, write_bytes

    check_target(out, force=force)
    not_an_input(out, volume)
    from entrypoint import api
    from entrypoint.api.printed import head_model
    from entrypoint.cli.output import print_document, progress_shown
    from entrypoint.io.print_files import to_bytes

    loaded = api.read_volume(volume, series=series)
    with progress_shown(quiet=quiet) as progress:
        made = head_model(
            loaded, what=what.value, marks=marks.value, cut_mm=cut_mm, triangles=triangles,
            scale_percent=scale, sides=api.BOTH_SIDES if side is Sides.BOTH else (side.value,),
            progress=progress,
        )  # fmt: skip
    bodies = made.in_place if ending == ".glb" else made.solids
    write_bytes(out, to_bytes(ending, list(bodies), made.words), force=force)
    from entrypoint.report.model_text import model_document

    print_document(model_document(made.facts(ending)))


def _checked(out: str, ending: str, what: What, cut: str) -> float | None:
    """The cut's height; what cannot be meant is refused before any work."""
    if ending not in ENDINGS:
        raise typer.BadParameter(
            f"{out!r} does not end in {', '.join(ENDINGS[:-1])} or {ENDINGS[-1]}.",
            param_hint="--out",
        )
    if ending == ".stl" and what is What.BOTH:
        raise typer.BadParameter(
            "an .stl file cannot name two bodies: name scalp or skull, or write a .3mf.",
            param_hint="--what",
        )
    text = cut.strip().lower()
    if text == "off":
        return None
    try:
        if not text.startswith(_CUT):
            raise ValueError
        return float(text.removeprefix(_CUT))
    except ValueError:
        raise typer.BadParameter(
            f"{cut!r} is neither off nor axial: with a number of mm, as in axial:-20.",
            param_hint="--cut",
        ) from None
