"""Options that several commands share, and the rule made from them."""

from __future__ import annotations

import re
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from entrypoint.planning.model import Rule

_MID_PUPILLARY = "mid-pupillary"
_SIZE = re.compile(r"(\d+(?:\.\d+)?)(?:x(\d+(?:\.\d+)?))?")
_LEAST_MM, _MOST_MM = 60.0, 1500.0
_LEAST_DPI, _MOST_DPI = 50, 600
_MOST_PIXELS = 12_000.0


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


class GroundOf(StrEnum):
    """What a picture is drawn on."""

    LIGHT = "light"
    DARK = "dark"


Number = float | None
Landmarks = Annotated[
    str | None, typer.Option(metavar="FILE", help="Landmarks, JSON or CSV: override what is found.")
]
Volume = Annotated[
    str,
    typer.Argument(metavar="VOLUME", help="A CT volume (.nii, .nii.gz), or a DICOM folder or zip."),
]
Series = Annotated[
    str | None,
    typer.Option(
        metavar="N|UID", help="Which DICOM series of several: its number in the list, or its UID."
    ),
]
OfSide = Annotated[
    Sides, typer.Option(help="The PATIENT'S side. Both by default, so that none is assumed.")
]
MidlineArc = Annotated[
    Number, typer.Option(help="Tape from the nasion backwards over the scalp. [110]")
]
LateralArc = Annotated[Number, typer.Option(help="Tape to the side, at right angles. [30]")]
Lateral = Annotated[
    str | None,
    typer.Option(metavar="mid-pupillary|MM", help="The same, or half the pupils' distance."),
]
SutureMargin = Annotated[
    Number, typer.Option(help="Least distance in front of the coronal suture. [10]")
]
MidlineMargin = Annotated[Number, typer.Option(help="Least distance to the midline plane. [10]")]
SensorDepth = Annotated[Number, typer.Option(help="Sensor tip below the inner table. [15]")]
Engagement = Annotated[Number, typer.Option(help="How deep the bolt engages the bone; no default.")]
Seated = Annotated[
    SeatOn | None,
    typer.Option(help="What the stop's face seats on; without it no stop length is shown."),
]
Pupils = Annotated[Number, typer.Option(help="Straight distance between the pupils.")]
Allowance = Annotated[
    Number, typer.Option(help="Added where the inner table is to be expected. [1]")
]
SeatUnlessNamed = Annotated[
    SeatOn | None,
    typer.Option(help="What the stop's face seats on, unless the plan names it; no default."),
]
AdultUnlessStated = Annotated[
    bool, typer.Option("--adult", help="The head is an adult's, unless the plan states it.")
]
ChildUnlessStated = Annotated[
    bool, typer.Option("--child", help="The head is a child's: geometry only.")
]
Adult = Annotated[bool, typer.Option("--adult", help="The head is an adult's.")]
Child = Annotated[bool, typer.Option("--child", help="The head is a child's: geometry only.")]
Force = Annotated[bool, typer.Option("--force", help="Replace existing files.")]
Label = Annotated[str | None, typer.Option(help="A short name for the outputs; never a person's.")]
Quiet = Annotated[
    bool, typer.Option("--quiet", help="No progress and no notes: findings that ask for more.")
]


def rule_of(typed: dict[str, Any]) -> Rule:
    """The rule from what was typed; a value that cannot be meant is refused by its option."""
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
                f"{wrong[0]} cannot be meant; expected {wrong[1]}.", param_hint=flag(name)
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


def flag(name: str) -> str:
    """The option of a name."""
    return "--" + name.replace("_", "-")


def not_an_input(json: str, *inputs: str | None) -> None:
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


def room_of(text: str | None, dpi: int) -> tuple[float, float | None] | None:
    """Width, and height where it is given, in mm, of ``WIDTH[xHEIGHT]`` at some dots an inch."""
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
