"""The comparison in words: both sides named in full, reasons both ways, and no verdict."""

from __future__ import annotations

import dataclasses
import re

import pytest

from entrypoint.planning.model import Side
from entrypoint.planning.side_comparison import with_comparison
from entrypoint.report.comparison_text import comparison_blocks
from entrypoint.report.plain import render
from entrypoint.report.text import plan_document
from tests.planning.test_side_comparison import both, stop
from tests.report.plans import tape_plan
from tests.report.test_text import REASSURING, flat

VERDICT = re.compile(
    r"\b(better|best|score|total|recommend\w*|choose|should|winner|rank\w*)\b", re.I
)
FAR = {"clearance__suture_nearest_mm": 25.0, "clearance__p_suture_below_margin": 0.001}
PLANS = {
    "equal": both(),
    "far": both(FAR),
    "swollen": both(left={"thickness__scalp_mm": 12.0}),
    "stopped": both({"findings": (stop(),)}),
}


def text_of(plan, prefer=Side.RIGHT):
    return flat(render(tuple(comparison_blocks(with_comparison(plan, prefer)))))


@pytest.mark.parametrize("name", sorted(PLANS))
def test_it_lists_and_does_not_choose(name):
    text = text_of(PLANS[name])
    assert not VERDICT.search(text)
    assert not REASSURING.search(text)
    assert "What speaks for the PATIENT'S RIGHT" in text
    assert "What speaks for the PATIENT'S LEFT" in text
    assert text.count("Against it") == 2
    assert "nothing here adds them up or names a side" in text
    assert "common practice, no source" in text
    assert "wider on the PATIENT'S RIGHT" in text or name == "stopped"


def test_reasons_are_told_for_one_side_and_against_the_other():
    text = text_of(PLANS["far"])
    right, left = text.split("What speaks for the ")[1:]
    assert "lies farther behind it" in right.lower()
    assert "lies nearer" in left.split("Against it")[1]
    assert "PATIENT'S RIGHT 25.0 ± 2.2 mm, PATIENT'S LEFT 8.4 ± 2.2 mm" in text


def test_a_stopped_side_shows_no_figures():
    text = text_of(PLANS["stopped"])
    assert "PATIENT'S RIGHT no figure, PATIENT'S LEFT 8.4 ± 2.2 mm: not compared" in text
    assert "a stop finding, or more" in text.split("PATIENT'S LEFT:")[0].lower()


def test_the_plan_ends_with_it_and_one_side_has_none():
    plan = with_comparison(both())
    text = flat(render(plan_document(plan)))
    assert text.index("FIGURES: PATIENT'S LEFT") < text.index("BESIDE EACH OTHER")
    assert text.index("BESIDE EACH OTHER") > text.index("LANDMARKS")
    assert "BESIDE" not in render(plan_document(tape_plan()))
    assert "BESIDE" not in render(plan_document(dataclasses.replace(plan, comparison=None)))


def test_nothing_is_preferred_where_that_was_asked_for():
    text = text_of(PLANS["equal"], None)
    assert "common practice" not in text
    assert "Preferred" not in text
    assert "as named for this plan" in text_of(PLANS["equal"], Side.LEFT)
