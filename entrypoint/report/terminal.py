"""Setting a document for a terminal. Weight and colour repeat what the words say, never more."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from entrypoint.report.document import Block, Document, Heading, Paragraph, Table

if TYPE_CHECKING:
    from rich.console import Console

_LEAD_STYLES = {"STOP": "bold reverse", "CAUTION": "bold", "NOTE": ""}


def show(document: Document, console: Console) -> None:
    """Print a document on a terminal.

    Parameters
    ----------
    document : Document
    console : rich.console.Console

    Notes
    -----
    Every text goes through ``Text``, so that markup inside a label or a record does nothing.
    """
    before: Block | None = None
    for block in document:
        tight = isinstance(block, Paragraph) and block.lead and isinstance(before, Paragraph)
        follows = isinstance(before, Heading) and not isinstance(block, Heading)
        if before is not None and not tight and not follows:
            console.print()
        console.print(_renderable(block))
        before = block


def _renderable(block: Block) -> Any:
    from rich.padding import Padding
    from rich.panel import Panel
    from rich.table import Table as Grid
    from rich.text import Text

    if isinstance(block, Heading):
        if block.rank == 1:
            return Panel(Text(block.text, justify="center", style="bold"))
        return Text(block.text, style="bold underline" if block.rank == 2 else "bold")
    if isinstance(block, Paragraph):
        if not block.lead:
            return Text(block.text)
        grid = Grid.grid(padding=(0, 1))
        grid.add_column(width=9, no_wrap=True)
        grid.add_column()
        grid.add_row(Text(block.lead, style=_LEAD_STYLES.get(block.lead, "bold")), Text(block.text))
        return grid
    if isinstance(block, Table):
        grid = Grid.grid(padding=(0, 2))
        grid.add_column()
        grid.add_column()
        for name, value in block.rows:
            grid.add_row(Text(name), Text(value))
        if block.boxed:
            return Panel(grid, title=Text(block.title, style="bold"), title_align="left")
        return Padding(grid, (0, 0, 0, 2))
    raise TypeError(type(block).__name__)
