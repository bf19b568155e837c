"""What comes in from outside is checked once, here, and is read-only from then on."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from entrypoint.errors import GeometryError

__all__ = ["as_point_mm", "as_points_mm", "read_only", "unit"]

FloatArray = NDArray[np.float64]


def read_only(array: FloatArray) -> FloatArray:
    """Return the same array with writing switched off."""
    array.setflags(write=False)
    return array


def _as_floats(x: ArrayLike, name: str, wanted: str) -> FloatArray:
    try:
        array = np.asarray(x, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise GeometryError(
            found=f"{name} holds something that is not a number",
            expected=wanted,
            next_step=f"give {name} as numbers in mm",
        ) from error
    if not np.isfinite(array).all():
        raise GeometryError(
            found=f"{name} holds a value that is not finite",
            expected=wanted,
            next_step=f"remove or replace the missing values of {name}",
        )
    return array


def as_points_mm(x: ArrayLike, name: str = "points", *, at_least: int = 1) -> FloatArray:
    """Points as a finite, contiguous, read-only array.

    Parameters
    ----------
    x : array_like, shape (n, 3)
        Points, mm, any frame.
    name : str
        What the points are called in an error.
    at_least : int
        The fewest points that make sense to the caller.

    Returns
    -------
    ndarray, shape (n, 3), float64, read-only

    Raises
    ------
    GeometryError
        Not numbers, not finite, not (n, 3), or too few.

    Examples
    --------
    >>> as_points_mm([[1, 2, 3]]).shape
    (1, 3)
    >>> as_points_mm([[1, 2]], "suture")
    Traceback (most recent call last):
    ...
    entrypoint.errors.GeometryError: Suture has the shape (1, 2); expected points of ...
    """
    wanted = "points of three finite coordinates each, shape (n, 3)"
    array = _as_floats(x, name, wanted)
    if array.ndim != 2 or array.shape[1] != 3:
        raise GeometryError(
            found=f"{name} has the shape {array.shape}",
            expected=wanted,
            next_step=f"give {name} as rows of three coordinates in mm",
        )
    if len(array) < at_least:
        raise GeometryError(
            found=f"{name} holds {len(array)} point(s)",
            expected=f"at least {at_least}",
            next_step=f"give more points for {name}",
        )
    if array.flags.writeable or not array.flags.c_contiguous:
        array = np.array(array, dtype=np.float64, order="C")
    return read_only(array)


def as_point_mm(x: ArrayLike, name: str = "point") -> FloatArray:
    """One point as a finite, read-only array of shape (3,).

    Raises
    ------
    GeometryError
        Not numbers, not finite, or not three of them.
    """
    wanted = "three finite coordinates in mm"
    array = _as_floats(x, name, wanted)
    if array.shape != (3,):
        raise GeometryError(
            found=f"{name} has the shape {array.shape}",
            expected=wanted,
            next_step=f"give {name} as three coordinates in mm",
        )
    if array.flags.writeable:
        array = np.array(array, dtype=np.float64)
    return read_only(array)


def unit(v: ArrayLike, name: str = "direction") -> FloatArray:
    """Return the unit vector along ``v``, read-only.

    Raises
    ------
    GeometryError
        ``v`` has no length, or is not three finite numbers.

    Examples
    --------
    >>> unit([0, 0, 2])
    array([0., 0., 1.])
    >>> unit([0, 0, 0])
    Traceback (most recent call last):
    ...
    entrypoint.errors.GeometryError: Direction has no length; expected ...
    """
    vector = as_point_mm(v, name)
    scale = float(np.abs(vector).max())
    if scale == 0.0:
        raise GeometryError(
            found=f"{name} has no length",
            expected="a vector that points somewhere",
            next_step="check the two points it was made from: they coincide",
        )
    scaled = vector / scale
    return read_only(np.asarray(scaled / np.linalg.norm(scaled)))
