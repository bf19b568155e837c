"""What a notebook shows: words beside pictures, tables both ways, and a head that need not turn."""

from __future__ import annotations

import sys
import types

import pytest

from entrypoint.errors import FieldRefused, MissingExtra
from entrypoint.figures import notebook
from entrypoint.planning.model import CAVEAT, Side
from entrypoint.report.wording import PRACTICE_BANNER

PNG = b"\x89PNG"


def test_a_picture_is_a_png_and_says_what_it_shows():
    figure, _ = notebook.chart("mm", "heads")
    made = notebook.shown(figure, "heads by length")
    png, facts = made._repr_png_()
    assert png.startswith(PNG)
    assert facts == {"alt": "heads by length"}
    assert repr(made) == "picture: heads by length"
    assert notebook.shown(figure, "heads by length") == made


def test_a_chart_carries_the_caveat_whole_and_the_banner_where_heads_are_invented():
    for practice in (True, False):
        figure, _ = notebook.chart("mm", "heads", practice=practice)
        words = " ".join(" ".join(text.get_text() for text in figure.texts).split())
        assert CAVEAT in words
        assert (PRACTICE_BANNER in words) is practice


def test_a_table_shows_the_same_cells_as_text_and_as_html_and_no_markup_of_its_own():
    made = notebook.Table.of(("a", "b"), [(1, "<2 mm"), ("long name", None)])
    assert repr(made).splitlines() == ["a          b", "1          <2 mm", "long name  None"]
    page = made._repr_html_()
    assert page.count("<tr>") == 3
    assert "&lt;2 mm" in page


def test_sources_tell_value_spread_and_where_they_come_from():
    text = repr(notebook.sources("nasion_bregma_arc_bone", "nasion_definition"))
    assert "126.6 mm ± 7.3 mm (one SD)" in text
    assert "Anatomy 2018;12(3):135-139" in text
    assert "± 2 mm (one SD)" in text.splitlines()[2]
    assert "judgement, no source" in text
    with pytest.raises(FieldRefused):
        notebook.sources("a_row_that_is_not_there")


@pytest.mark.parametrize(
    ("kernel", "setting", "library", "turns"),
    [
        (True, "", True, True),
        (False, "", True, False),
        (True, "static", True, False),
        (True, "", False, False),
    ],
)
def test_a_head_turns_only_in_a_notebook_that_can_turn_it(
    monkeypatch, kernel, setting, library, turns
):
    shell = types.SimpleNamespace(kernel=object()) if kernel else types.SimpleNamespace()
    monkeypatch.setitem(sys.modules, "IPython", types.SimpleNamespace(get_ipython=lambda: shell))
    monkeypatch.setenv("PYVISTA_JUPYTER_BACKEND", setting)
    monkeypatch.setattr(notebook, "entry_points", lambda group: ["one"] if library else [])
    assert notebook.turns_here() is turns


def test_without_a_library_that_draws_the_tapes_are_shown_flat(monkeypatch, adult):
    def missing(*_given):
        raise MissingExtra(found="none", expected="one", next_step="install it")

    monkeypatch.setattr(notebook, "head_with_tapes", missing)
    made = notebook.head_in_3d(adult.plan, adult.loaded.volume, Side.LEFT)
    assert made.alt == "the two tapes, PATIENT'S LEFT"
    assert made.png.startswith(PNG)
