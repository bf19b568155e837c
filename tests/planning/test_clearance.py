"""Signed clearances on a sphere, where arcs are known."""

from __future__ import annotations

import numpy as np
import pytest

from entrypoint.errors import MeasurementError
from entrypoint.geometry.planes import Plane
from entrypoint.planning.clearance import (
    arc_over_chord_mm,
    midline_clearances_mm,
    scalp_reading_mm,
    sinus_clearance_mm,
    sinus_half_width_mm,
    sinus_path,
    suture_clearances,
)
from entrypoint.planning.model import Side

R = 80.0
PLANE = Plane(point_mm=[0, 0, 0], unit_normal=[1, 0, 0])


def on_sphere(lateral_mm: float, back_deg: float) -> np.ndarray:
    """Point at a straight distance from the midline, back_deg behind the top."""
    r = np.sqrt(R**2 - lateral_mm**2)
    a = np.radians(back_deg)
    return np.array([lateral_mm, -r * np.sin(a), r * np.cos(a)])


def suture(back_deg: float, bow_deg: float = 0.0) -> np.ndarray:
    return np.array(
        [on_sphere(x, back_deg - bow_deg * abs(x) / 60.0) for x in np.linspace(-60, 60, 121)]
    )


@pytest.mark.parametrize("x", [29.0, -29.0])
@pytest.mark.parametrize(("entry_deg", "suture_deg"), [(-20.0, -5.0), (-5.0, -12.0)])
def test_parallel_distance_on_a_sphere(x, entry_deg, suture_deg):
    r = np.sqrt(R**2 - x**2)
    arc = r * np.radians(suture_deg - entry_deg)
    point = on_sphere(x, entry_deg)
    a = np.radians(entry_deg)
    got = suture_clearances(
        point=point, suture_curve=suture(suture_deg), midsagittal=PLANE,
        unit_backward=[0.0, -np.cos(a), -np.sin(a)], radius_mm=r,
    )  # fmt: skip
    assert got.parallel_mm == pytest.approx(arc, abs=0.02)
    assert np.sign(got.nearest_mm) == np.sign(arc)
    assert abs(got.nearest_mm) <= abs(got.parallel_mm) + 1e-9


def test_with_the_surface_itself_the_length_follows_it():
    x, r = 29.0, np.sqrt(R**2 - 29.0**2)

    def section(point, unit_normal, unit_direction):
        t = np.radians(np.linspace(0, 60, 3000))
        start = np.arctan2(-point[1], point[2])
        return np.column_stack([0 * t + x, -r * np.sin(start + t), r * np.cos(start + t)])

    got = suture_clearances(
        point=on_sphere(x, -35.0), suture_curve=suture(5.0), midsagittal=PLANE,
        unit_backward=[0, -1, 0], outer_section=section,
    )  # fmt: skip
    assert got.parallel_mm == pytest.approx(r * np.radians(40.0), abs=0.02)


def test_a_bowed_suture_is_nearer_sideways_than_straight_back():
    got = suture_clearances(
        point=on_sphere(20.0, -20.0), suture_curve=suture(0.0, bow_deg=25.0), midsagittal=PLANE,
        unit_backward=[0, -1, 0],
    )  # fmt: skip
    assert 0.0 < got.nearest_mm < got.parallel_mm - 0.3


def test_a_suture_that_ends_early_gives_the_nearest_alone():
    short = suture(0.0)[40:81]  # 20 mm to each side
    got = suture_clearances(
        point=on_sphere(35.0, -15.0), suture_curve=short, midsagittal=PLANE,
        unit_backward=[0, -1, 0],
    )  # fmt: skip
    assert got.parallel_mm is None
    assert got.nearest_mm > 15.0
    with pytest.raises(MeasurementError, match="single point"):
        suture_clearances(
            point=[0, 0, 80], suture_curve=[[0, -10, 80]], midsagittal=PLANE,
            unit_backward=[0, -1, 0],
        )  # fmt: skip


def test_midline_is_positive_on_the_named_side():
    points = np.array([[30.0, 0, 0], [-5.0, 0, 0]])
    np.testing.assert_allclose(midline_clearances_mm(points, PLANE, Side.RIGHT), [30, -5])
    np.testing.assert_allclose(midline_clearances_mm(points, PLANE, Side.LEFT), [-30, 5])


def test_sinus_is_judged_down_to_10_mm_inside_and_wider_on_the_right():
    inward = np.array([-np.sin(np.radians(24.2)), 0.0, -np.cos(np.radians(24.2))])
    outer = np.array([27.0, 20.0, 70.0])
    inner = outer + 7.0 * inward
    path = sinus_path(outer, inner, inward)
    deepest = 27.0 - 17.0 * np.sin(np.radians(24.2))
    assert sinus_clearance_mm(path, PLANE, Side.RIGHT) == pytest.approx(
        deepest - sinus_half_width_mm(Side.RIGHT)
    )
    assert sinus_half_width_mm(Side.RIGHT) > sinus_half_width_mm(Side.LEFT)
    mirrored = path * [-1.0, 1.0, 1.0]
    assert sinus_clearance_mm(mirrored, PLANE, Side.LEFT) > sinus_clearance_mm(
        path, PLANE, Side.RIGHT
    )


def test_arc_and_scalp_reading():
    assert arc_over_chord_mm(2 * 75 * np.sin(25 / 150), 75.0) == pytest.approx(25.0)
    assert scalp_reading_mm(20.0, 6.0, radius_mm=75.0) == pytest.approx(21.6)
