"""What crosses between browser and server: bounded JSON in, plain JSON and mesh bytes out."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from entrypoint.errors import FieldRefused
from entrypoint.io.strict_json import parse, shown

__all__ = ["choice_of", "mesh_bytes", "number_of", "object_of", "point_of", "unit_of"]

FloatArray = NDArray[np.float64]
_FARTHEST_MM = 2000.0
_MAGIC = b"EPM1"


def _refuse(found: str, expected: str) -> FieldRefused:
    return FieldRefused(found=found, expected=expected, next_step="reload the page and mark again")


def object_of(body: bytes, *, names: frozenset[str]) -> dict[str, Any]:
    """A JSON object with no other fields than the named ones.

    Raises
    ------
    FieldRefused

    Examples
    --------
    >>> object_of(b'{"head": "h1"}', names=frozenset({"head"}))
    {'head': 'h1'}
    """
    try:
        text = body.decode("utf-8")
    except UnicodeDecodeError:
        raise _refuse("a request that is not UTF-8", "JSON text") from None
    value = parse(text, what="the request")
    if not isinstance(value, dict):
        raise _refuse("a request that is no object", "an object of named fields")
    unknown = sorted(set(value) - names)
    if unknown:
        raise _refuse(f"a field {shown(unknown[0])} in the request", "only " + ", ".join(
            sorted(names)))  # fmt: skip
    return value


def point_of(value: Any, name: str) -> FloatArray:
    """Three finite numbers, world mm.

    Raises
    ------
    FieldRefused

    Examples
    --------
    >>> point_of([1, 2.5, -3], "point_mm").tolist()
    [1.0, 2.5, -3.0]
    """
    numbers = isinstance(value, list) and len(value) == 3
    if not numbers or not all(
        isinstance(x, (int, float)) and not isinstance(x, bool) and math.isfinite(x)
        and abs(x) <= _FARTHEST_MM for x in value
    ):  # fmt: skip
        raise _refuse(f"{name} {shown(value)}", "three numbers in mm, within 2 m")
    return np.array(value, dtype=np.float64)


def unit_of(value: Any, name: str) -> FloatArray:
    """A direction: three numbers that are not all near 0, made one long.

    Raises
    ------
    FieldRefused
    """
    vector = point_of(value, name)
    length = float(np.linalg.norm(vector))
    if length < 1e-3:
        raise _refuse(f"{name} {shown(value)}", "a direction that is not zero")
    return vector / length


def choice_of(value: Any, name: str, among: tuple[str, ...]) -> str:
    """One of some words.

    Raises
    ------
    FieldRefused
    """
    if not isinstance(value, str) or value not in among:
        raise _refuse(f"{name} {shown(value)}", "one of " + ", ".join(among))
    return value


def number_of(value: Any, name: str, low: float, high: float) -> float:
    """A number within limits.

    Raises
    ------
    FieldRefused
    """
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not low <= value <= high:
        raise _refuse(f"{name} {shown(value)}", f"a number from {low:g} to {high:g}")
    return float(value)


def mesh_bytes(points_mm: ArrayLike, faces: ArrayLike) -> bytes:
    """A mesh for the browser: "EPM1", number of points and of triangles (uint32, little-endian),
    points (float32 mm), corners of the triangles (uint32).
    """
    points = np.ascontiguousarray(points_mm, dtype="<f4")
    corners = np.ascontiguousarray(faces, dtype="<u4")
    counts = np.array([len(points), len(corners)], dtype="<u4")
    return _MAGIC + counts.tobytes() + points.tobytes() + corners.tobytes()
