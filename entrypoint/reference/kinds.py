"""What a row of published values holds, and what may stand behind it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["Mark", "Row"]


class Mark(StrEnum):
    """What stands behind a row."""

    SOURCE = "S"
    COMPUTED = "C"
    MEMORY = "M"
    PRACTICE = "P"
    JUDGEMENT = "J"


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One value with its origin.

    Parameters
    ----------
    key : str
        Its name here.
    value : float
        The value, in ``unit``.
    spread : float or None
        Standard deviation between people (or between readers, where ``how_measured`` says so).
    low, high : float or None
        Range seen, where the source gives one.
    n : int or None
        How many were measured.
    """

    key: str
    value: float
    spread: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str = "mm"
    n: int | None = None
    population: str = ""
    how_measured: str = ""
    source: str = ""
    mark: Mark = Mark.JUDGEMENT

    def cited(self) -> str:
        """Return the source, or what stands in its place, as one phrase."""
        if self.mark is Mark.JUDGEMENT:
            return (
                f"judgement, no source ({self.how_measured})"
                if self.how_measured
                else ("judgement, no source")
            )
        if self.mark is Mark.PRACTICE:
            return "common practice, no source"
        if self.mark is Mark.MEMORY:
            return f"from memory: {self.source or self.how_measured}"
        return self.source
