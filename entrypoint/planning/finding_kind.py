"""What the catalogue of findings says of one code."""

from __future__ import annotations

from dataclasses import dataclass

from entrypoint.planning.model import Level
from entrypoint.reference import row

__all__ = ["FindingKind"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingKind:
    """One code of the catalogue.

    Parameters
    ----------
    code, title : str
        As in the record; as a heading.
    levels : tuple of Level
        The levels it may take.
    means : str
        What it says about this head or file.
    do : str
        What a reader can look at; never an order about a patient.
    rows : tuple of str
        The reference rows that its limits come from.
    """

    code: str
    title: str
    levels: tuple[Level, ...]
    means: str
    do: str
    rows: tuple[str, ...] = ()

    def source(self) -> str:
        """Where the limits come from, in words."""
        return "; ".join(dict.fromkeys(row(key).cited() for key in self.rows))
