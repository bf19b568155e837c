"""Setting a document as plain aligned text."""

from __future__ import annotations

import re
import textwrap

from entrypoint.report.document import Block, Document, Heading, Paragraph, Table

COLUMNS = 80
_HELD = "\u00a0"
_WITH_UNIT = re.compile(r"(?<=[0-9.]) (?:mm|cm|%|HU|degrees|of [0-9]+)(?![a-z])|± (?=[0-9])")


def render(document: Document, *, columns: int = COLUMNS) -> str:
    """Set a document.

    Parameters
    ----------
    document : Document
    columns : int
        Longest line.

    Returns
    -------
    str, ending in a line feed.
    """
    lines: list[str] = []
    before: Block | None = None
    for block in document:
        new = _lines(block, columns)
        tight = isinstance(block, Paragraph) and block.lead and isinstance(before, Paragraph)
        follows = isinstance(before, Heading) and not isinstance(block, Heading)
        if lines and not tight and not follows:
            lines.append("")
        lines += new
        before = block
    # A number stays with its unit: the space between them did not count for wrapping.
    return "\n".join(line.rstrip().replace(_HELD, " ") for line in lines) + "\n"


def held(text: str) -> str:
    """The text with each number held to its unit: it does not break between them.

    Examples
    --------
    >>> held("6.3 ± 0.5 mm thick") == "6.3 ±\N{NO-BREAK SPACE}0.5\N{NO-BREAK SPACE}mm thick"
    True
    """
    return _WITH_UNIT.sub(lambda m: m.group(0).replace(" ", _HELD), text)


def _wrap(text: str, width: int, **options: str) -> list[str]:
    return textwrap.wrap(held(text), width, **options)  # type: ignore[arg-type]


def _lines(block: Block, columns: int) -> list[str]:
    if isinstance(block, Heading):
        if block.rank == 1:
            rule = "=" * columns
            return [rule, block.text.center(columns), rule]
        mark = "-" if block.rank == 2 else ""
        return [block.text, *([mark * len(block.text)] if mark else [])]
    if isinstance(block, Paragraph):
        indent = " " * 9 if block.lead else ""
        first = f"{block.lead:<9}" if block.lead else ""
        if len(block.lead) >= 9:
            first = block.lead + " "
        return _wrap(block.text, columns, initial_indent=first, subsequent_indent=indent) or [first]
    return _table(block, columns)


def _table(table: Table, columns: int) -> list[str]:
    inner = columns - 4 if table.boxed else columns - 2
    named = [name for name, value in table.rows if value]
    width = min(max((len(name) for name in named), default=0) + 2, inner * 52 // 100)
    lines: list[str] = []
    for name, value in table.rows:
        if not value:
            lines += _wrap(name, inner) or [""]
            continue
        deeper = "  " if name.startswith("  ") else ""
        left = _wrap(name, width - 2, subsequent_indent=deeper) or [""]
        right = _wrap(value, inner - width) or [""]
        for at in range(max(len(left), len(right))):
            a = left[at] if at < len(left) else ""
            b = right[at] if at < len(right) else ""
            lines.append(f"{a:<{width}}{b}")
    if not table.boxed:
        return [f"  {line}" for line in lines]
    title = f" {table.title} " if table.title else ""
    edge = "+" + title.center(columns - 2, "-") + "+"
    return [edge, *(f"| {line:<{inner}} |" for line in lines), "+" + "-" * (columns - 2) + "+"]
