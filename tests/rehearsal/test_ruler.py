"""Lengths along the scalp against closed forms on a sphere."""

from __future__ import annotations

import numpy as np
import pytest

from entrypoint.errors import MeasurementError
from entrypoint.rehearsal.ruler import offset_along

R = 87.0
CENTRE = np.array([11.0, -7.0, 23.0])


def on_sphere(start, outward, end):
    """Great circle from one point to another, every half degree."""
    a, b = (start - CENTRE) / R, (end - CENTRE) / R
    angle = float(np.arccos(np.clip(a @ b, -1.0, 1.0)))
    t = np.linspace(0.0, 1.0, max(3, round(np.degrees(angle) / 0.5)))[:, None]
    line = (np.sin((1 - t) * angle) * a + np.sin(t * angle) * b) / np.sin(angle)
    return CENTRE + R * line


@pytest.mark.parametrize("arc_mm", [1.0, 5.0, 20.0, 60.0])
@pytest.mark.parametrize("bearing_deg", [0.0, 37.0, 145.0, 270.0])
def test_a_mark_at_a_known_arc_of_a_sphere(arc_mm, bearing_deg):
    rng = np.random.default_rng(4)
    frame, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    out, front, right = frame.T
    right = np.cross(out, -front)  # seen from outside, nose up: the patient's right is right
    true = CENTRE + R * out
    turn = np.deg2rad(bearing_deg)
    ahead = np.cos(turn) * front + np.sin(turn) * right
    mark = CENTRE + R * (np.cos(arc_mm / R) * out + np.sin(arc_mm / R) * ahead)
    found = offset_along(
        on_sphere, true_mm=true, mark_mm=mark, unit_outward=out, unit_backward=-front,
        unit_right=right,
    )  # fmt: skip
    assert found.by_tape
    # a polyline of half-degree steps is short of its arc by 3e-6 of it
    assert found.along_scalp_mm == pytest.approx(arc_mm, rel=1e-5)
    assert found.straight_mm == pytest.approx(2 * R * np.sin(arc_mm / (2 * R)))
    assert found.front_back_mm == pytest.approx(arc_mm * np.cos(turn), abs=1e-3)
    assert found.left_right_mm == pytest.approx(arc_mm * np.sin(turn), abs=1e-3)


def test_where_no_tape_can_be_laid_the_straight_distance_is_named_as_such():
    def unseen(start, outward, end):
        raise MeasurementError(found="no skin", expected="skin", next_step="-")

    found = offset_along(
        unseen, true_mm=np.zeros(3), mark_mm=np.array([3.0, 4.0, 0.0]),
        unit_outward=np.array([0.0, 0.0, 1.0]), unit_backward=np.array([0.0, -1.0, 0.0]),
        unit_right=np.array([1.0, 0.0, 0.0]),
    )  # fmt: skip
    assert not found.by_tape
    assert (found.along_scalp_mm, found.front_back_mm, found.left_right_mm) == (5.0, 4.0, 3.0)
    from entrypoint.rehearsal.words import offset_words

    assert "in a straight line" in offset_words(found)


def test_a_mark_on_the_point_itself():
    point = np.array([1.0, 2.0, 3.0])
    found = offset_along(
        on_sphere, true_mm=point, mark_mm=point, unit_outward=np.eye(3)[2],
        unit_backward=np.eye(3)[1], unit_right=np.eye(3)[0],
    )  # fmt: skip
    assert found.along_scalp_mm == found.front_back_mm == found.left_right_mm == 0.0
