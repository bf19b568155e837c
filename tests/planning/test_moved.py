"""The moved point against a fine search, on margins that curve."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from entrypoint.errors import MeasurementError
from entrypoint.planning.model import Rule
from entrypoint.planning.moved import Margins, arc_that_keeps_margin, moved_point, smallest_move
from entrypoint.reference import value

START = (110.0, 30.0)


def head(bregma: float, slant: float, sinus_at: float):
    """Margins of a smooth head: the suture bows, the sinus margin grows to the side."""

    def replan(midline: float, lateral: float) -> Margins:
        return Margins(
            suture_nearest_mm=bregma - midline - 0.17 * lateral - 0.001 * lateral**2,
            midline_scalp_mm=75.0 * np.sin(lateral / 75.0),
            sinus_mm=slant * (lateral - sinus_at) - 0.002 * (midline - 110.0) ** 2,
        )

    return replan


def fine_search(replan, rule, start=START, step=0.25):
    best = None
    lo, hi = value("foremost_arc"), start[0] + 20.0
    for m in np.arange(lo, hi, step):
        for la in np.arange(5.0, value("farthest_lateral_arc") + 1e-9, step):
            got = replan(m, la)
            if (
                got.suture_nearest_mm >= rule.suture_margin_mm
                and got.midline_scalp_mm >= rule.midline_margin_mm
                and got.sinus_mm >= rule.sinus_margin_mm
            ):
                size = np.hypot(m - start[0], la - start[1])
                if best is None or size < best[0]:
                    best = (size, m, la)
    return best


@settings(max_examples=12, deadline=None)
@given(bregma=st.floats(112.0, 135.0), slant=st.floats(0.4, 0.9), sinus_at=st.floats(20.0, 42.0))
def test_smallest_to_half_a_millimetre(bregma, slant, sinus_at):
    replan, rule = head(bregma, slant, sinus_at), Rule()
    found, best = smallest_move(replan, rule, START), fine_search(replan, rule, step=0.5)
    assert found is not None
    assert best is not None
    midline, lateral, margins = found
    assert margins.suture_nearest_mm >= rule.suture_margin_mm
    assert margins.midline_scalp_mm >= rule.midline_margin_mm
    assert margins.sinus_mm >= rule.sinus_margin_mm
    assert np.hypot(midline - START[0], lateral - START[1]) <= best[0] + 0.5


def test_nothing_moves_where_every_margin_holds():
    found = smallest_move(head(140.0, 0.7, 20.0), Rule(), START)
    assert found[:2] == START


@pytest.mark.parametrize("bregma", [95.0, 60.0])
def test_no_such_point(bregma):
    replan = head(bregma, 0.7, 20.0)
    assert smallest_move(replan, Rule(), START) is None
    moved = moved_point(replan, Rule(), START, suture_sd_mm=2.0, suture_definition_sd_mm=2.0)
    assert not moved.exists
    assert moved.midline_arc_mm is None
    assert moved.midline_arc_95_mm is None
    assert "no point" in moved.text


def test_no_point_in_front_of_90_mm():
    replan = head(107.0, 0.7, 20.0)
    found = smallest_move(replan, Rule(), START)
    assert found is None or found[0] >= 90.0
    rule = Rule(midline_arc_mm=80.0)
    assert smallest_move(head(140.0, 0.7, 20.0), rule, (80.0, 30.0))[0] == 80.0


@pytest.mark.parametrize(("sd", "definition"), [(0.5, 2.0), (3.0, 2.0), (5.0, 3.6)])
def test_the_95_percent_arc(sd, definition):
    """Linear margin: arc = bregma - bow - margin - 1.645 spread."""
    replan = head(128.0, 0.7, 20.0)
    exact = 128.0 - 0.17 * 30 - 0.9 - 10.0 - 1.644854 * np.hypot(sd, definition)
    found = arc_that_keeps_margin(replan, Rule(), START, sd, definition)
    assert found == pytest.approx(min(exact, 110.0), abs=0.1)
    assert found <= exact + 1e-9
    # raising the spread can only move it forward
    wider = arc_that_keeps_margin(replan, Rule(), START, sd + 1.0, definition)
    assert wider <= found


def test_rounding_in_the_text_keeps_the_margin():
    moved = moved_point(
        head(123.9, 0.7, 20.0), Rule(), START, suture_sd_mm=1.0, suture_definition_sd_mm=2.0
    )
    assert moved.exists
    assert f"({int(moved.midline_arc_95_mm)} mm)" in moved.text
    assert f"({int(moved.midline_arc_mm)} mm)" in moved.text


def test_a_head_that_cannot_be_planned_there():
    def broken(midline, lateral):
        raise MeasurementError(found="x", expected="y", next_step="z")

    assert smallest_move(broken, Rule(), START) is None
    assert arc_that_keeps_margin(broken, Rule(), START, 1.0, 1.0) is None


def test_without_a_suture_nothing_is_said_of_it():
    def replan(midline, lateral):
        return Margins(suture_nearest_mm=None, midline_scalp_mm=lateral, sinus_mm=None)

    moved = moved_point(replan, Rule(), START, suture_sd_mm=None, suture_definition_sd_mm=None)
    assert moved.exists
    assert moved.midline_arc_95_mm is None
    assert "cannot be told" in moved.text
