"""Rounding: what protects goes down, what threatens goes up, and a probability is never sure."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from entrypoint.report.rounding import down, figure_mm, of_100, tape, up, whole_mm

LENGTHS = st.floats(-500, 500)


@given(LENGTHS)
def test_down_never_flatters_a_clearance(value):
    for digits in (0, 1):
        assert down(value, digits) <= value + 2e-6
        assert value - down(value, digits) < 10.0**-digits + 1e-5
        assert up(value, digits) >= value - 2e-6


@given(LENGTHS, st.floats(0, 50))
def test_figures_round_the_value_down_and_the_half_width_up(value, sd):
    found = re.fullmatch(r"(-?[0-9.]+) ± ([0-9.]+) mm", figure_mm(value, sd))
    assert found
    assert float(found[1]) <= value + 2e-6
    assert float(found[2]) >= 1.959 * sd - 1e-5
    assert not found[1].startswith("-0.0")


@given(st.floats(0, 1))
def test_probabilities_are_counts_and_never_certain(p):
    text = of_100(p)
    assert text.endswith("of 100")
    if text.startswith("about"):
        count = int(text.split()[1])
        assert 1 <= count <= 99
        assert count >= 100 * p - 1e-4
    else:
        assert p < 0.01 or p > 0.98


@pytest.mark.parametrize(
    ("value", "expected"),
    [(110.0, "11 cm (110 mm)"), (106.4, "10.6 cm (106 mm)"), (25.0, "2.5 cm (25 mm)")],
)
def test_tape_in_centimetres_and_millimetres_without_a_trailing_zero(value, expected):
    assert tape(value) == expected


def test_lengths_to_hold_are_whole_and_rounded_down():
    assert whole_mm(5.99) == "5 mm"
    assert whole_mm(6.0) == "6 mm"
    assert whole_mm(0.2) == "0 mm"
