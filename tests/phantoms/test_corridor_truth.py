"""What is planted on a path takes up the place that it says."""

from __future__ import annotations

import numpy as np
import pytest

from entrypoint.phantoms import build, corridor_truth
from entrypoint.phantoms.fields import Points
from entrypoint.phantoms.layers import Context
from entrypoint.phantoms.site import crossings
from entrypoint.phantoms.spec import named_spec


@pytest.fixture(scope="module")
def head():
    return build(named_spec("adult"))


@pytest.fixture(scope="module")
def path(head):
    """Foot on the outer table, inward direction along the radius, and the skull's thickness."""
    u = np.array([0.33, 0.55, 0.77])
    u /= np.linalg.norm(u)
    foot = u * float(head.shape.outer(u[None])[0])
    return foot, -u, crossings(head.shape, foot, -u).skull_mm


def planted(kind, path, **size):
    foot, inward, _ = path
    made = getattr(corridor_truth, kind)
    return made(foot_mm=tuple(foot), unit_inward=tuple(inward), **size)


def extent(head, path, condition, across_mm=0.0):
    """Depths below the outer table at which the change lies, on a line beside the path."""
    foot, inward, _ = path
    _, u, _, _ = condition.axes()
    depth = np.arange(-10.0, 30.0, 0.02)
    points = foot + across_mm * u + depth[:, None] * inward
    layer = condition.layers(head)[0]
    context = Context.at(Points.of(points), head.shape)
    inside = layer.field(context) < 0.0
    if layer.sheet is not None:
        inside &= np.abs(layer.sheet(context)) < layer.half_width_mm
    return (float(depth[inside].min()), float(depth[inside].max())) if inside.any() else None


def test_layers_lie_under_the_inner_table(head, path):
    skull = path[2]
    layer = planted("LayerOnPath", path, thick_mm=4.0)
    assert extent(head, path, layer) == pytest.approx((skull, skull + 4.0), abs=0.1)
    assert extent(head, path, layer, 25.0) is None
    pushed = extent(head, path, planted("LayerOnPath", path, thick_mm=4.0, pushes_brain=True))
    assert skull + 5.0 < pushed[1] < skull + 8.0
    plate = extent(head, path, planted("DensePlateOnPath", path, gap_mm=2.5, thick_mm=1.5))
    assert plate == pytest.approx((skull + 2.5, skull + 4.0), abs=0.1)


def test_holes_and_cracks_run_through_both_tables(head, path):
    skull = path[2]
    for kind, size, beyond in (
        ("GapOnPath", {"width_mm": 3.0}, 1.7),
        ("CrackOnPath", {"width_mm": 1.0}, 0.7),
    ):
        condition = planted(kind, path, **size)
        assert extent(head, path, condition) == pytest.approx((0.0, skull), abs=0.4)
        assert extent(head, path, condition, beyond) is None
        assert condition.bone_gap_mm(head, path[0]) == pytest.approx(0.0)


def test_balls_have_their_size_at_their_depth(head, path):
    metal = planted("MetalOnPath", path, width_mm=2.0, depth_mm=12.0)
    assert extent(head, path, metal) == pytest.approx((11.0, 13.0), abs=0.03)
    assert extent(head, path, metal, 1.1) is None
    assert planted("AirOnPath", path, aside_mm=(1.0, 0.0)).truth(head)["width_mm"] == 4.0


def test_bumps_change_the_exact_surfaces(head, path):
    swelling = planted("SwellingOnPath", path, height_mm=4.0).scalp_bumps(head)
    assert float(swelling(-path[1][None])[0]) == pytest.approx(4.0)
    sinus = planted("SinusOnPath", path, high_mm=4.0)
    grown = float(sinus.thickness_bumps(head)(-path[1][None])[0]) + path[2]
    assert grown >= 7.3


def test_distance_to_the_ventricles(head):
    scale = np.array(head.shape.scale)
    inside = np.array([9.0, 27.0, 21.0]) * scale
    at = corridor_truth.ventricle_distance_mm
    assert at(head, inside, reach_mm=12.0) == 0.0
    assert at(head, inside + np.array([40.0, 40.0, 30.0]), reach_mm=10.0) is None
    above = inside + np.array([0.0, 0.0, 20.0])
    assert at(head, above, reach_mm=30.0) == pytest.approx(15.5, abs=2.0)
    finer = at(head, above, reach_mm=22.0, step_mm=0.7)
    assert finer == pytest.approx(at(head, above, reach_mm=30.0), abs=0.5)
