"""Exact answers at many points are the answers at one, and margins end where they say."""

from __future__ import annotations

import numpy as np
import pytest

from entrypoint.phantoms.site_truth import SiteTruth
from entrypoint.reference import value


@pytest.fixture(scope="module")
def exact(adult):
    return SiteTruth(adult)


@pytest.mark.parametrize("side", ["right", "left"])
def test_the_rules_point_has_the_answers_of_the_head(exact, adult_truth, side):
    true, mine = adult_truth["sides"][side], exact.at(110.0, 30.0, side)
    np.testing.assert_allclose(exact.world(mine.entry), true["scalp_entry_mm"], atol=1e-9)
    np.testing.assert_allclose(exact.world(mine.foot), true["outer_table_mm"], atol=1e-6)
    for name in ("scalp_mm", "skull_mm", "outer_table_mm", "diploe_mm", "inner_table_mm"):
        assert getattr(mine, name) == pytest.approx(true["thickness"][name], abs=1e-9)
    for name in ("suture_nearest_mm", "midline_scalp_mm", "midline_inner_table_mm"):
        assert getattr(mine, name) == pytest.approx(true["clearance"][name], abs=1e-9)
    # The envelope ends where the path comes nearest: 10 mm below the inner table here.
    inside = mine.foot + (mine.skull_mm + 10.0) * mine.unit_inward
    away = abs(inside[0]) - value(f"sinus_half_width_{side}")
    assert mine.sinus_mm == pytest.approx(away, abs=1e-6)


def test_where_a_margin_begins_to_be_broken(exact):
    out = exact.lateral_arc_where("midline_scalp_mm", 24.0, 110.0, "left", (24.0, 26.0))
    assert exact.at(110.0, out, "left").midline_scalp_mm == pytest.approx(24.0, abs=0.05)
    assert exact.lateral_arc_where("midline_scalp_mm", 24.0, 110.0, "left", (30.0, 32.0)) is None
