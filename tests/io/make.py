"""Small made-up NIfTI files, written by hand so that every field can be set or broken."""

from __future__ import annotations

import gzip
import struct

import numpy as np

CODES = {
    "u1": 2, "i2": 4, "i4": 8, "f4": 16, "f8": 64, "i1": 256, "u2": 512, "u4": 768, "i8": 1024,
    "u8": 1280,
}  # fmt: skip


def head_hu(shape=(36, 44, 32), seed=3, noise_hu=12.0, air=-1000.0):
    """A ball of soft tissue in a shell of bone in a scalp, in air: HU as float64."""
    axes = [np.linspace(-1, 1, n) for n in shape]
    x, y, z = np.meshgrid(*axes, indexing="ij")
    r = np.sqrt((x / 0.8) ** 2 + (y / 0.9) ** 2 + (z / 0.85) ** 2)
    hu = np.full(shape, air)
    hu[r < 1.0] = 40.0
    hu[r < 0.9] = 1100.0
    hu[r < 0.8] = 35.0
    return hu + np.random.default_rng(seed).normal(0.0, noise_hu, shape)


def nifti1(
    array,
    matrix=None,
    *,
    kind="i2",
    order="<",
    slope=1.0,
    inter=0.0,
    unit=2,
    sform=1,
    qform=0,
    dim=None,
    datatype=None,
    bitpix=None,
    pixdim=None,
    quatern=(0.0, 0.0, 0.0),
    qoffset=(0.0, 0.0, 0.0),
    srow=None,
    magic=b"n+1\0",
    vox_offset=352.0,
    descrip=b"",
    zipped=False,
    tail=b"",
):
    """Bytes of a NIfTI-1 file; every field can be overridden."""
    matrix = np.diag([5.0, 5.0, 6.0, 1.0]) if matrix is None else np.asarray(matrix, float)
    body = np.asarray(array).astype(order + kind).tobytes(order="F")
    header = bytearray(348)

    def put(code, offset, *values):
        struct.pack_into(order + code, header, offset, *values)

    put("i", 0, 348)
    sizes = np.linalg.norm(matrix[:3, :3], axis=0) if pixdim is None else pixdim
    dim = (array.ndim, *array.shape) if dim is None else dim
    put("8h", 40, *dim, *([1] * (8 - len(dim))))
    put("h", 70, CODES[kind] if datatype is None else datatype)
    put("h", 72, 8 * np.dtype(kind).itemsize if bitpix is None else bitpix)
    put("8f", 76, *(([1.0, *sizes] if len(sizes) == 3 else list(sizes)) + [0.0] * 8)[:8])
    put("3f", 108, vox_offset, slope, inter)
    put("B", 123, unit)
    put("80s", 148, descrip)
    put("2h", 252, qform, sform)
    put("6f", 256, *quatern, *qoffset)
    put("12f", 280, *(matrix[:3].ravel() if srow is None else np.ravel(srow)))
    put("4s", 344, magic)
    content = bytes(header) + bytes(4) + body + tail
    return gzip.compress(content, 1) if zipped else content


def write(path, content):
    path.write_bytes(content)
    return path
