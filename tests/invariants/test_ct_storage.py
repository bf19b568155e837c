"""How a file stores a head must not change its plan: types, scaling, units, transforms, padding."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest

from entrypoint.api import plan_ct
from entrypoint.errors import FileRefused
from entrypoint.planning.model import Plan, Side
from entrypoint.volume.volume import Volume
from tests.invariants.test_ct_orders_and_motions import coarse
from tests.io.make import nifti1


def written(tmp_path: Path, **changes: object) -> Path:
    volume: Volume = coarse()
    settings: dict[str, object] = {"matrix": volume.grid.world_from_index, "zipped": True}
    settings.update(changes)
    array = settings.pop("array", volume.stored)
    path = tmp_path / "head.nii.gz"
    path.write_bytes(nifti1(np.asarray(array), **settings))
    return path


@cache
def plain(folder: Path) -> Plan:
    return plan_ct(written(folder))


@pytest.fixture(scope="module")
def usual(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    return plain(tmp_path_factory.mktemp("plain"))


def far(a: Plan, b: Plan) -> float:
    """Largest distance of the two plans' points, and difference of their thicknesses."""
    worst = 0.0
    for side in Side:
        one, two = a.sides[side], b.sides[side]
        worst = max(worst, float(np.linalg.norm(one.scalp_entry_mm - two.scalp_entry_mm)),
                    float(np.linalg.norm(one.outer_table_mm - two.outer_table_mm)),
                    abs(one.thickness.skull_mm - two.thickness.skull_mm),
                    abs(one.clearance.suture_nearest_mm - two.clearance.suture_nearest_mm))
    return worst


def matrix_in(scale: float) -> np.ndarray:
    matrix = coarse().grid.world_from_index.copy()
    matrix[:3] *= scale
    return matrix


def as_quaternion() -> dict[str, object]:
    """The same grid by the other transform: offset, sizes and a turn by a quaternion."""
    from scipy.spatial.transform import Rotation

    matrix = coarse().grid.world_from_index
    sizes = np.linalg.norm(matrix[:3, :3], axis=0)
    axes = matrix[:3, :3] / sizes
    sign = 1.0 if np.linalg.det(axes) > 0 else -1.0
    x, y, z, w = Rotation.from_matrix(axes * [1.0, 1.0, sign]).as_quat()
    q = np.array([x, y, z]) * (1.0 if w >= 0 else -1.0)
    return {"sform": 0, "qform": 1, "pixdim": [sign, *sizes, 0, 0, 0, 0], "quatern": tuple(q),
            "qoffset": tuple(matrix[:3, 3]), "srow": np.zeros((3, 4))}


def unpadded_air() -> np.ndarray:
    """A round field: what lies outside it is filled with a value far below air."""
    hu = coarse().stored.astype(np.int16)
    i, j = np.meshgrid(*(np.arange(n) - (n - 1) / 2 for n in hu.shape[:2]), indexing="ij")
    outside = np.hypot(i / hu.shape[0], j / hu.shape[1]) > 0.60
    assert (hu[outside] < -700).mean() > 0.9
    hu = hu.copy()
    hu[outside] = -3024
    return hu


SAME = {
    "float": lambda: {"kind": "f4"},
    "double": lambda: {"kind": "f8"},
    "32-bit": lambda: {"kind": "i4"},
    "unsigned, offset by the intercept": lambda: {
        "array": coarse().stored.astype(int) + 1024, "kind": "u2", "inter": -1024.0},
    "unsigned, offset without a word of it": lambda: {
        "array": coarse().stored.astype(int) + 1024, "kind": "u2"},
    "half steps": lambda: {"array": coarse().stored.astype(int) * 2, "slope": 0.5},
    "big-endian": lambda: {"order": ">"},
    "metres": lambda: {"matrix": matrix_in(1e-3), "unit": 1},
    "micrometres": lambda: {"matrix": matrix_in(1e3), "unit": 3},
    "no unit": lambda: {"unit": 0},
    "not packed": lambda: {"zipped": False},
    "by quaternion": as_quaternion,
}


@pytest.mark.parametrize("name", SAME)
def test_the_plan_is_the_same(name, usual, tmp_path):
    tolerance_mm = 0.01 if name in ("metres", "micrometres", "by quaternion") else 1e-3
    assert far(plan_ct(written(tmp_path, **SAME[name]())), usual) < tolerance_mm


def test_padding_outside_a_round_field_is_air(usual, tmp_path):
    plan = plan_ct(written(tmp_path, array=unpadded_air()))
    assert "stored-values" in {f.code for f in plan.findings}
    assert far(plan, usual) < 0.5


@pytest.mark.parametrize(
    ("low", "high", "limit_mm"), [(-1024, 3071, 1e-3), (-1000, 1000, 1.0), (-200, 1200, 1.5)]
)
def test_readings_that_are_cut_off(low, high, limit_mm, usual, tmp_path):
    plan = plan_ct(written(tmp_path, array=np.clip(coarse().stored, low, high)))
    assert far(plan, usual) < limit_mm
    if high < 1250:
        assert ("stored-values", "caution") in {(f.code, f.level.value) for f in plan.findings}


def test_readings_cut_off_at_water_are_refused_by_name(tmp_path):
    with pytest.raises(FileRefused, match="cut off"):
        plan_ct(written(tmp_path, array=np.clip(coarse().stored, 0, 3071)))
