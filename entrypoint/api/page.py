"""A plan as a page, from its record and its volume."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from entrypoint.api.common import Progress
from entrypoint.io.nifti import LoadedVolume
from entrypoint.io.record import read_plan
from entrypoint.io.volume_file import read_volume_file
from entrypoint.planning.model import Plan, Seat, Side

if TYPE_CHECKING:
    from entrypoint.figures.sheet_words import Person

__all__ = ["report"]


def report(
    plan: Plan | str | Path,
    volume: LoadedVolume | str | Path | None = None,
    *,
    sides: Iterable[Side | str] | None = None,
    person: Person | str | None = None,
    stop_seats_on: Seat | str | None = None,
    progress: Progress | None = None,
) -> str:
    """Make the page of a plan: one HTML file that needs nothing else.

    Parameters
    ----------
    plan : Plan, or path of its record
    volume : LoadedVolume or path, optional
        The plan's own; without it only the tapes are drawn.
    sides : of the patient, optional
        All of the plan's without it; a stop length is shown on a page of one side alone.
    person : "adult" or "child", optional
        Where the plan does not state it.
    stop_seats_on : "bone" or "scalp", optional
        Where the plan does not name it.
    progress : function of one short text, optional

    Returns
    -------
    str

    Raises
    ------
    FieldRefused, FileRefused
        Also where the volume is not the plan's own.
    """
    from entrypoint.figures import sheet_words
    from entrypoint.figures.pictures import check_match
    from entrypoint.figures.plan_page import plan_page

    say = progress or (lambda _: None)
    made = plan if isinstance(plan, Plan) else read_plan(plan)
    if isinstance(volume, str | Path):
        say("reading the volume")
        volume = read_volume_file(volume)
    if volume is not None:
        check_match(made, volume.sha256)
        made = dataclasses.replace(made, practice=made.practice or volume.practice)
    say("drawing")
    return plan_page(
        made,
        None if volume is None else volume.volume,
        sides=None if sides is None else [Side(side) for side in sides],
        person=None if person is None else sheet_words.Person(person),
        seat=None if stop_seats_on is None else Seat(stop_seats_on),
    )
