"""Where output goes: standard output, a file written whole, progress on a terminal."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from entrypoint.report.document import Document


def print_document(document: Document) -> None:
    """Print a document: set with rich on a terminal, as plain aligned text into a pipe."""
    if sys.stdout.isatty():
        from rich.console import Console

        from entrypoint.report.terminal import show

        console = Console(highlight=False, markup=False)
        show(document, console)
        return
    from entrypoint.report.plain import render

    write_stdout(render(document))


def write_stdout(text: str) -> None:
    """Write text to standard output, as UTF-8 whatever the locale."""
    buffer = getattr(sys.stdout, "buffer", None)
    if buffer is None:
        sys.stdout.write(text)
        return
    sys.stdout.flush()
    buffer.write(text.encode("utf-8"))
    buffer.flush()


def write_json(text: str, target: str, *, force: bool) -> None:
    """Write JSON text to a file, whole or not at all, or to standard output for ``-``."""
    if target == "-":
        write_stdout(text)
        return
    from entrypoint.io.atomic import write_text

    write_text(Path(target), text, force=force)


@contextmanager
def progress_shown(*, quiet: bool) -> Iterator[Callable[[str], None] | None]:
    """A function that shows what is being done, on a terminal only; otherwise nothing."""
    if quiet or not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.text import Text

    console = Console(stderr=True, highlight=False, markup=False)
    with console.status(Text("Reading")) as status:
        yield lambda words: status.update(Text(words))
