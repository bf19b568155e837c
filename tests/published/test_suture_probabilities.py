"""Distance of a mark from the coronal suture, and how often it is too near.

Authorities: Localization of the bregma and its clinical relevance, Anatomy 2018;12(3):135-139
(nasion-bregma on bone 126.6 +- 7.3 mm); Techataweewan N et al., J Med Assoc Thai 2017;100(9):1007
(about 8 mm longer on the scalp); J Neurosurg 2013;118(3):510-513, doi 10.3171/2012.11.JNS12477
(the bow). The probabilities are a normal model of these, worked out independently.
"""

from __future__ import annotations

import numpy as np
import pytest

from entrypoint.planning.suture_odds import (
    Arc,
    bow_mm,
    cautious_arc_mm,
    definition_sd_mm,
    expected_bregma_mm,
    suture_odds,
)

# arc, surface, mean clearance, P nearer than 10 mm, P behind; 25 mm lateral
QUOTED = [
    (110.0, Arc.BONE, 12.6, 0.361, 0.042),
    (120.0, Arc.BONE, 2.6, 0.845, 0.361),
    (100.0, Arc.BONE, 22.6, 0.04, 0.001),
    (110.0, Arc.SCALP, 20.6, 0.07, 0.002),
]
BOW_MM = {10: 1, 20: 3, 30: 5, 40: 8, 50: 10, 60: 14}


@pytest.mark.parametrize(("arc", "surface", "mean", "near", "behind"), QUOTED)
def test_25_mm_lateral(arc, surface, mean, near, behind):
    odds = suture_odds(midline_arc_mm=arc, lateral_arc_mm=25.0, margin_mm=10.0, arc=surface)
    assert odds.clearance_mm == pytest.approx(mean, abs=0.05)
    assert odds.p_below_margin == pytest.approx(near, abs=0.01)
    assert odds.p_behind == pytest.approx(behind, abs=0.01)


@pytest.mark.parametrize(("surface", "near"), [(Arc.BONE, 0.41), (Arc.SCALP, 0.09)])
def test_30_mm_lateral(surface, near):
    odds = suture_odds(midline_arc_mm=110.0, lateral_arc_mm=30.0, margin_mm=10.0, arc=surface)
    assert odds.p_below_margin == pytest.approx(near, abs=0.01)


def test_the_bow_is_the_published_one_on_both_sides():
    for lateral, bow in BOW_MM.items():
        assert bow_mm(lateral) == bow
        assert bow_mm(-lateral) == bow
    assert bow_mm(0.0) == 0.0
    assert bow_mm(70.0) > bow_mm(60.0)


def test_the_ratio_of_the_same_paper():
    """0.383 x nasion-inion; the spread left is under the whole one, and over full proportion's."""
    mean, sd = expected_bregma_mm(Arc.BONE, nasion_inion_mm=330.2)
    assert mean == pytest.approx(126.6, abs=0.1)
    assert mean == pytest.approx(0.383 * 330.2, abs=0.3)
    assert 4.4 < sd < 6.5
    longer, _ = expected_bregma_mm(Arc.BONE, nasion_inion_mm=356.0)
    assert (longer - mean) / (356.0 - 330.2) == pytest.approx(0.383, abs=1e-6)


def test_against_simulated_heads():
    """The same model, drawn: 400 000 heads."""
    rng = np.random.default_rng(11)
    bregma = rng.normal(126.6 + 8.0, 7.3, 400_000)
    definition = rng.normal(0.0, definition_sd_mm(), 400_000)
    tape = rng.normal(0.0, 2.0, 400_000)
    clear = bregma - 5.0 - (110.0 + tape) + definition
    odds = suture_odds(
        midline_arc_mm=110.0,
        lateral_arc_mm=30.0,
        margin_mm=10.0,
        arc=Arc.SCALP,
        measurement_sd_mm=2.0,
        definition_sd_mm=definition_sd_mm(),
    )
    assert odds.p_below_margin == pytest.approx(float((clear < 10.0).mean()), abs=0.003)
    arc = cautious_arc_mm(
        lateral_arc_mm=30.0,
        margin_mm=10.0,
        arc=Arc.SCALP,
        measurement_sd_mm=2.0,
        definition_sd_mm=definition_sd_mm(),
    )
    assert arc is not None
    kept = (bregma - 5.0 - (arc + tape) + definition >= 10.0).mean()
    assert float(kept) == pytest.approx(0.95, abs=0.003)


def test_no_such_point_is_an_answer():
    assert cautious_arc_mm(lateral_arc_mm=30.0, margin_mm=10.0, arc=Arc.BONE) is not None
    assert cautious_arc_mm(lateral_arc_mm=30.0, margin_mm=25.0, arc=Arc.BONE) is None
    assert (
        cautious_arc_mm(lateral_arc_mm=30.0, margin_mm=10.0, arc=Arc.SCALP, nasion_inion_mm=315.0)
        is None
    )
