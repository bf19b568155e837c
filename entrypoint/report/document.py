"""A text output as a list of blocks, before it is set for a terminal or for a pipe."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """A heading; ``rank`` 1 for a banner, 2 for a part, 3 for a smaller part."""

    text: str
    rank: int = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Paragraph:
    """Running text, with an optional word before it that hangs to the left."""

    text: str
    lead: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Rows of name and value; a row with an empty value is a small heading."""

    rows: tuple[tuple[str, str], ...]
    boxed: bool = False
    title: str = ""


Block = Heading | Paragraph | Table
Document = tuple[Block, ...]
