"""What lies round a head is seen, never enters it, and changes no answer; nor does its order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from entrypoint.errors import FieldRefused
from entrypoint.phantoms import (
    GridSpec,
    Head,
    HeadSpec,
    Scanner,
    build,
    named_spec,
    plant,
    planted_sides,
)
from entrypoint.phantoms.conditions.base import Condition
from entrypoint.phantoms.conditions.bone import DepressedFracture, MissingBone
from entrypoint.phantoms.conditions.draped import d_skin
from entrypoint.phantoms.conditions.hand import Hand
from entrypoint.phantoms.conditions.metal import Bolt
from entrypoint.phantoms.conditions.scalp import Bandage, Haematoma, Hair
from entrypoint.phantoms.conditions.support import Blocks, Pillow
from entrypoint.phantoms.fields import Points
from entrypoint.phantoms.layers import Context
from entrypoint.phantoms.rest import rest_layers

_ROUND = (
    "hand-beside",
    "hand-above",
    "pillow",
    "blocks",
    "breathing-tube",
    "nasal-tube",
    "hose",
    "lead",
)
_COARSE = Scanner(noise_hu=0.0, fine_mm=2.5, coarse_mm=4.5)
_STEP = 4.0


@cache
def _points() -> tuple[Head, Context, np.ndarray]:
    """The head, points all round and in it (head frame), and their distance to the skin."""
    head = build(named_spec("adult"))
    axes = [np.arange(lo, hi, _STEP) for lo, hi in ((-130, 130), (-130, 150), (-150, 135))]
    p = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3).astype(np.float32)
    m = head.world_from_head.astype(np.float32)
    c = Context.at(Points.of(p), head.shape, Points.of(p @ m[:3, :3].T + m[:3, 3]))
    return head, c, d_skin(c)


def _matter(condition: Condition) -> tuple[np.ndarray, np.ndarray]:
    """HU painted round the head at the points (air: -1000), and HU painted over it (or NaN)."""
    head, c, _ = _points()
    out = []
    for layers, start in (
        (condition.surroundings(head), -1000.0),
        (condition.layers(head), np.nan),
    ):
        hu = np.full(c.r.shape, start)
        for layer in layers:
            value = layer.hu(c) if callable(layer.hu) else np.full(c.r.shape, layer.hu)
            inside = layer.field(c) < 0
            hu[inside] = value[inside]
        out.append(hu)
    return out[0], out[1]


def _one(name: str) -> Condition:
    return plant(named_spec("adult"), name).conditions[0]


@pytest.mark.parametrize("name", _ROUND)
def test_there_is_matter_outside_and_none_painted_over_the_head(name: str) -> None:
    _, c, skin = _points()
    before, over = _matter(_one(name))
    seen = np.where(np.isnan(over), before, over)
    assert (seen[skin > 0] > -990).sum() * _STEP**3 > 1500.0  # mm3
    # tubes do go in, through mouth or nose: nothing above the floor of the nose
    inside = (skin < 0) & (c.p.z > -60.0) if "tube" in name else skin < 0
    assert np.isnan(over[inside & (skin < -0.5)]).all()


def test_where_both_claim_a_place_the_head_has_it() -> None:
    head, _, _ = _points()
    grid = head.grid(voxel_mm=5.0, slice_mm=5.0, axes="RAS")
    alone = head.render(grid, _COARSE)[0].astype(int)
    index = np.indices(grid.shape).reshape(3, -1).T
    m = np.linalg.inv(head.world_from_head) @ grid.world_from_index
    points = Points.of((index @ m[:3, :3].T + m[:3, 3]).astype(np.float32))
    skin = d_skin(Context.at(points, head.shape)).reshape(grid.shape)
    names = [n for n in _ROUND if n != "hand-beside" and "tube" not in n]
    hu = build(plant(named_spec("adult"), *names)).render(grid, _COARSE)[0]
    deep = (skin < -7.0) & (np.abs(points.x).reshape(grid.shape) < 70.0)  # the ears are thin
    assert deep.sum() > 10_000
    assert np.abs(hu - alone)[deep].max() <= 1
    assert (np.abs(hu - alone)[skin > 0] > 30).sum() > 3000


def test_hand_has_bones_and_its_fingers_touch() -> None:
    _, c, skin = _points()
    for above in (False, True):
        touching = []
        for gap in (0.0, 5.0):
            hu, _ = _matter(Hand(above=above, gap_mm=gap))
            assert (hu[skin > 3.0] > 1000).sum() * _STEP**3 > 15_000.0
            fingers = c.p.z > 0.0
            touching.append(((hu > -100) & (np.abs(skin) < 2.0) & fingers).sum())
        assert touching[0] > 10
        assert touching[1] == 0


def test_pillow_and_blocks_touch_both_sides() -> None:
    _, c, skin = _points()
    for condition in (Pillow(), Blocks()):
        hu, _ = _matter(condition)
        for sign in (1.0, -1.0):
            near = (skin > 0) & (skin < 4.0) & (sign * c.p.x > 40.0) & (c.p.z > -60.0)
            assert (hu[near] > -990).sum() > 40


def test_answers_stay(adult_truth: dict[str, Any]) -> None:
    names = [n for n in _ROUND if n != "blocks"]
    truth = build(plant(named_spec("adult"), *names)).truth()
    assert [c["code"] for c in truth.pop("conditions")] == [
        "hand", "hand", "pillow", "breathing_tube", "nasal_tube", "hose", "lead"
    ]  # fmt: skip
    want = {k: v for k, v in adult_truth.items() if k not in ("conditions", "name")}
    del truth["name"]
    assert truth == want


def _at_site(conditions: Sequence[Any], height_mm: float, half: float = 4.0) -> np.ndarray:
    """A small block above (or below) the outer table where a bolt stands."""
    head = build(replace(named_spec("adult"), conditions=tuple(conditions)))
    foot, inward = Bolt(side="right")._ends(head)
    p = foot - height_mm * inward
    w = head.world_from_head[:3, :3] @ p + head.world_from_head[:3, 3]
    grid = GridSpec.around(tuple(w - half), tuple(w + half), voxel_mm=0.8, slice_mm=0.8)
    return head.render(grid, Scanner(noise_hu=0.0))[0]


@pytest.mark.parametrize(
    ("other", "height_mm"),
    [(Hair(), 10.0), (Bandage(), 7.0), (Haematoma(), 4.0), (MissingBone(radius_mm=3.0), -3.0)],
)
def test_metal_is_not_painted_over(other: Any, height_mm: float) -> None:
    one = _at_site((Bolt(), other), height_mm)
    two = _at_site((other, Bolt()), height_mm)
    assert np.array_equal(one, two)
    assert one.max() > 2900


def test_no_hair_over_a_bandage() -> None:
    both = _at_site((Hair(thick_mm=12.0), Bandage()), 12.0, 2.5)
    hair = _at_site((Hair(thick_mm=12.0),), 12.0, 2.5)
    gauze = _at_site((Bandage(),), 12.0, 2.5)
    assert np.array_equal(both, gauze)
    assert not np.array_equal(both, hair)


def _sides(head: HeadSpec, *names: str) -> dict[str, str]:
    spec = plant(head, *names)
    told = planted_sides(head, *names)
    assert [told[n] for n in names] == [c.side for c in spec.conditions]  # type: ignore[attr-defined]
    return told


def test_a_bolt_stands_in_sound_bone() -> None:
    for seed in range(12):
        spec = replace(named_spec("adult"), seed=seed)
        for hole in ("burr-hole", "craniectomy", "depressed-fracture", "bone-flap", "drain"):
            for names in (("bolt", hole), (hole, "bolt")):
                sides = _sides(spec, *names)
                assert sides["bolt"] != sides[hole]
    both = replace(
        named_spec("adult"),
        conditions=(MissingBone(side="left"), DepressedFracture(side="right")),
    )
    with pytest.raises(FieldRefused, match="both sides"):
        plant(both, "bolt")


def test_what_cannot_be_together_is_refused() -> None:
    for names in (("thin", "thick"), ("child", "bandage", "thick"), ("hand-above", "bolt")):
        with pytest.raises(FieldRefused, match="cannot be planted in one head"):
            plant(named_spec("adult"), *names)


def test_the_field_has_room_for_them() -> None:
    plain = Head(named_spec("adult")).grid(voxel_mm=1.0, slice_mm=1.0)
    hand = build(plant(named_spec("adult"), "hand-above")).grid(voxel_mm=1.0, slice_mm=1.0)
    more = np.subtract(hand.shape, plain.shape)
    assert more[0] == pytest.approx(48, abs=1)
    assert more[2] == pytest.approx(22, abs=1)


@pytest.mark.parametrize("pitch_deg", [-25.0, 0.0, 25.0])
def test_a_bent_neck_does_not_enter_rest_or_table(pitch_deg: float) -> None:
    head = build(replace(named_spec("adult"), pitch_deg=pitch_deg))
    axes = [np.arange(lo, hi, 6.0) for lo, hi in ((-60, 61), (-110, -20), (-145, -64))]
    p = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    m = head.world_from_head
    c = Context.at(Points.of(p), head.shape, Points.of(p @ m[:3, :3].T + m[:3, 3]))
    deep = c.d_skin < -8.0
    assert deep.sum() > 300
    for layer in rest_layers(head.shape, m, 150.0):
        assert layer.field(c)[deep].min() > 0.0, layer.name
