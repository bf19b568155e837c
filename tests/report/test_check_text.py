"""Checked paths as text: what is said, in which order, and how figures are rounded."""

from __future__ import annotations

import re
from dataclasses import replace

from entrypoint.planning.model import CAVEAT
from entrypoint.report.check_text import check_document, leaning
from entrypoint.report.plain import render
from entrypoint.report.wording import PRACTICE_BANNER
from tests.io.test_check_record import made


def said(check, **options):
    return " ".join(render(check_document(check, **options)).split())


def test_an_order_that_says_its_rule_and_no_choice():
    text = said(replace(made(), order=("B", "A", "C")))
    assert text.startswith(CAVEAT)
    assert text.endswith(CAVEAT)
    places = [text.index(words) for words in ("1. B, PATIENT'S LEFT", "2. A, PATIENT'S RIGHT",
                                              "3. C, PATIENT'S RIGHT", "An order, not a choice",
                                              "PATH B:", "PATH A:", "PATH C:")]  # fmt: skip
    assert places == sorted(places)
    assert "smallest margin at its worst -0.4 mm (minus: broken)" in text
    assert "REFUSED The point is elsewhere. It has no figures." in text


def test_one_path_has_no_order_and_everything_else():
    text = said(made(labels=("A",)))
    assert "An order" not in text
    for words in (
        "Checked", "Not checked", "lies 1.3 mm from the skin; moved to it",
        "5.0 ± 0.6 degrees: 4.0 towards the front and 3.0 away from the midline",
        "+0.2 mm along it", "3.0 mm in front of it, 2.0 mm farther from the midline",
        "readers ± 4.0 mm", "THE WORST within 4 degrees and 5 mm",
        "-0.4 mm, 5 mm to the midline", "Tip to the nearest fluid space 21.0 mm",
    ):  # fmt: skip
        assert words in text, words
    for never in (r"\bsafe\b", r"\bclear\b", r"\bOK\b", r"\bbest path\b", r"\brecommend"):
        assert not re.search(never, text, re.I), never


def test_a_practice_head_says_so_at_both_ends():
    text = said(replace(made(), practice=True))
    assert text.count(PRACTICE_BANNER) >= 2


def test_the_lean_is_told_in_words():
    path = made().paths[0]
    assert leaning(path) == "4.0 towards the front and 3.0 away from the midline"
    turned = replace(path, tilt_back_deg=2.0, tilt_away_deg=-0.01)
    assert leaning(turned) == "2.0 towards the back"
