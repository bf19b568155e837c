"""Ways in which files store the same head: types, scaling, units, transforms, ranges, orders."""

from __future__ import annotations

from collections.abc import Callable
from itertools import permutations, product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import FieldRefused
from entrypoint.phantoms.nifti import nifti_bytes

__all__ = ["AXIS_ORDERS", "NEED_SQUARE_AXES", "PLAIN", "STORAGE", "reordered", "stored_bytes"]

PLAIN = "plain"
FloatArray = NDArray[np.float64]
Settings = dict[str, Any]  # what differs from the plain arguments of ``nifti_bytes``
_LETTERS = ("LR", "PA", "IS")


def reordered(
    hu: NDArray[Any], world_from_index: FloatArray, axes: str
) -> tuple[NDArray[Any], FloatArray]:
    """Turn and flip the indices so that they grow in the named directions.

    Parameters
    ----------
    hu : array (ni, nj, nk)
    world_from_index : array (4, 4)
        May be oblique: each index counts by the world axis that it is nearest to.
    axes : str
        For example ``"RAS"`` or ``"PIR"``.
    """
    m = world_from_index[:3, :3] / np.linalg.norm(world_from_index[:3, :3], axis=0)
    # the assignment of indices to world axes with the largest sum of cosines
    of_world = max(
        permutations(range(3)), key=lambda p: sum(abs(float(m[w, p[w]])) for w in range(3))
    )
    new_from = np.zeros((4, 4))
    new_from[3, 3] = 1.0
    order: list[int] = []
    flips: list[bool] = []
    for new, letter in enumerate(axes):
        w = next(i for i, pair in enumerate(_LETTERS) if letter in pair)
        old = of_world[w]
        grows = float(m[w, old]) > 0
        flip = grows != (letter == _LETTERS[w][1])
        order.append(old)
        flips.append(flip)
        new_from[old, new] = -1.0 if flip else 1.0
        new_from[old, 3] = hu.shape[old] - 1.0 if flip else 0.0
    out = hu.transpose(order)[tuple(slice(None, None, -1 if f else 1) for f in flips)]
    return out, world_from_index @ new_from


def _padded(value: int) -> Callable[[NDArray[Any], FloatArray], Settings]:
    """The corners of each slice, outside a round field, filled with a value that is no reading."""

    def change(hu: NDArray[Any], world: FloatArray) -> Settings:
        a, b = (np.arange(n) / n - 0.5 * (n - 1) / n for n in hu.shape[:2])
        outside = np.hypot(a[:, None], b[None, :]) > 0.60
        return {"hu": np.where(outside[:, :, None], np.int16(value), hu)}

    return change


def _clipped(low: int, high: int) -> Callable[[NDArray[Any], FloatArray], Settings]:
    return lambda hu, world: {"hu": np.clip(hu, low, high)}


def _scaled(factor: float, unit_code: int) -> Callable[[NDArray[Any], FloatArray], Settings]:
    def change(hu: NDArray[Any], world: FloatArray) -> Settings:
        other = world.copy()
        other[:3] *= factor
        return {"world_from_index": other, "unit_code": unit_code}

    return change


def _disagreeing(hu: NDArray[Any], world: FloatArray) -> Settings:
    other = world.copy()
    other[:3, 3] += 2.0 * np.array([0.0, 0.6, -0.8])
    return {"qform_from_index": other}


def _ordered(axes: str) -> Callable[[NDArray[Any], FloatArray], Settings]:
    def change(hu: NDArray[Any], world: FloatArray) -> Settings:
        array, matrix = reordered(hu, world, axes)
        return {"hu": array, "world_from_index": matrix}

    return change


AXIS_ORDERS: tuple[str, ...] = tuple(
    "".join(letters)
    for order in permutations(_LETTERS)
    for letters in product(*(pair[::-1] for pair in order))
)

STORAGE: dict[str, Callable[[NDArray[Any], FloatArray], Settings]] = {
    PLAIN: lambda hu, world: {},
    "slope-and-intercept": lambda hu, world: {
        "hu": 2 * (hu.astype(np.int16) + np.int16(24)),
        "slope": 0.5,
        "inter": -24.0,
    },
    "coarse-steps": lambda hu, world: {  # a slope that is no whole number: readings are rounded
        "hu": np.rint((hu + 1024.3) / 1.7).astype(np.uint16),
        "slope": 1.7,
        "inter": -1024.3,
    },
    "unsigned-intercept": lambda hu, world: {
        "hu": (hu.astype(np.int32) + 1024).astype(np.uint16),
        "inter": -1024.0,
    },
    "unsigned-unsaid": lambda hu, world: {
        "hu": (hu.astype(np.int32) + 1024).astype(np.uint16),
        "slope": 0.0,
    },
    "int32": lambda hu, world: {"hu": hu.astype(np.int32)},
    "float32": lambda hu, world: {"hu": hu.astype(np.float32)},
    "float64": lambda hu, world: {"hu": hu.astype(np.float64)},
    "big-endian": lambda hu, world: {"order": ">"},
    "range-200-to-1200": _clipped(-200, 1200),
    "range-1000-to-1000": _clipped(-1000, 1000),
    "range-from-water": _clipped(0, 3071),
    "padded-2000": _padded(-2000),
    "padded-3024": _padded(-3024),
    "padded-zero": _padded(0),
    "metres": _scaled(1e-3, 1),
    "micrometres": _scaled(1e3, 3),
    "no-unit": lambda hu, world: {"unit_code": 0},
    "sform-only": lambda hu, world: {"qform_code": 0},
    "qform-only": lambda hu, world: {"sform_code": 0, "qform_code": 1},
    "transforms-2-mm-apart": _disagreeing,
    **{f"axes-{axes}": _ordered(axes) for axes in AXIS_ORDERS},
}

# a quaternion holds no shear: these cannot be written for a tilted gantry
NEED_SQUARE_AXES = ("qform-only", "transforms-2-mm-apart")


def _sheared(world_from_index: FloatArray) -> bool:
    m = world_from_index[:3, :3] / np.linalg.norm(world_from_index[:3, :3], axis=0)
    return bool(np.abs(m.T @ m - np.eye(3)).max() > 1e-6)


def stored_bytes(
    name: str,
    hu: NDArray[np.int16],
    world_from_index: FloatArray,
    *,
    compress: bool = True,
    level: int = 6,
) -> bytes:
    """Return a NIfTI file of a picture, stored in a named way.

    Parameters
    ----------
    name : str
        Key of :data:`STORAGE`.
    hu : array of int16 (ni, nj, nk)
        HU, slices along the third index.
    world_from_index : array (4, 4)
        RAS mm.

    Raises
    ------
    FieldRefused
        For another name, or a quaternion of a sheared grid.
    """
    if name not in STORAGE:
        raise FieldRefused(
            found=f"there is no way of storing named {name!r}",
            expected=", ".join(n for n in STORAGE if not n.startswith("axes-")) + ", axes-RAS ...",
            next_step="see entrypoint phantom --list",
        )
    sheared = _sheared(world_from_index)
    if sheared and name in NEED_SQUARE_AXES:
        raise FieldRefused(
            found=f"the grid is sheared, which {name!r} cannot state",
            expected="a grid with square axes",
            next_step="choose another way of storing",
        )
    settings: Settings = {
        "hu": hu,
        "world_from_index": world_from_index,
        "qform_code": 0 if sheared else 1,
        "compress": compress,
        "level": level,
        **STORAGE[name](hu, world_from_index),
    }
    return nifti_bytes(**settings)
