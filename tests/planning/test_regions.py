"""Areas and edges of regions on surfaces whose answers are closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from entrypoint.planning.regions import LIMIT, area_mm2, edges_of, signed_distances_mm

X, Y = np.meshgrid(np.arange(-20.0, 20.5, 0.5), np.arange(-20.0, 20.5, 0.5), indexing="ij")
FLAT = np.stack([X, Y, 0.0 * X], axis=-1)
CAUSE = np.where(X > 0, 3, 1)


def test_a_disc_on_a_plane():
    field = 12.0 - np.hypot(X, Y)
    assert area_mm2(FLAT, field) == pytest.approx(np.pi * 144.0, rel=2e-3)
    edges = edges_of(FLAT, field, CAUSE, closed=False)
    np.testing.assert_allclose(np.linalg.norm(edges.points_mm, axis=1), 12.0, atol=0.02)
    away, cause = signed_distances_mm(
        edges, np.array([[0.0, 0, 0], [9.0, 0, 0], [-15.0, 0, 0], [np.nan] * 3]),
        np.array([True, True, False, True]),
    )  # fmt: skip
    np.testing.assert_allclose(away[:3], [12.0, 3.0, -3.0], atol=0.05)
    assert np.isnan(away[3])
    assert cause[1] == 3
    assert cause[2] == 1


def test_a_tilted_plane_has_its_own_area_and_a_cap_its_own():
    tilted = np.stack([X, Y, 0.75 * X], axis=-1)
    assert area_mm2(tilted, np.ones(X.shape)) == pytest.approx(1600.0 * 1.25, rel=1e-9)
    s, u = np.radians(np.meshgrid(np.arange(0, 60.5), np.arange(10, 40.5), indexing="ij"))
    ball = 80.0 * np.stack([np.cos(u) * np.cos(s), np.cos(u) * np.sin(s), np.sin(u)], axis=-1)
    exact = 80.0**2 * np.radians(60.0) * (np.sin(np.radians(40.0)) - np.sin(np.radians(10.0)))
    assert area_mm2(ball, np.ones(s.shape)) == pytest.approx(exact, rel=1e-3)


def test_a_region_that_reaches_the_end_of_the_grid():
    field = X + 5.0
    edges = edges_of(FLAT, field, CAUSE, closed=False)
    np.testing.assert_allclose(edges.points_mm[:, 0], -5.0, atol=1e-9)
    closed = edges_of(FLAT, field, CAUSE, closed=True)
    away, cause = signed_distances_mm(closed, np.array([[15.0, 0, 0], [-3.0, 0, 0]]),
                                      np.array([True, True]))  # fmt: skip
    np.testing.assert_allclose(away, [5.0, 2.0], atol=1e-9)
    assert list(cause) == [LIMIT, 1]


def test_what_is_not_known_is_outside():
    field = np.where(X > 10.0, np.nan, 1.0)
    assert area_mm2(FLAT, field) == pytest.approx(40.0 * 30.0, rel=0.02)
    edges = edges_of(FLAT, field, CAUSE, closed=False)
    np.testing.assert_allclose(edges.points_mm[:, 0], 10.0)
    gone = FLAT.copy()
    gone[X > 10.0] = np.nan
    edges = edges_of(gone, np.ones(X.shape), CAUSE, closed=False)
    assert np.isfinite(edges.points_mm).all()
    assert len(edges.points_mm) > 50


def test_no_edge_at_all_is_infinitely_far():
    edges = edges_of(FLAT, np.ones(X.shape), CAUSE, closed=False)
    away, cause = signed_distances_mm(edges, np.zeros((1, 3)), np.array([True]))
    assert np.isposinf(away[0])
    assert cause[0] == LIMIT
