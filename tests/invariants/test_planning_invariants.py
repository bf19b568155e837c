"""What must not change when a head is moved, turned or mirrored."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from entrypoint.geometry.rigid import Rigid, rotation_about
from entrypoint.planning.landmark_head import plan_from_landmarks
from entrypoint.planning.model import Plan, Side
from entrypoint.planning.surface_head import plan_from_scalp

AXES = np.array([76.0, 98.0, 95.0])
BALL = trimesh.creation.icosphere(subdivisions=3, radius=1.0)
FACES = np.asarray(BALL.faces)


def on(direction) -> np.ndarray:
    u = np.asarray(direction, dtype=float)
    return u / np.sqrt(np.sum((u / AXES) ** 2))


def head() -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """An uneven head: fuller on the left, its ears not level."""
    vertices = np.asarray(BALL.vertices) * AXES
    fuller = np.exp(-np.sum((vertices - on([-1, 0.6, 1.0])) ** 2, axis=1) / (2 * 25.0**2))
    vertices = vertices * (1.0 + 0.04 * fuller)[:, None]
    points = {
        "nasion": on([0, 1, -0.34]),
        "inion": on([0.01, -1, -0.2]),
        "left_preauricular": on([-1, -0.03, -0.36]),
        "right_preauricular": on([1, -0.05, -0.35]),
        "vertex": on([0.0, -0.1, 1]),
    }
    return vertices, points


def lengths(plan: Plan) -> list[float]:
    out = [plan.midsagittal_plane.sd_mm, plan.midsagittal_plane.sd_deg]
    for side in plan.sides.values():
        t, c = side.tapes, side.clearance
        out += [
            t.midline_surface_mm, t.midline_chord_mm, t.lateral_taut_mm, t.lateral_surface_mm,
            t.lateral_straight_mm, c.midline_scalp_mm, c.suture_mm, c.suture_nearest_mm,
            c.p_suture_below_margin, c.p_behind_suture, side.scalp_entry_sd_across_mm,
        ]  # fmt: skip
        out += [side.moved.midline_arc_95_mm or 0.0, side.moved.suture_nearest_mm or 0.0]
    return out


def motion(axis, turn, move) -> Rigid:
    return Rigid(rotation=rotation_about(axis, turn), translation=move)


# turned up to 120 degrees: points that face straight backwards are refused as the other space
axes = st.lists(st.floats(-1, 1), min_size=3, max_size=3).filter(lambda v: np.linalg.norm(v) > 0.1)
motions = st.builds(
    motion,
    axes,
    st.floats(-120.0, 120.0),
    st.lists(st.floats(-500, 500), min_size=3, max_size=3),
)


@settings(max_examples=15, deadline=None)
@given(motions)
def test_a_moved_surface_keeps_every_length(moved):
    vertices, points = head()
    home = plan_from_scalp(vertices, FACES, points)
    away = plan_from_scalp(
        moved.apply(vertices), FACES, {k: moved.apply_point(v) for k, v in points.items()}
    )
    np.testing.assert_allclose(lengths(away), lengths(home), atol=2e-3)
    for side in Side:
        np.testing.assert_allclose(
            away.sides[side].scalp_entry_mm,
            moved.apply_point(home.sides[side].scalp_entry_mm),
            atol=1e-3,
        )


@settings(max_examples=15, deadline=None)
@given(motions)
def test_moved_landmarks_keep_every_length(moved):
    _, points = head()
    home = plan_from_landmarks(points)
    away = plan_from_landmarks({k: moved.apply_point(v) for k, v in points.items()})
    np.testing.assert_allclose(lengths(away), lengths(home), atol=2e-3)
    for side in Side:
        np.testing.assert_allclose(
            away.sides[side].scalp_entry_mm,
            moved.apply_point(home.sides[side].scalp_entry_mm),
            atol=1e-3,
        )


OTHER = {Side.RIGHT: Side.LEFT, Side.LEFT: Side.RIGHT}
MIRROR = np.array([-1.0, 1.0, 1.0])


def mirrored_points(points):
    swap = {"left": "right", "right": "left"}
    out = {}
    for name, p in points.items():
        first, _, rest = name.partition("_")
        out[f"{swap[first]}_{rest}" if first in swap else name] = p * MIRROR
    return out


@pytest.mark.parametrize("kind", ["scalp", "landmarks"])
def test_a_mirrored_head_swaps_its_sides(kind):
    vertices, points = head()
    if kind == "scalp":
        home = plan_from_scalp(vertices, FACES, points)
        seen = plan_from_scalp(vertices * MIRROR, FACES[:, ::-1], mirrored_points(points))
    else:
        home = plan_from_landmarks(points)
        seen = plan_from_landmarks(mirrored_points(points))
    for side in Side:
        np.testing.assert_allclose(
            seen.sides[OTHER[side]].scalp_entry_mm,
            home.sides[side].scalp_entry_mm * MIRROR,
            atol=1e-6,
        )
    apart = home.sides[Side.RIGHT].scalp_entry_mm * MIRROR - home.sides[Side.LEFT].scalp_entry_mm
    assert np.linalg.norm(apart) > 0.2, "the head is uneven, or this test could not fail"


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_the_order_of_triangles_does_not_matter(seed):
    order = np.random.default_rng(seed).permutation(len(FACES))
    vertices, points = head()
    home = plan_from_scalp(vertices, FACES, points, sides=[Side.RIGHT])
    shuffled = plan_from_scalp(vertices, FACES[order], points, sides=[Side.RIGHT])
    np.testing.assert_allclose(lengths(shuffled), lengths(home), atol=1e-9)
