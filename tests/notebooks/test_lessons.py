"""The lessons run, say what they kept, and carry what everything from a practice head must."""

from __future__ import annotations

import re

import pytest

from entrypoint.planning.model import CAVEAT
from entrypoint.reference import ROWS
from entrypoint.report.wording import PRACTICE_BANNER
from tests.notebooks.lessons import LESSONS, differences, read, run, tidy, to_text

ROW = re.compile(r"`((?:[a-z]+_)+[a-z0-9]+)`")
LARGEST_BYTES = 1_000_000


def words(book):
    return "\n".join(cell.source for cell in book.cells if cell.cell_type == "markdown")


def printed(book):
    outputs = [o for cell in book.cells for o in cell.get("outputs", [])]
    return "\n".join(o.text if o.output_type == "stream" else o.data["text/plain"] for o in outputs)


def test_there_are_four():
    assert [path.name[:2] for path in LESSONS] == ["1-", "2-", "3-", "4-"]


@pytest.mark.parametrize("path", LESSONS, ids=lambda p: p.stem)
def test_a_lesson_runs_and_shows_what_it_keeps(path):
    made = run(path)
    loud = [o.text for c in made.cells for o in c.get("outputs", []) if o.get("name") == "stderr"]
    assert not loud
    changed = list(differences(read(path), made))
    assert not changed, "renew with python -m tests.notebooks.lessons, and read what changed"


@pytest.mark.parametrize("path", LESSONS, ids=lambda p: p.stem)
def test_a_lesson_is_kept_tidy_and_small(path):
    text = path.read_text(encoding="utf-8")
    assert len(text.encode()) < LARGEST_BYTES
    assert text == to_text(tidy(read(path)))


@pytest.mark.parametrize("path", LESSONS, ids=lambda p: p.stem)
def test_a_lesson_carries_the_caveat_and_the_banner_first_and_last(path):
    book = read(path)
    assert book.cells[0].source.startswith("# ")
    assert PRACTICE_BANNER in book.cells[0].source
    assert "For planning and teaching only" in book.cells[0].source
    last = printed(type(book)(cells=book.cells[-1:]))
    assert PRACTICE_BANNER in last
    assert CAVEAT in last
    assert "To think about" in words(book)


@pytest.mark.parametrize("path", LESSONS, ids=lambda p: p.stem)
def test_a_lesson_names_rows_that_are_there_and_lists_each_with_its_source(path):
    book = read(path)
    named = {name for name in ROW.findall(words(book)) if f"`{name}`" in words(book)}
    named -= {"size_mm", "plan_tape", "with_tape"}  # of the code, not of the rows
    assert named
    assert named <= set(ROWS)
    listed = set(re.findall(r"^([a-z][a-z0-9_]+) {2,}", printed(book), re.M))
    assert named <= listed


@pytest.mark.parametrize("path", LESSONS, ids=lambda p: p.stem)
def test_no_lesson_calls_a_head_safe(path):
    book = read(path)
    for text in (words(book), printed(book)):
        assert not re.search(r"\b(safe|safely|OK)\b|✓|✔|✅", text)


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ("6.5 ± 0.1 mm", "6.5 ± 0.2 mm", False),  # one in the last digit: another machine
        ("6.5 ± 0.1 mm", "6.5 ± 0.3 mm", True),
        ("21 of 100", "23 of 100", True),
        ("CAUTION: noise", "NOTE: noise", True),
    ],
)
def test_a_change_that_a_reader_would_see_is_told(before, after, told):
    from nbformat import v4

    def book(text):
        output = v4.new_output("stream", name="stdout", text=text)
        return v4.new_notebook(cells=[v4.new_code_cell("x", outputs=[output])])

    assert bool(list(differences(book(before), book(after)))) is told
