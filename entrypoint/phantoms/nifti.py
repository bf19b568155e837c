"""A small NIfTI-1 writer of its own, so that a sample can be made again byte for byte."""

from __future__ import annotations

import gzip
import io
import struct
from typing import Any

import numpy as np
from numpy.typing import NDArray

_CODES = {"i2": 4, "i4": 8, "f4": 16, "f8": 64, "u2": 512}
__all__ = ["PRACTICE", "nifti_bytes"]

PRACTICE = "entrypoint practice head"  # in the header's free text: never a patient


def _quaternion(m: NDArray[np.float64]) -> tuple[float, float, float, float]:
    """Quaternion (a, b, c, d) of a proper rotation, a >= 0."""
    k = (
        np.array(
            [
                [m[0, 0] - m[1, 1] - m[2, 2], 0, 0, 0],
                [m[0, 1] + m[1, 0], m[1, 1] - m[0, 0] - m[2, 2], 0, 0],
                [m[0, 2] + m[2, 0], m[1, 2] + m[2, 1], m[2, 2] - m[0, 0] - m[1, 1], 0],
                [
                    m[2, 1] - m[1, 2],
                    m[0, 2] - m[2, 0],
                    m[1, 0] - m[0, 1],
                    m[0, 0] + m[1, 1] + m[2, 2],
                ],
            ]
        )
        / 3.0
    )
    values, vectors = np.linalg.eigh(k)
    q = vectors[[3, 0, 1, 2], int(np.argmax(values))]
    if q[0] < 0:
        q = -q
    return (float(q[0]), float(q[1]), float(q[2]), float(q[3]))


def _turn(m: NDArray[np.float64]) -> tuple[float, tuple[float, float, float]]:
    """Handedness and quaternion (b, c, d) of a matrix with square axes."""
    rotation = m / np.linalg.norm(m, axis=0)
    qfac = 1.0
    if np.linalg.det(rotation) < 0:
        qfac = -1.0
        rotation = rotation * np.array([1.0, 1.0, -1.0])
    u, _, vt = np.linalg.svd(rotation)
    return qfac, _quaternion(u @ vt)[1:]


def nifti_bytes(
    hu: NDArray[Any],
    world_from_index: NDArray[np.float64],
    *,
    slope: float = 1.0,
    inter: float = 0.0,
    unit_code: int = 2,
    qform_from_index: NDArray[np.float64] | None = None,
    order: str = "<",
    description: str = PRACTICE,
    sform_code: int = 1,
    qform_code: int = 1,
    compress: bool = True,
    level: int = 9,
) -> bytes:
    """Return a NIfTI-1 file (.nii, or .nii.gz with no name and no time in it).

    Parameters
    ----------
    hu : array (ni, nj, nk)
        Stored values, of type int16, int32, uint16, float32 or float64.
    world_from_index : array (4, 4)
        RAS, in the unit of ``unit_code``. A sheared matrix has no exact qform: give
        ``qform_code=0`` for it.
    slope, inter : float
        HU of a stored value; the format takes a slope of 0 as "not scaled".
    unit_code : int
        2 is mm, 1 metres, 3 micrometres, 0 not said.
    qform_from_index : array (4, 4), optional
        What the quaternion says, where it says something else.
    order : str
        ``"<"`` or ``">"``: of the bytes.
    """
    other = world_from_index if qform_from_index is None else qform_from_index
    size = np.linalg.norm(world_from_index[:3, :3], axis=0)
    qfac, (b, c, d) = _turn(other[:3, :3])
    kind = f"{hu.dtype.kind}{hu.dtype.itemsize}"
    header = bytearray(348)
    struct.pack_into(order + "i", header, 0, 348)
    struct.pack_into(order + "8h", header, 40, 3, *hu.shape, 1, 1, 1, 1)
    struct.pack_into(order + "2h", header, 70, _CODES[kind], 8 * hu.dtype.itemsize)
    struct.pack_into(order + "8f", header, 76, qfac, *size, 0.0, 0.0, 0.0, 0.0)
    struct.pack_into(order + "3f", header, 108, 352.0, slope, inter)  # offset, slope, intercept
    struct.pack_into("B", header, 123, unit_code)
    struct.pack_into("80s", header, 148, description.encode("ascii"))
    struct.pack_into(order + "2h", header, 252, qform_code, sform_code)
    struct.pack_into(order + "6f", header, 256, b, c, d, *other[:3, 3])
    struct.pack_into(order + "12f", header, 280, *world_from_index[:3].ravel())
    struct.pack_into("4s", header, 344, b"n+1\0")
    raw = bytes(header) + b"\0" * 4 + hu.astype(order + kind).tobytes(order="F")
    if not compress:
        return raw
    out = io.BytesIO()
    with gzip.GzipFile(filename="", mode="wb", fileobj=out, compresslevel=level, mtime=0) as f:
        f.write(raw)
    return out.getvalue()
