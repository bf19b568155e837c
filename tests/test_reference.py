"""Reference rows: complete, cited, and the only home of the defaults."""

from __future__ import annotations

import pytest

from entrypoint.errors import FieldRefused
from entrypoint.planning.finding_kinds import CATALOGUE
from entrypoint.planning.model import Rule
from entrypoint.reference import ROWS, Mark, row, spread, value

DEFAULTS = {
    "midline_arc_mm": "rule_midline_arc",
    "lateral_arc_mm": "rule_lateral_arc",
    "suture_margin_mm": "rule_suture_margin",
    "midline_margin_mm": "rule_midline_margin",
    "sinus_margin_mm": "rule_sinus_margin",
    "sensor_depth_mm": "rule_sensor_depth",
    "drill_allowance_mm": "rule_drill_allowance",
}


@pytest.mark.parametrize(("field", "key"), DEFAULTS.items())
def test_every_default_of_the_rule_is_a_row(field, key):
    assert getattr(Rule(), field) == value(key)


def test_every_number_among_the_defaults_is_covered():
    numbers = {f for f in Rule.__slots__ if isinstance(getattr(Rule(), f), float)}
    assert numbers == set(DEFAULTS)


@pytest.mark.parametrize("key", sorted(ROWS))
def test_a_row_says_where_it_is_from(key):
    found = ROWS[key]
    assert found.key == key
    if found.mark in (Mark.SOURCE, Mark.COMPUTED):
        assert found.source, "a published value names its source"
    if found.mark is Mark.JUDGEMENT:
        assert "judgement, no source" in found.cited()
    if found.mark is Mark.PRACTICE:
        assert found.cited() == "common practice, no source"
    if found.mark is Mark.MEMORY:
        assert "from memory" in found.cited()
    if found.low is not None and found.high is not None:
        assert found.low <= found.value <= found.high
    if found.spread is not None:
        assert found.spread > 0.0


# As printed in the sources.
QUOTED = {
    "nasion_bregma_arc_bone": (126.6, 7.3),
    "nasion_inion_arc_bone": (330.2, 15.2),
    "nasion_bregma_arc_dry": (124.3, 6.9),
    "nasion_inion_arc_dry": (320.8, 14.4),
    "nasion_bregma_chord_men": (111.7, 5.0),
    "nasion_bregma_chord_women": (107.0, 4.8),
    "nasion_inion_scalp": (366.0, 17.5),
    "circumference_men": (574.4, 16.1),
    "circumference_women": (561.1, 19.4),
    "head_length_men": (199.5, 7.0),
    "head_length_women": (189.8, 7.5),
    "head_breadth_men": (154.3, 5.5),
    "head_breadth_women": (147.8, 5.2),
    "interpupillary_men": (64.0, 3.4),
    "interpupillary_women": (61.7, 3.6),
    "calvarial_slope": (24.2, 3.1),
    "sinus_width_bregma": (6.5, 2.8),
    "sinus_width_half_way": (5.6, 2.5),
    "motor_strip_behind_bregma": (47.8, 5.9),
}


@pytest.mark.parametrize("key", sorted(QUOTED))
def test_quoted_values(key):
    assert (value(key), spread(key)) == QUOTED[key]


def test_the_judged_numbers_are_the_agreed_ones():
    agreed = {
        "foremost_arc": 90.0, "probability_caution": 0.2, "stop_reserve": 1.0,
        "scalp_stop_limit": 10.0, "scalp_sides_limit": 3.0, "bone_missing_radius": 8.0,
        "skull_child_limit": 3.0, "past_inner_table": 3.0, "given_detected_caution": 5.0,
        "given_detected_stop": 10.0, "landmark_note": 2.0, "landmark_caution": 5.0,
        "landmark_refused": 10.0,
    }  # fmt: skip
    assert {key: value(key) for key in agreed} == agreed


def test_names_that_are_not_there():
    with pytest.raises(FieldRefused, match="o reference row"):
        row("rule_midline")
    with pytest.raises(FieldRefused, match="has no spread"):
        spread("rule_midline_arc")


def test_every_finding_cites_rows_that_exist():
    for kind in CATALOGUE.values():
        assert all(key in ROWS for key in kind.rows)
        assert bool(kind.source()) == bool(kind.rows)
