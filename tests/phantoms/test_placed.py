"""A placed bolt and sensor: where they were put, and how a scanner shows them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from entrypoint.phantoms import (
    CONDITIONS,
    PLACED,
    GridSpec,
    Scanner,
    build,
    named_spec,
    plant,
    planted_sides,
)
from entrypoint.phantoms.conditions.placed import PlacedBolt
from entrypoint.phantoms.site import crossings


def placed(**how):
    bolt = PlacedBolt(side="left", tilt_deg=8.0, turn_deg=70.0, depth_mm=11.0, **how)
    return bolt, build(replace(named_spec("adult"), conditions=(bolt,)))


def test_the_pose_is_the_one_that_was_asked_for():
    bolt, head = placed()
    truth = bolt.truth(head)
    foot, inner, tip, inward = (
        np.array(truth[k]) for k in ("outer_table_mm", "inner_table_mm", "tip_mm", "unit_inward")
    )
    assert np.linalg.norm(tip - inner) == pytest.approx(11.0, abs=1e-6)
    assert np.linalg.norm(np.cross(tip - foot, inward)) < 1e-6
    assert np.linalg.norm(inner - foot) == pytest.approx(truth["skull_mm"], abs=1e-6)
    square = build(replace(head.spec, conditions=(replace(bolt, tilt_deg=0.0),)))
    upright = np.array(replace(bolt, tilt_deg=0.0).truth(square)["unit_inward"])
    assert np.degrees(np.arccos(upright @ inward)) == pytest.approx(8.0, abs=1e-6)
    in_head = head.world_from_head[:3, :3].T @ inward
    start, _ = bolt.pose(head)
    assert crossings(head.shape, start, in_head).skull_mm == pytest.approx(truth["skull_mm"])
    # On the patient's left: negative in the head's own frame, whatever the pose.
    assert start[0] < 0.0


def test_a_tip_outside_the_inner_table_is_negative():
    bolt, head = placed()
    outside = replace(bolt, depth_mm=-2.0)
    truth = outside.truth(head)
    tip, inner = np.array(truth["tip_mm"]), np.array(truth["inner_table_mm"])
    assert (tip - inner) @ np.array(truth["unit_inward"]) == pytest.approx(-2.0, abs=1e-6)


def _near(bolt, head, depth_mm, half_mm, **scan):
    truth = bolt.truth(head)
    at = np.array(truth["inner_table_mm"]) + depth_mm * np.array(truth["unit_inward"])
    grid = GridSpec.around(tuple(at - half_mm), tuple(at + half_mm), voxel_mm=0.8, slice_mm=0.8)
    hu, matrix = head.render(grid, Scanner(**({"noise_hu": 0.0} | scan)))
    index = np.linalg.inv(matrix) @ np.append(at, 1.0)
    return hu, tuple(np.rint(index[:3]).astype(int))


def test_metal_saturates_and_blooms_and_the_sensor_ends_at_its_tip():
    bolt, head = placed(streak_hu=0.0)
    soft, middle = _near(bolt, head, -18.0, 5.0, fwhm_mm=1.6)
    assert soft[middle] == soft.max() == 3071
    true_mm2 = np.pi * bolt.radius_mm**2
    # Half of what a scanner can store is passed well outside the metal.
    slab = (soft > 1500).sum() * 0.8**3 / 10.0
    assert slab > 1.2 * true_mm2
    seen, at = _near(bolt, head, 10.0, 3.5)
    assert seen[at] > 250
    assert np.median(seen) < 60


def test_streaks_lie_in_slices_that_hold_metal():
    bolt, head = placed()
    truth = bolt.truth(head)
    at = np.array(truth["outer_table_mm"])
    grid = GridSpec.around(tuple(at - 60.0), tuple(at + 60.0), voxel_mm=2.0, slice_mm=2.0)
    change = bolt.image(np.zeros(grid.shape, dtype=np.float32), head, grid.world_from_index)
    heights = grid.world_from_index[2, 2] * np.arange(grid.shape[2]) + grid.world_from_index[2, 3]
    strong = heights[np.abs(change).max(axis=(0, 1)) > 20.0]
    axis = np.array(truth["unit_inward"])
    ends = sorted([(at - bolt.above_mm * axis)[2], (at + bolt.below_mm * axis)[2]])
    assert ends[0] - 3.0 < strong.min() < strong.max() < ends[1] + 3.0
    assert len(strong) > 8


@pytest.mark.parametrize("name", sorted(PLACED))
def test_what_is_placed_is_planted_by_name_but_never_by_chance(name):
    assert name not in CONDITIONS  # random heads, and their seeds, stay what they were
    spec = plant(named_spec("adult"), name)
    assert spec.conditions
    assert plant(named_spec("adult"), name) == spec
    sided = planted_sides(named_spec("adult"), name)
    assert (name in sided) == (name != "dental-metal")
