"""A bone flap and a drain: what is painted and what the answers say of it agree."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from entrypoint.phantoms import GridSpec, Head, Scanner, build, named_spec, plant, planted_sides
from entrypoint.phantoms.conditions.base import Condition, site_direction
from entrypoint.phantoms.conditions.picture import Streaks
from entrypoint.phantoms.conditions.surgery import BoneFlap, Drain
from entrypoint.phantoms.fields import Points
from entrypoint.phantoms.layers import Context


def _painted(condition: Condition) -> tuple[Head, np.ndarray, np.ndarray]:
    """Points a little below the outer table round the site, and where something is painted."""
    head = build(replace(named_spec("adult"), conditions=(condition,)))
    rng = np.random.default_rng(4)
    u = np.array(site_direction(head, "right")) + rng.uniform(-0.5, 0.5, (6000, 3))
    u /= np.linalg.norm(u, axis=1, keepdims=True)
    p = u * (head.shape.outer(u) - 1.0)[:, None]
    c = Context.at(Points.of(p), head.shape)
    there = np.zeros(len(p), bool)
    for layer in condition.layers(head):
        d = layer.field(c)
        if layer.sheet is not None:
            d = np.maximum(d, np.abs(layer.sheet(c)) - layer.half_width_mm)
        there |= d < 0
    return head, p, there


@pytest.mark.parametrize("condition", [BoneFlap(side="right"), Drain(side="right")])
def test_gap_is_the_distance_to_what_is_painted(condition: Condition) -> None:
    head, p, there = _painted(condition)
    gap = np.array([condition.bone_gap_mm(head, q) for q in p])
    assert there.sum() > 20
    assert gap[there].max() < 0.4
    # discs lie on the bone, above these points, and hide it all the same
    assert (gap[~there] > 0.4).mean() > 0.9


def test_a_drain_through_the_site_gives_no_thickness_and_a_flap_beside_it_does() -> None:
    head = build(
        replace(
            named_spec("adult"),
            conditions=(Drain(side="left"), BoneFlap(side="right", radius_mm=22.0)),
        )
    )
    sides = head.truth()["sides"]
    assert sides["left"]["bone_present"] is False
    assert sides["left"]["thickness"]["skull_mm"] is None
    assert sides["right"]["bone_present"] is True
    assert sides["right"]["bone_gap_mm"] > 8.0


def test_streaks_come_from_the_plate() -> None:
    spec = plant(named_spec("adult"), "metal-streaks")
    sides = planted_sides(named_spec("adult"), "metal-streaks", "bolt")
    assert set(sides) == {"metal-streaks", "bolt"}
    plate, streaks = spec.conditions
    assert isinstance(streaks, Streaks)
    assert sides["metal-streaks"] == plate.side  # type: ignore[attr-defined]
    heads = [build(spec), build(replace(spec, conditions=(plate,)))]
    source = streaks._sources(heads[0])[0]
    w = heads[0].world_from_head[:3, :3] @ source + heads[0].world_from_head[:3, 3]
    lo, hi = w - np.array([30.0, 30.0, 24.0]), w + np.array([30.0, 30.0, 12.0])
    grid = GridSpec.around(tuple(lo), tuple(hi), voxel_mm=3.0, slice_mm=3.0)
    quiet = Scanner(noise_hu=0.0, fine_mm=2.0, coarse_mm=4.0)
    one, two = (h.render(grid, quiet)[0].astype(int) for h in heads)
    change = np.abs(one - two).max(axis=(0, 1))
    k = int(np.argmax(change))
    z = grid.world_from_index[2, 2] * k + grid.world_from_index[2, 3]
    assert change[k] > 60
    assert abs(z - w[2]) < 6.0
    assert change.min() < 5
