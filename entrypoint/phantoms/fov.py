"""Fields of view that lose a part of the head; the head and its answers stay what they are."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import FieldRefused
from entrypoint.phantoms.grid import GridSpec

if TYPE_CHECKING:
    from entrypoint.phantoms.head import Head

__all__ = ["FIELDS", "cut", "landmarks_outside"]

FloatArray = NDArray[np.float64]
# world axis, sign of the end that is lost, and how far the field goes towards that end, mm
Border = Callable[["Head", FloatArray], float]


def _along(head: Head, points: FloatArray, unit: FloatArray) -> FloatArray:
    """Head-frame points along a world direction, mm."""
    world = points @ head.world_from_head[:3, :3].T + head.world_from_head[:3, 3]
    value: FloatArray = world @ unit
    return value


def _face(head: Head, x: float, y: float, z: float) -> FloatArray:
    """A point of the reference face in the head's own frame."""
    value: FloatArray = np.array([[x, y, z]]) * np.array(head.shape.scale)
    return value


def _nasion(head: Head) -> FloatArray:
    from entrypoint.phantoms import profile

    point = profile.nasion(profile.skin_profile(head.shape, 0.2))[0]
    value: FloatArray = point[None]
    return value


def _nose_tip(head: Head) -> FloatArray:
    return _face(head, 0.0, 105.0 + 13.0 * head.spec.nose_scale, -76.0)


def _vault(head: Head) -> FloatArray:
    """Points all over the skin of the vault."""
    z, phi = np.meshgrid(np.linspace(-0.45, 1.0, 60), np.linspace(0.0, 2.0 * np.pi, 90))
    ring = np.sqrt(1.0 - z * z)
    u = np.stack([ring * np.cos(phi), ring * np.sin(phi), z], axis=-1).reshape(-1, 3)
    value: FloatArray = u * (head.shape.outer(u) + head.shape.scalp(u))[:, None]
    return value


def _no_nose_tip(head: Head, unit: FloatArray) -> float:
    return float(_along(head, _nose_tip(head), unit)[0]) - 12.0


def _no_nose(head: Head, unit: FloatArray) -> float:
    nasion = float(_along(head, _nasion(head), unit)[0]) - 8.0
    return min(_no_nose_tip(head, unit), nasion)


def _most(depth_mm: float) -> Border:
    return lambda head, unit: float(_along(head, _vault(head), unit).max()) - depth_mm


def _at(x: float, y: float, z: float) -> Border:
    return lambda head, unit: float(_along(head, _face(head, x, y, z), unit)[0])


FIELDS: dict[str, tuple[int, float, Border]] = {
    "no-nose-tip": (1, 1.0, _no_nose_tip),
    "no-nose": (1, 1.0, _no_nose),
    "no-chin": (2, -1.0, _at(0.0, 86.0, -104.0)),
    "from-skull-base": (2, -1.0, _at(0.0, 0.0, -60.0)),
    "no-occiput": (1, -1.0, _most(25.0)),
    "no-vertex": (2, 1.0, _most(30.0)),
    "no-right-ear": (0, 1.0, _at(62.0, 3.0, -43.0)),
    "no-left-ear": (0, -1.0, _at(-62.0, 3.0, -43.0)),
}


def cut(grid: GridSpec, head: Head, name: str) -> GridSpec:
    """Part of a grid, cut along whole rows of voxels.

    Parameters
    ----------
    grid : GridSpec
        Holds the whole head; it may be oblique or sheared.
    head : Head
    name : str
        Key of :data:`FIELDS`.

    Raises
    ------
    FieldRefused
        For another name.
    """
    if name not in FIELDS:
        raise FieldRefused(
            found=f"there is no field of view named {name!r}",
            expected=", ".join(FIELDS),
            next_step="see entrypoint phantom --list",
        )
    world_axis, sign, border = FIELDS[name]
    index_from_world = np.linalg.inv(grid.world_from_index)
    # the index whose planes are nearest to square to the world axis
    size = np.linalg.norm(index_from_world[:3, :3], axis=1)
    axis = int(np.argmax(np.abs(index_from_world[:3, world_axis]) / size))
    row = index_from_world[axis]
    unit = row[:3] / size[axis] * np.sign(row[world_axis]) * sign
    upwards = float(row[:3] @ unit) > 0
    last = border(head, unit) * float(row[:3] @ unit) + float(row[3])
    lo, hi = [0, 0, 0], list(grid.shape)
    if upwards:
        hi[axis] = min(hi[axis], int(np.floor(last)) + 1)
    else:
        lo[axis] = max(0, int(np.ceil(last)))
    return grid.cropped((lo[0], lo[1], lo[2]), (hi[0], hi[1], hi[2]))


def landmarks_outside(truth: dict[str, Any], grid: GridSpec) -> list[str]:
    """Names of the landmarks that the picture does not hold."""
    index_from_world = np.linalg.inv(grid.world_from_index)
    out = []
    for name, point in truth["landmarks"].items():
        index = (index_from_world @ np.append(point, 1.0))[:3]
        if (index < -0.5).any() or (index > np.array(grid.shape) - 0.5).any():
            out.append(name)
    return out
