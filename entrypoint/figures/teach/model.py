"""What a teaching figure is made of beside its drawing: caption, sources, answers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from entrypoint.errors import EntrypointError
from entrypoint.reference import row

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["Answer", "Lesson", "NotDrawn", "Source"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A published value, or a judgement, that a figure rests on."""

    key: str
    value: float
    unit: str
    cited: str
    spread: float | None = None
    n_measured: int | None = None
    population: str = ""
    how_measured: str = ""

    @classmethod
    def of_row(cls, key: str) -> Source:
        """The row of that name, as it goes beside a figure."""
        found = row(key)
        return cls(
            key=key, value=found.value, unit=found.unit, cited=found.cited(), spread=found.spread,
            n_measured=found.n, population=found.population, how_measured=found.how_measured,
        )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a numbered line of the form stands for."""

    number: int
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NotDrawn:
    """A figure that this head does not allow, and why."""

    name: str
    refused: EntrypointError


@dataclass(frozen=True, slots=True, kw_only=True)
class Lesson:
    """One teaching figure with what goes beside it.

    Parameters
    ----------
    name : str
        Of its files.
    title : str
        The point that it makes.
    caption, alt : str
        For a slide's notes, and for those who do not see the picture.
    head : str
        Whose head it is.
    sources : tuple of Source
    answers : tuple of Answer
        What the form leaves out, in its numbers.
    figure : matplotlib Figure
    blank : bool
        Whether the figure is the form.
    """

    name: str
    title: str
    caption: str
    alt: str
    head: str
    seen_from: tuple[str, ...]
    sources: tuple[Source, ...]
    answers: tuple[Answer, ...]
    figure: Figure
    caveat: str
    practice: bool
    blank: bool
