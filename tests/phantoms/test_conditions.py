"""Whatever is planted shows in the picture and in the answers."""

from __future__ import annotations

import numpy as np
import pytest

from entrypoint.phantoms import (
    CONDITIONS,
    GridSpec,
    Head,
    HeadSpec,
    Scanner,
    build,
    named_spec,
    plant,
)
from entrypoint.phantoms.conditions.base import site_direction
from entrypoint.phantoms.conditions.bone import LinearFracture, MissingBone
from entrypoint.phantoms.conditions.inside import Collection, InnerAir
from entrypoint.phantoms.conditions.metal import Bolt, Plate
from entrypoint.phantoms.conditions.scalp import Haematoma

_QUIET = Scanner(noise_hu=0.0)


def _with(*conditions: object) -> Head:
    from dataclasses import replace

    return build(replace(named_spec("adult"), conditions=conditions))  # type: ignore[arg-type]


def _site(head: Head, depth_mm: float, side: str = "right", half: float = 5.0) -> np.ndarray:
    """A small block round a depth below the outer table under about the rule's point."""
    u = np.array(site_direction(head, side))
    p = u * (float(head.shape.outer(u[None])[0]) - depth_mm)
    w = head.world_from_head[:3, :3] @ p + head.world_from_head[:3, 3]
    grid = GridSpec.around(tuple(w - half), tuple(w + half), voxel_mm=0.8, slice_mm=0.8)
    return head.render(grid, _QUIET)[0]


@pytest.mark.parametrize("name", sorted(CONDITIONS))
def test_every_condition_plants_and_renders(name: str) -> None:
    spec = plant(named_spec("adult"), name)
    assert spec != named_spec("adult")
    head = build(spec)
    lo, hi = head.box_world()
    grid = GridSpec.around(lo, hi, voxel_mm=8.0, slice_mm=8.0)
    hu, _ = head.render(grid, Scanner(noise_hu=5.0, fine_mm=4.0, coarse_mm=8.0))
    assert (hu > 300).sum() > 500
    assert plant(named_spec("adult"), name) == spec  # the same again


def test_unknown_condition_is_refused() -> None:
    with pytest.raises(KeyError):
        plant(named_spec("adult"), "nothing of the kind")


def test_haematoma_lifts_one_side_by_about_its_height() -> None:
    plain, swollen = build(named_spec("adult")).truth(), _with(Haematoma(height_mm=12.0)).truth()
    more = {
        side: swollen["sides"][side]["thickness"]["scalp_mm"]
        - plain["sides"][side]["thickness"]["scalp_mm"]
        for side in ("right", "left")
    }
    assert 9.0 < more["right"] < 14.0
    assert abs(more["left"]) < 1.5
    assert swollen["conditions"][0]["code"] == "haematoma"


def test_missing_bone_is_soft_and_gives_no_thickness() -> None:
    head = _with(MissingBone(side="right", radius_mm=12.0))
    assert _site(head, 3.5, half=2.5).max() < 200
    assert _site(head, 3.5, "left", half=4.0).max() > 600
    side = head.truth()["sides"]["right"]
    assert side["bone_present"] is False
    assert side["thickness"]["skull_mm"] is None
    assert side["sensor_tip_mm"] is None
    assert side["outer_table_mm"] is not None  # the bridged surface still gives a direction
    assert head.truth()["sides"]["left"]["bone_present"] is True


def test_crack_is_near_the_path_and_dark() -> None:
    head = _with(LinearFracture(side="right", offset_mm=0.0, width_mm=1.5))
    plain = build(named_spec("adult"))
    less = _site(plain, 0.8, half=4.0).astype(int) - _site(head, 0.8, half=4.0)
    assert less.max() > 400
    assert less.min() > -20
    assert head.truth()["sides"]["right"]["bone_gap_mm"] < 8.0


def test_metal_saturates_and_hides_bone_beside_it() -> None:
    head = _with(Plate(side="right", ahead_mm=0.0, lateral_mm=30.0))
    assert _site(head, 0.0).max() > 2500
    assert head.truth()["sides"]["right"]["bone_present"] is False
    bolt = _with(Bolt(side="left"))
    truth = bolt.truth()
    planted = truth["conditions"][0]
    foot, tip = np.array(planted["outer_table_mm"]), np.array(planted["tip_mm"])
    assert np.linalg.norm(tip - foot) == pytest.approx(22.0)
    at_tip = GridSpec.around(tuple(tip - 4), tuple(tip + 4), voxel_mm=0.5, slice_mm=0.5)
    hu, world = bolt.render(at_tip, _QUIET)
    centre = np.linalg.inv(world) @ np.append(tip - 1.0 * (tip - foot) / 22.0, 1.0)
    i, j, k = np.rint(centre[:3]).astype(int)
    assert hu[i - 1 : i + 2, j - 1 : j + 2, k - 1 : k + 2].max() > 700


def test_inside_the_skull() -> None:
    plain = build(named_spec("adult"))
    depth = plain.truth()["sides"]["right"]["thickness"]["skull_mm"] + 4.0
    clot = _site(_with(Collection(side="right", thick_mm=12.0, hu=70.0)), depth, half=1.5).mean()
    assert clot > _site(plain, depth, half=1.5).mean() + 15
    air = _with(InnerAir(side="right", thick_mm=14.0))
    u = np.array([0.34, 0.80, 0.46]) / np.linalg.norm([0.34, 0.80, 0.46])
    p = u * (float(air.shape.radii(u[None]).inner[0]) - 5.0)
    w = air.world_from_head[:3, :3] @ p + air.world_from_head[:3, 3]
    grid = GridSpec.around(tuple(w - 2), tuple(w + 2), voxel_mm=0.8, slice_mm=0.8)
    assert air.render(grid, _QUIET)[0].max() < -700


def test_thicker_inside_leaves_the_outer_table() -> None:
    plain, thick = build(named_spec("adult")), build(plant(named_spec("adult"), "hyperostosis"))
    a, b = plain.truth()["sides"]["right"], thick.truth()["sides"]["right"]
    assert b["outer_table_mm"] == pytest.approx(a["outer_table_mm"], abs=1e-6)
    assert b["thickness"]["skull_mm"] > a["thickness"]["skull_mm"] + 2.0


def test_a_closed_suture_has_no_dark_line() -> None:
    def lowest(spec: HeadSpec) -> float:
        head = build(spec)
        p = np.array(head.truth()["coronal_suture"]["curve_mm"])
        q = p[len(p) // 2 + 22]
        o = head.world_from_head[:3, 3]
        q = q - 0.9 * (q - o) / np.linalg.norm(q - o)
        grid = GridSpec.around(tuple(q - 2.5), tuple(q + 2.5), voxel_mm=0.4, slice_mm=0.4)
        hu, world = head.render(grid, _QUIET)
        index = np.indices(hu.shape).reshape(3, -1).T @ world[:3, :3].T + world[:3, 3]
        near = (np.linalg.norm(index - q, axis=1) < 2.5).reshape(hu.shape)
        out = (q - o) / np.linalg.norm(q - o)
        level = np.abs((index - q) @ out).reshape(hu.shape) < 0.35
        return float(np.percentile(hu[near & level], 3))

    assert lowest(plant(named_spec("adult"), "closed-suture")) > 900
    assert lowest(named_spec("adult")) < 700
