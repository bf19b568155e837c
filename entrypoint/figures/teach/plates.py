"""All teaching figures by name: drawn one after another, and what goes into a file beside each."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

from entrypoint.errors import EntrypointError, FieldRefused
from entrypoint.figures.save import MM_PER_IN, to_bytes
from entrypoint.figures.style import Ground, Style
from entrypoint.figures.teach import (
    converge,
    landmarks,
    layers,
    margins,
    slant,
    spread,
    swelling,
)
from entrypoint.figures.teach.head import TeachingHead, practice_head, scanned_head
from entrypoint.figures.teach.model import Lesson, NotDrawn
from entrypoint.figures.teach.page import HEIGHT_IN, WIDTH_IN
from entrypoint.io.nifti import LoadedVolume
from entrypoint.io.volume_file import read_volume_file
from entrypoint.planning.model import Side

__all__ = ["PLATES", "RECORD", "beside", "files_of", "lessons", "teach"]

Draw = Callable[..., Lesson]
RECORD = "entrypoint.teaching-figure"
VERSION = 1
PLATES: dict[str, Draw] = {
    landmarks.NAME: landmarks.landmarks_and_tapes,
    spread.NAME: spread.mark_and_suture,
    layers.NAME: layers.layers_of_the_skull,
    slant.NAME: slant.square_to_the_skull,
    converge.NAME: converge.converging_path,
    margins.NAME: margins.sinus_and_suture,
    swelling.NAME: swelling.swollen_scalp,
}


def lessons(
    head: TeachingHead,
    names: Iterable[str] = tuple(PLATES),
    *,
    blank: bool = False,
    ground: Ground | str = Ground.LIGHT,
    size_mm: tuple[float, float | None] | None = None,
) -> Iterator[Lesson | NotDrawn]:
    """Draw teaching figures of a head, one after another.

    Parameters
    ----------
    head : TeachingHead
    names : names out of ``PLATES``
    blank : bool
        As forms: what is to be learnt is left out and numbered, and is in ``answers``.
    ground : Ground or its name
    size_mm : (width, height or None), optional
        Room that each figure fills without changing its shape; its own size without it.

    Yields
    ------
    Lesson or NotDrawn
        In the order of the names; what this head does not allow does not hide the others.

    Raises
    ------
    FieldRefused
        A figure of no such name.
    """
    wanted = list(names)
    for name in wanted:
        if name not in PLATES:
            raise FieldRefused(
                found=f"a teaching figure named {name!r}",
                expected="one of " + ", ".join(PLATES),
                next_step="correct the name",
            )
    style = Style(ground=Ground(ground), size_ratio=_ratio(size_mm))
    for name in wanted:
        try:
            yield PLATES[name](head, style, blank=blank)
        except EntrypointError as error:
            yield NotDrawn(name=name, refused=error)


def teach(
    names: Iterable[str] = tuple(PLATES),
    volume: LoadedVolume | str | Path | None = None,
    *,
    side: Side | str = Side.RIGHT,
    blank: bool = False,
    ground: Ground | str = Ground.LIGHT,
    size_mm: tuple[float, float | None] | None = None,
    progress: Callable[[str], None] | None = None,
) -> Iterator[Lesson | NotDrawn]:
    """Draw teaching figures of a scan, or of a practice head made for them.

    Parameters
    ----------
    names, blank, ground, size_mm
        As of :func:`lessons`.
    volume : LoadedVolume or path, optional
        A practice head without it.
    side : Side or its name
        The patient's; one-sided figures show it.
    progress : function of one short text, optional

    Yields
    ------
    Lesson or NotDrawn
        ``files_of`` turns a lesson into its files.

    Raises
    ------
    InputError, MeasurementError
    """
    say = progress or (lambda _: None)
    if volume is None:
        say("making a practice head")
        head = practice_head(Side(side))
    else:
        loaded = volume if isinstance(volume, LoadedVolume) else read_volume_file(volume)
        head = scanned_head(loaded, Side(side), progress=progress)
    for lesson in lessons(head, names, blank=blank, ground=ground, size_mm=size_mm):
        say(f"drawing: {lesson.name}")
        yield lesson


def beside(lesson: Lesson) -> str:
    """What goes beside a figure, as JSON: caption, alternative text, sources, answers."""
    made: dict[str, Any] = {"record": RECORD, "version": VERSION}
    for field in dataclasses.fields(lesson):
        if field.name == "figure":
            continue
        value = getattr(lesson, field.name)
        many = isinstance(value, tuple)
        made[field.name] = [_plain(v) for v in value] if many else value
    return json.dumps(made, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def files_of(lesson: Lesson, *, dpi: float = 200.0) -> dict[str, bytes]:
    """Every file of one figure by its name.

    A form has its answers in a file of their own, so that the form can be handed out.
    """
    stem = f"{lesson.name}-form" if lesson.blank else lesson.name
    words = f"{stem}.answers.json" if lesson.blank else f"{stem}.json"
    return {
        f"{stem}.svg": to_bytes(lesson.figure, "svg", dpi=dpi),
        f"{stem}.png": to_bytes(lesson.figure, "png", dpi=dpi),
        words: beside(lesson).encode("utf-8"),
    }


def _plain(value: Any) -> Any:
    return dataclasses.asdict(value) if dataclasses.is_dataclass(value) else value  # type: ignore[arg-type]


def _ratio(size_mm: tuple[float, float | None] | None) -> float:
    if size_mm is None:
        return 1.0
    ratio = size_mm[0] / (WIDTH_IN * MM_PER_IN)
    if size_mm[1] is not None:
        ratio = min(ratio, size_mm[1] / (HEIGHT_IN * MM_PER_IN))
    return ratio
