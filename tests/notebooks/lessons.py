"""Runs a lesson in a kernel of its own and says how its outputs differ from those it keeps.

The lessons keep their outputs, so that they can be read where nothing runs. A test runs them anew
and compares; ``python -m tests.notebooks.lessons`` runs them and writes what came out.
"""

from __future__ import annotations

import base64
import io
import os
import re
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import nbformat
import numpy as np
from ipykernel.kernelspec import write_kernel_spec
from nbclient import NotebookClient

import entrypoint

ROOT = Path(entrypoint.__file__).parents[1]
FOLDER = ROOT / "notebooks"
LESSONS = sorted(FOLDER.glob("*.ipynb"))
_KERNEL = "lesson"
_NUMBER = re.compile(r"\d+(?:\.\d+)?")
_PIXELS, _SHADE = 4, 0.06  # a picture of another machine: its letters and edges differ a little
_LANGUAGE = {
    "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
    "language_info": {"name": "python"},
}


def read(path: Path) -> Any:
    return nbformat.read(path, as_version=4)


def run(path: Path) -> Any:
    """The lesson with fresh outputs, run from its own folder by this very interpreter."""
    book = read(path)
    with tempfile.TemporaryDirectory() as folder:
        write_kernel_spec(Path(folder) / "kernels" / _KERNEL)
        kept = dict(os.environ)
        os.environ.update(
            JUPYTER_PATH=folder,
            PYTHONPATH=str(ROOT),
            PYVISTA_JUPYTER_BACKEND="static",  # a viewer would be another one each time
            OMP_NUM_THREADS="1",
            IPYTHONDIR=folder,
        )
        try:
            here = {"metadata": {"path": path.parent}}
            NotebookClient(book, kernel_name=_KERNEL, timeout=300, resources=here).execute()
        finally:
            os.environ.clear()
            os.environ.update(kept)
    return tidy(book)


def tidy(book: Any) -> Any:
    """Without what differs from run to run: times, widths, machine, names of cells."""
    book.metadata = nbformat.from_dict(_LANGUAGE)
    for number, cell in enumerate(book.cells):
        cell.id = f"cell-{number:02d}"
        cell.metadata = nbformat.from_dict({})
    return book


def to_text(book: Any) -> str:
    made: str = nbformat.writes(book)
    return made if made.endswith("\n") else made + "\n"


def differences(kept: Any, made: Any) -> Iterator[str]:
    """What a reader would see change, one line each."""
    for old, new in zip(kept.cells, made.cells, strict=True):
        if new.cell_type != "code":
            continue
        if len(old.outputs) != len(new.outputs):
            yield f"{new.id}: {len(old.outputs)} outputs are kept, {len(new.outputs)} came"
            continue
        for before, after in zip(old.outputs, new.outputs, strict=True):
            yield from (f"{new.id}: {line}" for line in _output(before, after))


def _output(before: Any, after: Any) -> Iterator[str]:
    if before.output_type != after.output_type:
        yield f"{before.output_type} became {after.output_type}"
        return
    if before.output_type == "stream":
        yield from _words(before.text, after.text)
        return
    if set(before.data) != set(after.data):
        yield f"{sorted(before.data)} became {sorted(after.data)}"
        return
    yield from _words(before.data["text/plain"], after.data["text/plain"])
    if "image/png" in before.data:
        yield from _pictures(before.data["image/png"], after.data["image/png"])


def _words(before: str, after: str) -> Iterator[str]:
    """The same words, and numbers no further apart than one in their last digit."""
    if _NUMBER.sub("0", before).split() != _NUMBER.sub("0", after).split():
        yield f"{before[:400]!r} became {after[:400]!r}"
        return
    for old, new in zip(_NUMBER.findall(before), _NUMBER.findall(after), strict=True):
        digits = len(old.partition(".")[2])
        if abs(float(old) - float(new)) > 1.01 * 10.0**-digits:
            yield f"{old} became {new}"


def _pictures(before: str, after: str) -> Iterator[str]:
    old, new = _grey(before), _grey(after)
    if any(abs(a - b) > _PIXELS for a, b in zip(old.shape, new.shape, strict=True)):
        yield f"a picture of {old.shape} became one of {new.shape}"
        return
    rows, columns = np.minimum(old.shape, new.shape)
    apart = float(np.abs(old[:rows, :columns] - new[:rows, :columns]).mean())
    if apart > _SHADE:
        yield f"a picture changed by {apart:.3f} of white, mean over its dots"


def _grey(png: str) -> Any:
    from PIL import Image

    with Image.open(io.BytesIO(base64.b64decode(png))) as picture:
        return np.asarray(picture.convert("L"), dtype=float) / 255.0


def main(wanted: list[str]) -> int:
    """Renew the lessons whose numbers are given, or all."""
    for path in LESSONS:
        if wanted and path.name[0] not in wanted:
            continue
        path.write_text(to_text(run(path)), encoding="utf-8")
        print(path.name)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
