"""The modelled scalp against analytic heads, whose answers come from their own surfaces."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from entrypoint.phantoms import build, named_spec, random_spec
from entrypoint.planning.landmark_head import plan_from_landmarks
from entrypoint.planning.model import Side

HEADS = ["adult", 4021]


@cache
def truth(head):
    return build(named_spec(head) if isinstance(head, str) else random_spec(head)).truth()


def given(head, *tops):
    marks = {k: np.array(v) for k, v in truth(head)["landmarks"].items()}
    names = ["inion", "left_preauricular", "right_preauricular", *tops]
    return {"nasion": marks["nasion_skin"], **{n: marks[n] for n in names}}


@pytest.mark.parametrize("head", HEADS)
@pytest.mark.parametrize("tops", [("vertex",), ("bregma",), ("vertex", "bregma")])
def test_entry_within_its_claimed_error(head, tops):
    answers = truth(head)
    plan = plan_from_landmarks(given(head, *tops))
    along = np.array(answers["midline"]["unit_along"])
    for side in Side:
        found = plan.sides[side]
        true = answers["sides"][side.value]
        error = found.scalp_entry_mm - np.array(true["scalp_entry_mm"])
        across = np.cross(np.array(true["unit_inward"]), along)
        assert abs(float(error @ along)) < 1.96 * found.scalp_entry_sd_along_mm
        assert abs(float(error @ across)) < 1.96 * found.scalp_entry_sd_across_mm
        assert found.clearance.midline_scalp_mm == pytest.approx(
            true["clearance"]["midline_scalp_mm"], abs=1.96 * found.clearance.midline_sd_mm
        )


@pytest.mark.parametrize("head", HEADS)
def test_suture_clearance_within_its_claimed_error(head):
    answers = truth(head)
    curve = answers["coronal_suture"]["curve_mm"]
    points = given(head, "vertex", "bregma")
    for plan in (
        plan_from_landmarks(points, coronal_suture_mm=curve),
        plan_from_landmarks(points),
        plan_from_landmarks(given(head, "vertex")),
    ):
        for side in Side:
            c = plan.sides[side].clearance
            true = answers["sides"][side.value]["clearance"]["suture_nearest_mm"]
            spread = np.hypot(c.suture_sd_mm, c.suture_definition_sd_mm)
            assert c.suture_nearest_mm == pytest.approx(true, abs=1.96 * spread)


def test_the_plane_is_the_heads_own():
    for head in HEADS:
        plane = plan_from_landmarks(given(head, "vertex")).midsagittal_plane
        true = answers_normal(head)
        assert np.degrees(np.arccos(min(float(plane.unit_normal @ true), 1.0))) < 0.5


def answers_normal(head):
    return np.array(truth(head)["midsagittal_plane"]["unit_normal"])
