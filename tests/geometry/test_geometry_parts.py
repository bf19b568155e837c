"""Guards, planes, rigid transforms, spheres, sections of meshes put in order, slabs."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from entrypoint.errors import GeometryError
from entrypoint.geometry.guards import as_point_mm, as_points_mm, unit
from entrypoint.geometry.planes import Plane, angle_deg, fit_plane
from entrypoint.geometry.polylines import length_mm
from entrypoint.geometry.rigid import Rigid, rotation_about
from entrypoint.geometry.sections import chain_segments, is_closed, open_between
from entrypoint.geometry.slabs import half_maximum_width_mm, slab_profile
from entrypoint.geometry.spheres import arc_of_chord_mm, ellipse_arc_mm, fit_sphere


@pytest.mark.parametrize(
    "bad", [[[1, 2]], [1, 2, 3], [[1, 2, float("nan")]], [["a", "b", "c"]], np.zeros((0, 3))]
)
def test_points_that_are_none(bad):
    with pytest.raises(GeometryError) as caught:
        as_points_mm(bad, "suture")
    assert "uture" in str(caught.value)


def test_points_are_read_only_copies():
    mine = np.ones((2, 3))
    points = as_points_mm(mine)
    with pytest.raises(ValueError, match="read-only"):
        points[0, 0] = 5.0
    mine[0, 0] = 7.0
    assert points[0, 0] == 1.0
    assert as_points_mm(points) is points
    with pytest.raises(GeometryError, match="three finite"):
        as_point_mm([1.0, 2.0])


def test_unit_of_tiny_and_huge_vectors():
    for size in (1e-200, 1.0, 1e200):
        np.testing.assert_allclose(unit([0.0, 3.0 * size, 4.0 * size]), [0, 0.6, 0.8])
    with pytest.raises(GeometryError, match="has no length"):
        unit([0, 0, 0])


def test_plane_distances_projection_and_mirror():
    plane = Plane(point_mm=[0, 0, 10], unit_normal=[0, 3, 4])
    points = np.array([[1.0, 2, 3], [-5, 0, 22]])
    away = plane.signed_distance_mm(points)
    np.testing.assert_allclose(plane.signed_distance_mm(plane.project(points)), 0, atol=1e-12)
    np.testing.assert_allclose(plane.signed_distance_mm(plane.mirror(points)), -away)
    np.testing.assert_allclose(plane.mirror(plane.mirror(points)), points, atol=1e-12)
    assert plane.distance_of_mm(points[1]) == pytest.approx(away[1])
    assert plane.tilt_deg(Plane(point_mm=[0, 0, 0], unit_normal=[0, -3, -4])) < 1e-9
    assert not plane.isclose(
        Plane(point_mm=[0, 0, 11], unit_normal=[0, 3, 4]), atol_mm=0.1, atol_deg=0.1
    )


def test_small_angles_are_not_lost():
    assert angle_deg([1, 0, 0], [1, 1e-9, 0]) == pytest.approx(np.degrees(1e-9))
    assert angle_deg([1, 0, 0], [-1, 0, 0]) == pytest.approx(180.0)


def test_fitted_plane():
    rng = np.random.default_rng(1)
    flat = rng.normal(size=(400, 3)) * [50, 40, 0.5]
    plane, rms = fit_plane(flat + np.array([0, 0, 7.0]))
    assert plane.tilt_deg(Plane(point_mm=[0, 0, 0], unit_normal=[0, 0, 1])) < 0.2
    assert rms == pytest.approx(0.5, abs=0.05)
    with pytest.raises(GeometryError, match="on one line"):
        fit_plane([[0, 0, 0], [1, 1, 1], [2, 2, 2]])


vectors = st.lists(st.floats(-100, 100), min_size=3, max_size=3).map(np.array)


@given(
    axis=vectors.filter(lambda v: np.linalg.norm(v) > 1e-3), turn=st.floats(-360, 360), move=vectors
)
def test_rigid_there_and_back(axis, turn, move):
    there = Rigid(rotation=rotation_about(axis, turn), translation=move, target="a", source="b")
    points = np.array([[1.0, 2, 3], [40, -50, 60]])
    np.testing.assert_allclose(there.inverse().apply(there.apply(points)), points, atol=1e-9)
    both = there.compose(there.inverse())
    np.testing.assert_allclose(both.matrix(), np.eye(4), atol=1e-9)
    assert (both.target, both.source) == ("a", "a")
    np.testing.assert_allclose(there.apply_point(points[0]), there.apply(points)[0])


def test_a_mirror_is_no_rigid_transform_and_frames_must_meet():
    with pytest.raises(GeometryError, match="not a proper rotation"):
        Rigid(rotation=np.diag([-1.0, 1, 1]), translation=[0, 0, 0])
    a = Rigid(rotation=np.eye(3), translation=[0, 0, 0], target="head", source="world")
    with pytest.raises(GeometryError, match="share the frame"):
        a.compose(a)
    axes = rotation_about([1, 2, 3], 40)
    frame = Rigid.from_axes(origin_mm=[5, 6, 7], unit_axes=axes, target="head", source="world")
    np.testing.assert_allclose(frame.apply_point([5, 6, 7]), 0, atol=1e-12)
    np.testing.assert_allclose(frame.turn(axes[0]), [1, 0, 0], atol=1e-12)


def test_sphere_fit_is_exact_on_a_cap():
    rng = np.random.default_rng(2)
    u = rng.normal(size=(200, 3))
    u[:, 2] = np.abs(u[:, 2]) + 2.0
    u /= np.linalg.norm(u, axis=1)[:, None]
    centre, radius, rms = fit_sphere(83.0 * u + [4, 5, 6])
    np.testing.assert_allclose(centre, [4, 5, 6], atol=1e-6)
    assert radius == pytest.approx(83.0, abs=1e-6)
    assert rms < 1e-6
    with pytest.raises(GeometryError, match="in one plane"):
        fit_sphere([[0, 0, 0], [1, 0, 0], [0, 1, 0], [1, 1, 0]])


def test_arcs_in_closed_form():
    assert ellipse_arc_mm(80, 80, 0.0, 1.0) == pytest.approx(80.0)
    t = np.linspace(0.2, 1.9, 200_001)
    xy = np.column_stack([90 * np.cos(t), 70 * np.sin(t)])
    walked = np.linalg.norm(np.diff(xy, axis=0), axis=1).sum()
    assert ellipse_arc_mm(90, 70, 0.2, 1.9) == pytest.approx(walked, abs=1e-6)
    assert arc_of_chord_mm(102.12, 83.0) == pytest.approx(110.0, abs=0.01)
    with pytest.raises(GeometryError, match="no longer than the diameter"):
        arc_of_chord_mm(200.0, 83.0)


def test_segments_are_chained_whatever_their_order():
    rng = np.random.default_rng(3)
    t = np.linspace(0, 2 * np.pi, 61)
    ring = np.column_stack([np.cos(t), np.sin(t), 0 * t]) * 40
    line = np.column_stack([np.linspace(0, 9, 10), 0 * np.arange(10), np.full(10, 70.0)])
    loose = [p for way in (ring, line) for p in np.stack([way[:-1], way[1:]], axis=1)]
    loose = [p[::-1] if rng.random() < 0.5 else p for p in loose]
    rng.shuffle(loose)
    chains = chain_segments(loose)
    assert len(chains) == 2
    assert is_closed(chains[0])
    assert not is_closed(chains[1])
    assert length_mm(chains[0]) == pytest.approx(length_mm(ring))
    assert length_mm(chains[1]) == pytest.approx(9.0)
    assert chain_segments(np.zeros((0, 2, 3))) == []


@pytest.mark.parametrize("repeat", [True, False])
@pytest.mark.parametrize("way", [1, -1])
def test_a_contour_is_cut_open_over_the_top(repeat, way):
    t = np.linspace(0, 2 * np.pi, 721)[: None if repeat else -1][::way]
    ring = np.column_stack([0 * t, 90 * np.cos(t), 90 * np.sin(t)])
    a, b = np.radians(-20), np.radians(200)
    start, end = [0, 95 * np.cos(a), 95 * np.sin(a)], [0, 90 * np.cos(b), 90 * np.sin(b)]
    over = open_between(ring, start, end, [0, 0, 1])
    np.testing.assert_allclose(over[0], np.array(start) * 90 / 95, atol=0.01)
    np.testing.assert_allclose(over[-1], end, atol=0.01)
    assert length_mm(over) == pytest.approx(90 * np.radians(220), abs=0.05)
    under = open_between(ring, start, end, [0, 0, -1])
    assert length_mm(under) == pytest.approx(90 * np.radians(140), abs=0.05)
    with pytest.raises(GeometryError, match="same place"):
        open_between(ring, start, start, [0, 0, 1])


def test_slab_profile_limits():
    layers = ([0, 2, 8, 10], [30, 1500, 500, 1400, 35])
    sharp = slab_profile([-1, 1, 5, 9, 11, 8], *layers, 0.0)
    np.testing.assert_allclose(sharp, [30, 1500, 500, 1400, 35, 950])
    np.testing.assert_allclose(slab_profile([-1, 1, 5, 9, 11], *layers, 0.05), sharp[:5])
    assert slab_profile([-50.0, 50.0], [0, 5], [30, 900, 40], 1.0) == pytest.approx([30, 40])
    assert half_maximum_width_mm(8.0, 0.0) == 8.0
