"""The table of rules on a scan against full plans of the same points."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from entrypoint import api
from entrypoint.planning.model import Rule, Seat, Side
from entrypoint.planning.rule_table import rule_table
from tests.planning.ct.ct_charts import found
from tests.planning.ct.heads import codes, plan

# What a plan looks at round its own point only, and a row does not.
ONLY_A_PLAN = {
    "frontal-sinus", "metal", "air-near-path", "denser-than-brain", "dense-under-bone",
    "fluid-under-bone", "fluid-space-near",
}  # fmt: skip
OTHERS = ((100.0, 25.0), (104.0, 38.0), (123.0, 33.0))


def table_of(this, made, midline, lateral):
    return rule_table(made, this.parts, midline, lateral)


def agrees(row, mine):
    """A row against one side of a full plan at that point."""
    t, c = mine.thickness, mine.clearance
    assert np.linalg.norm(row.scalp_entry_mm - mine.scalp_entry_mm) < 0.1
    for got, true, within in (
        (row.skull_mm, t.skull_mm, 0.2), (row.scalp_mm, t.scalp_mm, 0.2),
        (row.suture_nearest_mm, c.suture_nearest_mm, 0.3),
        (row.midline_scalp_mm, c.midline_scalp_mm, 0.1), (row.sinus_mm, c.sinus_mm, 0.4),
        (row.midline_inner_table_mm, c.midline_inner_table_mm, 0.2),
        (row.midline_tip_mm, c.midline_tip_mm, 0.5),
        (row.suture_sd_mm, c.suture_sd_mm, 1e-6), (row.midline_sd_mm, c.midline_sd_mm, 1e-3),
        (row.suture_definition_sd_mm, c.suture_definition_sd_mm, 1e-6),
        (row.p_suture_below_margin, c.p_suture_below_margin, 0.05),
        (row.p_behind_suture, c.p_behind_suture, 0.05),
        (row.sensor_from_scalp_mm, mine.sensor.from_scalp_mm, 0.3),
    ):  # fmt: skip
        assert got == pytest.approx(true, abs=within)
    start = mine.drill_stop.start_on_bone_mm
    assert start - 1.0 <= row.start_stop_mm <= start
    assert codes(row.findings) == codes(mine.findings) - ONLY_A_PLAN


SEAT = Rule(stop_seats_on=Seat.BONE)


@pytest.fixture(scope="module")
def on_bone(adult):
    """The adult's table, its seat named, with the plan behind it."""
    this = found(adult.volume)
    made = dataclasses.replace(adult.plan, rule=SEAT)
    arcs = sorted({110.0, *(a for a, _ in OTHERS)}), sorted({30.0, *(b for _, b in OTHERS)})
    return table_of(this, made, *arcs)


def row_at(table, side, midline, lateral):
    return next(
        r
        for r in table.sides[side].rows
        if (r.midline_arc_mm, r.lateral_arc_mm) == (midline, lateral)
    )


def test_the_rules_own_row_is_the_plans(adult, on_bone):
    made = plan(adult.volume, rule=SEAT)
    for side in Side:
        agrees(row_at(on_bone, side, 110.0, 30.0), made.sides[side])


@pytest.mark.parametrize(("midline", "lateral"), OTHERS)
def test_other_rows_are_those_of_full_plans(adult, on_bone, midline, lateral):
    rule = Rule(midline_arc_mm=midline, lateral_arc_mm=lateral, stop_seats_on=Seat.BONE)
    made = plan(adult.volume, rule=rule)
    for side in Side:
        agrees(row_at(on_bone, side, midline, lateral), made.sides[side])


def test_a_swelling_shows_against_the_side_that_was_not_asked_for(haematoma):
    table = api.vary_ct(
        haematoma.loaded, midline_arcs_mm=[110], lateral_arcs_mm=[30], sides="right",
        rule=Rule(stop_seats_on=Seat.SCALP), label="one",
    )  # fmt: skip
    assert list(table.sides) == [Side.RIGHT]
    (row,) = table.sides[Side.RIGHT].rows
    assert "scalp-swelling" in codes(row.findings, "caution")
    assert row.start_stop_mm is None
    assert table.practice
    assert table.input.name == "one"
    assert table.looked_at.not_checked[0].startswith("what only a plan looks at")
