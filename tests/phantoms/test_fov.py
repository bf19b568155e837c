"""Fields of view lose what their names say, whatever the grid; the answers stay."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from entrypoint.errors import FieldRefused
from entrypoint.phantoms import FIELDS, GridSpec, Head
from entrypoint.phantoms.fov import landmarks_outside

_GRIDS: list[dict[str, Any]] = [
    {},
    {"axes": "PIR"},
    {"axes": "RAS", "oblique_deg": (15.0, -12.0, 18.0)},
    {"shear": 0.3},
]
# landmarks of the answers that must be outside, and that must be inside
_LOST = {
    "no-nose-tip": ((), ("vertex", "bregma", "inion", "left_preauricular")),
    "no-nose": (("nasion_skin",), ("vertex", "bregma", "inion", "left_preauricular")),
    "no-chin": ((), ("nasion_skin", "vertex", "inion", "left_preauricular")),
    "from-skull-base": ((), ("nasion_skin", "vertex", "inion")),
    "no-occiput": (("inion", "inion_bone"), ("nasion_skin", "bregma", "vertex")),
    "no-vertex": (("vertex",), ("nasion_skin", "inion", "left_preauricular")),
    "no-right-ear": (("right_preauricular",), ("nasion_skin", "vertex", "left_preauricular")),
    "no-left-ear": (("left_preauricular",), ("nasion_skin", "vertex", "right_preauricular")),
}


def _holds(head: Head, grid: GridSpec, x: float, y: float, z: float) -> bool:
    """Whether a point of the reference face is in the field."""
    p = np.array([x, y, z]) * np.array(head.shape.scale)
    w = head.world_from_head[:3, :3] @ p + head.world_from_head[:3, 3]
    return not landmarks_outside({"landmarks": {"point": w}}, grid)


@pytest.mark.parametrize("settings", _GRIDS)
@pytest.mark.parametrize("name", FIELDS)
def test_lost_and_kept(
    adult: Head, adult_truth: dict[str, Any], name: str, settings: dict[str, Any]
) -> None:
    whole = adult.grid(voxel_mm=1.0, slice_mm=1.2, **settings)
    part = adult.grid(voxel_mm=1.0, slice_mm=1.2, field=name, **settings)
    assert landmarks_outside(adult_truth, whole) == []
    outside = set(landmarks_outside(adult_truth, part))
    lost, kept = _LOST[name]
    assert set(lost) <= outside
    if settings in _GRIDS[:2]:  # a turned field loses more, at its corners
        assert not set(kept) & outside
    tip = (0.0, 117.0, -77.0)
    chin = (0.0, 92.0, -138.0)
    assert _holds(adult, whole, *tip)
    assert _holds(adult, whole, *chin)
    if name in ("no-nose-tip", "no-nose"):
        assert not _holds(adult, part, *tip)
    if name in ("no-chin", "from-skull-base"):
        assert not _holds(adult, part, *chin)
    # a part of the same grid: whole rows of voxels are left out along one axis only
    assert sum(a != b for a, b in zip(whole.shape, part.shape, strict=True)) == 1
    start = np.linalg.inv(whole.world_from_index) @ part.world_from_index[:, 3]
    assert start == pytest.approx(np.rint(start), abs=1e-6)


def test_the_vertex_is_30_mm_outside(adult: Head) -> None:
    whole = adult.grid(voxel_mm=1.0, slice_mm=1.0)
    part = adult.grid(voxel_mm=1.0, slice_mm=1.0, field="no-vertex")
    assert whole.shape[2] - part.shape[2] == pytest.approx(30 + 8, abs=2)


def test_unknown_field_is_refused(adult: Head) -> None:
    with pytest.raises(FieldRefused, match="no field of view named"):
        adult.grid(field="nothing")
