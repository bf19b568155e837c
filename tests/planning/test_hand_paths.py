"""Slanted paths through bone: closed forms, and rays marched through shells that curve."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from entrypoint.planning.hand_chart import Ground, Nodes, slanted_mm
from entrypoint.planning.model import Side
from tests.planning.charts import SCALP_MM, SKULL_MM, sphere_chart

# Check row 3.13: length over thickness of a flat plate, 1 / cos.
SLANT = {5: 1.0038, 10: 1.0154, 15: 1.0353, 20: 1.0642, 24.2: 1.0963, 30: 1.1547}
LEAN = np.array([[0.6, 0.8]])


def level(thickness):
    return lambda along, across: thickness + 0.0 * along


@pytest.mark.parametrize(("deg", "factor"), SLANT.items())
def test_a_flat_plate(deg, factor):
    got = slanted_mm(level(7.0), np.radians([deg]), LEAN, np.zeros((2, 2)))
    assert got[0] / 7.0 == pytest.approx(factor, abs=2e-3)


@pytest.mark.parametrize("deg", [0.0, 4.0, 10.0, 20.0, 30.0])
def test_concentric_shells(deg):
    outer, inner, skin = 77.0, 70.0, 83.0
    a = np.radians(deg)
    bend = np.eye(2) / outer
    inward = slanted_mm(level(7.0), np.array([a]), LEAN, bend)
    outward = slanted_mm(level(6.0), np.array([a]), LEAN, bend, inward=False)
    # Law of cosines in the plane of the path and the centre.
    assert inward[0] == pytest.approx(
        outer * np.cos(a) - np.sqrt(inner**2 - (outer * np.sin(a)) ** 2), abs=1e-9
    )
    assert outward[0] == pytest.approx(
        -outer * np.cos(a) + np.sqrt(skin**2 - (outer * np.sin(a)) ** 2), abs=1e-9
    )


def test_a_path_that_never_meets_the_other_surface_is_not_known():
    got = slanted_mm(level(7.0), np.radians([60.0]), LEAN, np.eye(2) / 20.0)
    assert np.isnan(got[0])


def ellipsoid_chart():
    """Outer table an ellipsoid of unequal axes; bone along its normal, thinner to the back.

    Chart rows and columns are angles turned into mm; the chart's own figures are exact.
    """
    axes = np.array([68.0, 92.0, 80.0])
    chart = sphere_chart(rows=(80, 140), columns=(10, 50))
    s, u = np.meshgrid(chart.midline_arc_mm, chart.lateral_arc_mm, indexing="ij")
    out = chart.scalp_entry_mm / 83.0
    foot = axes * out
    normal = foot / axes**2
    normal = normal / np.linalg.norm(normal, axis=-1, keepdims=True)
    thick = thickness_of(foot)
    del s, u
    return dataclasses.replace(
        chart, outer_table_mm=foot, unit_inward=-normal, skull_mm=thick,
        scalp_entry_mm=foot + SCALP_MM * normal,
    ), axes  # fmt: skip


def thickness_of(foot):
    return 7.0 - 0.06 * (foot[..., 2] - 60.0) + 0.08 * (foot[..., 0] - 25.0)


def inside_depth(points, axes):
    """Square depth below the ellipsoid, and the thickness there, by Newton on the normal."""
    foot = points * 1.0
    for _ in range(60):
        foot = foot / np.sqrt(((foot / axes) ** 2).sum(axis=-1, keepdims=True))
        normal = foot / axes**2
        normal = normal / np.linalg.norm(normal, axis=-1, keepdims=True)
        aside = points - foot
        foot = foot + (aside - (aside * normal).sum(axis=-1, keepdims=True) * normal)
    return ((foot - points) * normal).sum(axis=-1), thickness_of(foot)


def test_against_rays_marched_through_a_shell_that_curves_and_thins():
    chart, axes = ellipsoid_chart()
    place = 110.0, 30.0
    ground = Ground.of(chart, *place)
    nodes = Nodes(
        chart.midline_arc_mm,
        chart.lateral_arc_mm,
        np.concatenate(
            [chart.outer_table_mm, chart.unit_inward, chart.skull_mm[..., None]], axis=2
        ),
    )
    rng = np.random.default_rng(11)
    n = 60
    feet_at = np.array(place) + rng.uniform(-6.0, 6.0, (n, 2))
    got = nodes.at(*feet_at.T)
    foot, inward = got[:, :3], got[:, 3:6] / np.linalg.norm(got[:, 3:6], axis=1, keepdims=True)
    tilt, turn = np.radians(rng.uniform(0.0, 12.0, n)), rng.uniform(0.0, 2.0 * np.pi, n)
    lean = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    along = ground.unit_scalp[0] - (inward @ ground.unit_scalp[0])[:, None] * inward
    along = along / np.linalg.norm(along, axis=1, keepdims=True)
    across = np.cross(inward, along)
    across = np.where((across @ ground.unit_scalp[1])[:, None] < 0.0, -across, across)
    path = np.cos(tilt)[:, None] * inward + np.sin(tilt)[:, None] * (
        lean[:, :1] * along + lean[:, 1:] * across
    )

    def there(a, b):
        at = feet_at + np.stack([a, b], axis=1) @ ground.bone_ratio.T
        return nodes.at(*at.T)[:, 6]

    length = slanted_mm(there, tilt, lean, ground.bend_per_mm)
    low, high = np.full(n, 1.0), np.full(n, 25.0)
    for _ in range(40):
        middle = 0.5 * (low + high)
        depth, thick = inside_depth(foot + middle[:, None] * path, axes)
        past = depth > thick
        low, high = np.where(past, low, middle), np.where(past, middle, high)
    assert np.abs(length - 0.5 * (low + high)).max() < 0.1
    # and the plain thickness over the cosine would not do
    assert np.abs(got[:, 6] / np.cos(tilt) - 0.5 * (low + high)).max() > 0.1


def test_the_ground_of_a_sphere():
    chart = sphere_chart()
    ground = Ground.of(chart, 110.0, 30.0)
    lift = np.cos(30.0 / 83.0)
    assert ground.scalp_ratio == pytest.approx(np.diag([1.0 / lift, 1.0]), abs=1e-3)
    bone = (83.0 - SCALP_MM) / 83.0
    assert ground.bone_ratio == pytest.approx(np.diag([1.0 / lift, 1.0]) / bone, abs=1e-3)
    assert ground.bend_per_mm == pytest.approx(np.eye(2) / (83.0 - SCALP_MM), abs=1e-5)
    assert Ground.of(chart, 70.0, 30.0) is None


@pytest.mark.parametrize("side", list(Side))
def test_between_nodes_beyond_the_edge_and_beside_what_is_not_known(side):
    chart = sphere_chart(side)
    skull = chart.skull_mm.copy()
    skull[31, 15] = np.nan  # 111 mm, 30 mm
    nodes = Nodes(chart.midline_arc_mm, chart.lateral_arc_mm, skull[..., None])
    at = np.array([[110.0, 30.0], [110.5, 30.0], [110.5, 29.5], [80.0, 15.0], [140.0, 50.0],
                   [79.9, 30.0], [110.0, 50.1], [105.2, 33.7]])  # fmt: skip
    known = np.isfinite(nodes.at(*at.T)[:, 0])
    assert known.tolist() == [True, False, False, True, True, False, False, True]
    assert nodes.at(*at[[7]].T)[0, 0] == pytest.approx(SKULL_MM)
