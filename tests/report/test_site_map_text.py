"""The map as text: looked-at first, what is not in the area, no word that reassures."""

from __future__ import annotations

import re
from dataclasses import replace

from entrypoint.planning.model import CAVEAT, Finding, Level, Rule, Side
from entrypoint.planning.site_map import side_map
from entrypoint.report.plain import render
from entrypoint.report.site_map_text import map_document
from entrypoint.report.wording import PRACTICE_BANNER
from tests.io.test_site_map_record import CHARTS, MAP, SPREADS, made
from tests.report.test_text import REASSURING, flat


def text_of(site_map, **options):
    return render(map_document(site_map, **options))


def test_order_and_words():
    text = text_of(MAP)
    said = flat(text)
    assert said.startswith(CAVEAT)
    assert said.endswith(CAVEAT)
    assert text.index("Checked") < text.index("Not checked") < text.index("square cm")
    assert text.index("what is not in it") < text.index("square cm")
    for words in ("vessels", "cortex", "lesions"):
        assert words in said
    body = said.replace(CAVEAT, "")
    assert not REASSURING.search(body), REASSURING.search(body)
    assert "PATIENT'S RIGHT" in said
    assert "PATIENT'S LEFT" in said
    assert max(len(line) for line in text.splitlines()) <= 80


def test_odds_are_never_none_or_all():
    said = flat(text_of(MAP))
    assert not re.search(r"\b(0|100) of 100\b", said)
    assert "fewer than 1 of 100" in said or "about" in said


def test_rules_out_of_the_area_name_what_is_broken():
    said = flat(text_of(MAP))
    assert "outside margins" in said  # 12 cm of tape with the suture at 12.5 cm
    assert "broken: coronal suture" in said


def test_the_practice_banner_at_both_ends():
    practice, _, _ = made(practice=True)
    assert text_of(practice).count(PRACTICE_BANNER) == 2
    assert PRACTICE_BANNER not in text_of(MAP)


def test_nothing_within_margins_and_a_rule_off_the_map_are_said():
    rule = Rule(midline_arc_mm=150.0, engagement_mm=20.0)
    one, _ = side_map(CHARTS[Side.RIGHT], rule, SPREADS, MAP.sides[Side.RIGHT].suture)
    said = flat(text_of(replace(MAP, rule=rule, sides={Side.RIGHT: one})))
    assert "none on this map" in said
    assert "off the map: not looked at" in said
    assert "At least 20 mm of skull along the path" in said


def test_findings_come_before_the_areas_and_brief_leaves_notes_out():
    note = Finding(code="a-note", level=Level.NOTE, text="a note")
    stop = Finding(code="a-stop", level=Level.STOP, text="a stop")
    sides = {s: replace(m, findings=(note, stop)) for s, m in MAP.sides.items()}
    text = text_of(replace(MAP, sides=sides))
    assert text.index("a-stop") < text.index("a-note") < text.index("SITE MAP")
    assert "a-note" not in text_of(replace(MAP, sides=sides), brief=True)


def test_what_is_not_known_of_bone_is_said():
    bare = replace(MAP.sides[Side.LEFT], skull_least_mm=None, skull_most_mm=None)
    assert "not known" in flat(text_of(replace(MAP, sides={Side.LEFT: bare})))
    assert "no thickness (bone missing" in flat(text_of(MAP))
