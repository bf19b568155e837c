"""What must not change a plan on a CT: the order of the axes, a mirror, a motion of the world."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from enum import Enum
from functools import cache
from itertools import permutations, product

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from entrypoint.api import read_volume
from entrypoint.planning.ct import plan_from_volume
from entrypoint.planning.model import InputInfo, InputKind, Plan, Rule, Side
from entrypoint.volume.grid import Grid
from entrypoint.volume.volume import Volume
from tests.conftest import SAMPLES

ORDERS = [(o, f) for o in permutations(range(3)) for f in product((False, True), repeat=3)]
# The stored order, and eleven of the other 47 so that each order of the axes is met.
SOME = [ORDERS[0], *(ORDERS[k] for k in (3, 7, 9, 14, 18, 23, 25, 30, 36, 41, 47))]


@cache
def coarse() -> Volume:
    """A sample head as means of two voxels each way: quick, and still a head."""
    stored = read_volume(SAMPLES / "adult.nii.gz").volume.canonical()
    even = tuple(n // 4 * 4 for n in stored.shape)
    means = stored.block((0, 0, 0), (even[0], even[1], even[2])).block_means_by((2, 2, 2))
    return Volume(grid=means.grid, stored=np.rint(means.stored).astype(np.int16))


def plan_of(volume: Volume) -> Plan:
    info = InputInfo(kind=InputKind.CT, name="test", sha256="")
    return plan_from_volume(volume.canonical(), info=info, rule=Rule())


@cache
def plain() -> Plan:
    return plan_of(coarse())


def reordered(volume: Volume, order, flips) -> Volume:
    """The same voxels in the same places of the world, stored in another order."""
    stored = np.ascontiguousarray(
        volume.stored.transpose(order)[tuple(slice(None, None, -1 if f else 1) for f in flips)]
    )
    old = volume.grid.world_from_index
    matrix = old.copy()
    matrix[:3, :3] = old[:3, list(order)]
    for axis, flip in enumerate(flips):
        if flip:
            matrix[:3, 3] += matrix[:3, axis] * (stored.shape[axis] - 1)
            matrix[:3, axis] *= -1
    return Volume(grid=Grid(shape=stored.shape, world_from_index=matrix), stored=stored)


def numbers(value, where=""):
    """Every number and every word of a plan, by where it is."""
    if is_dataclass(value):
        for f in fields(value):
            yield from numbers(getattr(value, f.name), f"{where}.{f.name}")
    elif isinstance(value, dict):
        for key, item in value.items():
            yield from numbers(item, f"{where}.{key}")
    elif isinstance(value, tuple | list):
        for k, item in enumerate(value):
            yield from numbers(item, f"{where}[{k}]")
    elif isinstance(value, np.ndarray):
        yield where, value
    elif isinstance(value, float):
        yield where, np.array(value)
    elif isinstance(value, Enum):
        yield where, value.value
    else:
        yield where, value


def test_the_other_orders_are_the_ones_meant():
    assert len(ORDERS) == 48
    assert len(set(SOME)) == 12
    assert all(sum(o == order for o, _ in SOME) >= 1 for order in permutations(range(3)))


@pytest.mark.parametrize(("order", "flips"), SOME[1:])
def test_axis_orders_and_flips_change_nothing(order, flips):
    """Within 0.001 mm, every figure and every finding of the record."""
    volume = reordered(coarse(), order, flips)
    point = np.array([[3.0, 5.0, 7.0]])
    np.testing.assert_allclose(volume.sample_hu(point), coarse().sample_hu(point))
    found, wanted = dict(numbers(plan_of(volume))), dict(numbers(plain()))
    assert found.keys() == wanted.keys()
    for where, value in wanted.items():
        if isinstance(value, np.ndarray):
            np.testing.assert_allclose(found[where], value, atol=1e-3, rtol=0, err_msg=where)
        else:
            assert found[where] == value, where


LENGTHS = (
    ("thickness", "skull_mm", 0.15), ("thickness", "scalp_mm", 0.15),
    ("clearance", "midline_scalp_mm", 0.5), ("clearance", "suture_mm", 0.7),
    ("clearance", "suture_nearest_mm", 0.7), ("tapes", "lateral_surface_mm", 0.1),
    ("tapes", "lateral_straight_mm", 0.2), ("tapes", "midline_chord_mm", 0.3),
)  # fmt: skip


def close(a, b, *, scale=1.0):
    for group, name, limit in LENGTHS:
        one, two = getattr(getattr(a, group), name), getattr(getattr(b, group), name)
        assert one == pytest.approx(two, abs=scale * limit), (group, name)


def test_a_mirrored_head_swaps_its_sides():
    """The image in the plane right = 0: the patient's right becomes the left."""
    volume = coarse()
    mirror = np.diag([-1.0, 1.0, 1.0, 1.0])
    grid = Grid(shape=volume.shape, world_from_index=mirror @ volume.grid.world_from_index)
    found = plan_of(Volume(grid=grid, stored=volume.stored))
    for side, other in ((Side.RIGHT, Side.LEFT), (Side.LEFT, Side.RIGHT)):
        mine, theirs = found.sides[side], plain().sides[other]
        close(mine, theirs)
        np.testing.assert_allclose(
            mine.scalp_entry_mm, theirs.scalp_entry_mm * [-1, 1, 1], atol=0.5
        )
        assert {f.code for f in mine.findings} == {f.code for f in theirs.findings}
        assert getattr(found.coronal_suture, side.value) == getattr(
            plain().coronal_suture, other.value
        )
    for name, mark in plain().landmarks.items():
        np.testing.assert_allclose(
            found.landmarks[name].position_mm, mark.position_mm * [-1, 1, 1], atol=1.0
        )
    normal = plain().midsagittal_plane.unit_normal
    np.testing.assert_allclose(
        found.midsagittal_plane.unit_normal, normal * [1, -1, -1], atol=0.01
    )


MOTIONS = {
    "shift": (Rotation.identity(), [37.0, -81.5, 12.25]),
    "small turn": (Rotation.from_euler("zxy", [6, -4, 3], degrees=True), [5.0, 0.0, -9.0]),
    "large turn": (Rotation.from_euler("zxy", [-14, 12, 10], degrees=True), [-60.0, 44.0, 8.0]),
}


@pytest.mark.parametrize("name", sorted(MOTIONS))
def test_a_rigid_motion_moves_the_points_and_leaves_the_lengths(name):
    """Voxels as they are, the matrix moved: only the search for the plane may see it."""
    turn, shift = MOTIONS[name]
    motion = np.eye(4)
    motion[:3, :3], motion[:3, 3] = turn.as_matrix(), shift
    volume = coarse()
    grid = Grid(shape=volume.shape, world_from_index=motion @ volume.grid.world_from_index)
    found = plan_of(Volume(grid=grid, stored=volume.stored))
    # A shift alone changes nothing but the last digits.
    scale = 0.01 if name == "shift" else 1.0
    for side in Side:
        mine, theirs = found.sides[side], plain().sides[side]
        close(mine, theirs, scale=scale)
        moved = turn.as_matrix() @ theirs.scalp_entry_mm + shift
        np.testing.assert_allclose(mine.scalp_entry_mm, moved, atol=0.5 * scale)
        np.testing.assert_allclose(
            mine.unit_inward, turn.as_matrix() @ theirs.unit_inward, atol=0.02 * scale
        )
        assert {f.code for f in mine.findings} == {f.code for f in theirs.findings}
    for mark in ("nasion_skin", "bregma"):
        moved = turn.as_matrix() @ plain().landmarks[mark].position_mm + shift
        np.testing.assert_allclose(found.landmarks[mark].position_mm, moved, atol=0.7 * scale)


def test_unsigned_storage_with_an_offset_is_the_same_plan():
    volume = coarse()
    stored = (volume.stored.astype(np.int32) + 1024).astype(np.uint16)
    found = plan_of(Volume(grid=volume.grid, stored=stored, slope=1.0, inter=-1024.0))
    for where, value in numbers(plain().sides):
        if isinstance(value, np.ndarray):
            got = dict(numbers(found.sides))[where]
            np.testing.assert_allclose(got, value, atol=1e-3, rtol=0, err_msg=where)
