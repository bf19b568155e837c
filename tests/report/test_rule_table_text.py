"""A table of rules as text: looked-at first, columns that line up, one seat, no merit."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from entrypoint.planning.model import CAVEAT, Seat, Side
from entrypoint.report.plain import render
from entrypoint.report.rule_table_text import rules_document
from entrypoint.report.wording import PRACTICE_BANNER
from tests.io.test_rule_table_record import TABLE, made
from tests.report.test_comparison_text import VERDICT
from tests.report.test_text import REASSURING, flat, on_terminal


def text_of(table, **options):
    return render(rules_document(table, **options))


@pytest.mark.parametrize("seat", [None, *Seat])
@pytest.mark.parametrize("brief", [False, True])
def test_order_and_words(seat, brief):
    table = made(seat=seat, practice=brief)
    text = text_of(table, brief=brief)
    said = flat(text)
    assert said.startswith(CAVEAT)
    assert said.endswith(CAVEAT)
    assert said.count(PRACTICE_BANNER) == (2 if brief else 0)
    assert text.index("Checked") < text.index("Not checked") < text.index("RULES:")
    assert text.index("RULES: PATIENT'S RIGHT") < text.index("RULES: PATIENT'S LEFT")
    body = said.replace(CAVEAT, "")
    assert not REASSURING.search(body)
    assert not VERDICT.search(body)
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "is no plan of its point" in said
    assert "None" not in body.replace("None raised", "")
    assert "nan" not in body
    for one in Seat:
        words = f"stop seated ON {one.value.upper()}"
        assert (words in said) == (one is seat)
    assert ("was not named" in said) == (seat is None)
    assert "110 x 30" in on_terminal(rules_document(table))


def line_of(text, title, rule):
    part = text[text.index(title) :]
    line = next(x for x in part.splitlines() if x.strip().startswith(rule))
    return line.split()[3:]


def test_figures_are_rounded_to_protect_and_odds_are_never_none_or_all():
    text = text_of(TABLE)
    midline, inner, tip, sinus, suture, _, width, nearer, behind = line_of(
        text, "Distances", "110 x 30"
    )
    row = TABLE.sides[Side.RIGHT].rows[5]
    assert float(midline) <= row.midline_scalp_mm < float(midline) + 0.1
    assert float(inner) <= row.midline_inner_table_mm
    assert float(tip) <= row.midline_tip_mm
    assert float(sinus) <= row.sinus_mm
    assert (suture, width) == ("15.0", "2.0")
    assert nearer == "2"  # of 100: 1.3 rounded up
    assert behind == "<1"
    beyond = line_of(text, "Distances", "128.5 x 30")
    assert beyond[4] == "-3.5"
    assert beyond[-2] == ">99"
    scalp, skull, _, stop, _, finding = line_of(text, "Along the path", "110 x 30")[:6]
    assert (scalp, skull, stop, finding) == ("6.0", "7.0", "5", "none")


def test_what_is_not_charted_and_what_was_raised_are_listed_by_rule():
    text = flat(text_of(TABLE))
    assert "Outside the charted range. 75 x 20, 30" in text
    assert re.search(r"CAUTION \[suture-margin\] 128.5 x 20, 30", text)
    assert not re.search(r"\n +75 x 20 ", text_of(TABLE))


def test_a_side_without_a_row_in_the_chart_has_no_tables():
    side = TABLE.sides[Side.RIGHT]
    only = replace(TABLE, sides={Side.RIGHT: replace(side, rows=side.rows[:2])})
    text = flat(text_of(only))
    assert "Distances" not in text
    assert "Outside the charted range. 75 x 20, 30" in text
    assert "PATIENT'S LEFT" not in text
