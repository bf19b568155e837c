"""The taut tape against closed forms on circles."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from entrypoint.errors import GeometryError
from entrypoint.geometry.polylines import arc_lengths_mm, between, point_at
from entrypoint.geometry.rigid import Rigid, rotation_about
from entrypoint.geometry.taut import drop_to_surface, taut

NORMAL = [1.0, 0.0, 0.0]


def circle(start_deg: float, stop_deg: float, radius: float = 90.0, step_deg: float = 0.25):
    n = round(abs(stop_deg - start_deg) / step_deg)
    t = np.radians(np.linspace(start_deg, stop_deg, n + 1))
    return np.column_stack([np.zeros(n + 1), radius * np.cos(t), radius * np.sin(t)])


def dented(start_deg: float, stop_deg: float, from_deg: float, to_deg: float, depth: float = 6.0):
    """A circle with a smooth hollow between two angles."""
    p = circle(start_deg, stop_deg)
    t = np.degrees(np.unwrap(np.arctan2(p[:, 2], p[:, 1])))
    x = np.clip((t - from_deg) / (to_deg - from_deg), 0.0, 1.0)
    inward = depth * np.sin(math.pi * x) ** 2
    return p * (1.0 - inward / 90.0)[:, None]


@pytest.mark.parametrize("stop_deg", [60.0, 120.0, 200.0, 260.0, 320.0])
@pytest.mark.parametrize("way", [1, -1])
def test_round_profile_is_its_own_tape(stop_deg, way):
    p = circle(0.0, stop_deg)[::way]
    tape = taut(p, NORMAL)
    assert tape.on_surface.all()
    assert tape.length_mm == pytest.approx(math.radians(stop_deg) * 90.0, abs=1e-2)


@pytest.mark.parametrize("middle_deg", [50.0, 100.0, 210.0])
def test_a_wedge_cut_out_is_bridged_by_its_chord(middle_deg):
    p = circle(0.0, 260.0)
    t = np.linspace(0.0, 260.0, len(p))
    gone = np.abs(t - middle_deg) < 10.0 - 1e-9
    hollow = p.copy()
    hollow[gone] *= 0.95
    tape = taut(hollow, NORMAL)
    chord = 2.0 * 90.0 * math.sin(math.radians(10.0))
    rest = 90.0 * math.radians(240.0)
    assert tape.length_mm == pytest.approx(rest + chord, abs=1e-2)
    assert int(tape.bridged().sum()) == 1
    assert not tape.on_surface[gone].any()


def test_start_in_a_hollow_leaves_along_the_tangent():
    """Held end 4 mm below the circle: the tape starts there and is nowhere inside the head."""
    p = circle(0.0, 260.0)
    t = np.linspace(0.0, 260.0, len(p))
    scale = np.where(t < 15.0, 1.0 - (4.0 / 90.0) * (1.0 - t / 15.0), 1.0)
    hollow = p * scale[:, None]
    tape = taut(hollow, NORMAL)
    first = tape.points_mm[0]
    assert first == pytest.approx([0.0, 86.0, 0.0])
    # every point of the profile is inside the tape: none farther out than its own direction
    for point in hollow[::20]:
        assert distance_inside(tape.points_mm, point) > -1e-6


def test_a_start_outside_touches_at_the_tangent_point():
    """A point at distance D from the centre: tangent sqrt(D^2 - R^2), touched at acos(R / D)."""
    start = np.array([[0.0, 100.0, 0.0]])
    p = np.vstack([start, circle(2.0, 250.0, step_deg=0.05)])
    tape = taut(p, NORMAL)
    touch = math.acos(90.0 / 100.0)
    exact = math.sqrt(100.0**2 - 90.0**2) + 90.0 * (math.radians(250.0) - touch)
    assert tape.length_mm == pytest.approx(exact, abs=2e-3)
    assert tape.bridged()[0]


def distance_inside(curve: np.ndarray, point: np.ndarray) -> float:
    """How far the curve lies outside the point, in the point's direction from the centre."""
    angle = np.unwrap(np.arctan2(curve[:, 2], curve[:, 1]))
    here = math.atan2(point[2], point[1])
    if here < angle[0] - 1e-9:
        here += 2.0 * math.pi
    i = int(np.clip(np.searchsorted(angle, here) - 1, 0, len(curve) - 2))
    a, b = curve[i, 1:], curve[i + 1, 1:]
    ray = point[1:] / np.linalg.norm(point)
    step = b - a
    reach = (a[0] * step[1] - a[1] * step[0]) / (ray[0] * step[1] - ray[1] * step[0])
    return float(reach - np.linalg.norm(point))


@given(
    from_deg=st.floats(5.0, 150.0),
    width=st.floats(8.0, 60.0),
    depth=st.floats(0.5, 12.0),
    turn_deg=st.floats(-180.0, 180.0),
    way=st.sampled_from([1, -1]),
)
def test_never_inside_never_longer_and_pose_free(from_deg, width, depth, turn_deg, way):
    p = dented(0.0, 250.0, from_deg, from_deg + width, depth)
    tape = taut(p, NORMAL)
    surface = arc_lengths_mm(p)[-1]
    assert tape.length_mm <= surface + 1e-9
    assert min(distance_inside(tape.points_mm, q) for q in p[1:-1:40]) > -1e-6
    turned = Rigid(rotation=rotation_about([1, 2, 3], turn_deg), translation=[5, -7, 11])
    other = taut(turned.apply(p[::way]), turned.turn(NORMAL))
    assert other.length_mm == pytest.approx(tape.length_mm, abs=1e-6)


def test_overhang_cannot_touch():
    p = circle(0.0, 200.0)
    fold = np.vstack([p[:300], p[296] * 0.97, p[302] * 0.96, p[300:]])
    assert taut(fold, NORMAL).length_mm == pytest.approx(taut(p, NORMAL).length_mm, abs=1e-3)


def test_tape_of_a_stretch_of_the_arc():
    p = dented(0.0, 250.0, 40.0, 70.0)
    tape = taut(p, NORMAL)
    place, _ = point_at(tape.points_mm, 55.0 * math.pi / 180.0 * 90.0)
    skin = drop_to_surface(tape, p, math.radians(55.0) * 90.0)
    assert np.linalg.norm(skin) < np.linalg.norm(place) - 3.0
    # straight down: the step from tape to skin is square to the bridging stretch
    tangent = point_at(tape.points_mm, math.radians(55.0) * 90.0)[1]
    assert abs(float((skin - place) @ tangent)) < 1e-6


def test_on_the_skin_nothing_is_dropped():
    p = circle(0.0, 200.0)
    tape = taut(p, NORMAL)
    for arc in (0.0, 33.3, 110.0, tape.length_mm):
        np.testing.assert_allclose(
            drop_to_surface(tape, p, arc), point_at(tape.points_mm, arc)[0], atol=1e-9
        )


def test_outward_given_reads_a_hollow_stretch_as_a_hollow():
    cup = circle(170.0, 190.0)  # the head is taken to lie outside this arc: a hollow of it
    over = taut(cup, NORMAL, unit_outward=[0.0, 1.0, 0.0])
    assert over.length_mm == pytest.approx(float(np.linalg.norm(cup[-1] - cup[0])), abs=1e-9)
    assert taut(cup, NORMAL).length_mm == pytest.approx(math.radians(20.0) * 90.0, abs=1e-3)


def test_another_profile_is_refused():
    p = circle(0.0, 200.0)
    with pytest.raises(GeometryError, match="the profile that the tape was made from"):
        drop_to_surface(taut(p, NORMAL), between(p, 0.0, 50.0), 10.0)
    with pytest.raises(GeometryError, match="on a curve that is"):
        drop_to_surface(taut(p, NORMAL), p, 1e4)
