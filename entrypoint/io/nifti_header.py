"""The NIfTI-1 and NIfTI-2 header: nibabel takes the bytes apart, every field is bounded here.

Source of the rules: the NIfTI-1 and NIfTI-2 header texts (check row 6.1). nibabel mends a header
that contradicts itself; here nothing is mended: what cannot be meant is refused by name.
"""

from __future__ import annotations

import math
import struct
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import FileRefused

FloatArray = NDArray[np.float64]

HEADER_BYTES = 544  # enough for both versions
PRACTICE_MARK = "PRACTICE HEAD"
_LARGEST_HEADER_BYTES = 16 * 2**20
# 1024 x 1024 x 1200: far beyond any head scan, small enough to name before memory is taken.
LARGEST_VOXEL_COUNT = 1_300_000_000

_KINDS = {
    2: "u1", 4: "i2", 8: "i4", 16: "f4", 64: "f8",
    256: "i1", 512: "u2", 768: "u4", 1024: "i8", 1280: "u8",
}  # fmt: skip
_REFUSED_KINDS = {
    1: "1-bit voxels", 32: "complex voxels", 128: "RGB colour voxels",
    1536: "128-bit float voxels", 1792: "complex voxels", 2048: "complex voxels",
    2304: "RGBA colour voxels",
}  # fmt: skip
_UNITS = {0: "unknown", 1: "m", 2: "mm", 3: "um"}


@dataclass(frozen=True, slots=True, kw_only=True)
class NiftiHeader:
    """What the reader needs of a header; text other than the practice mark is not kept."""

    version: int
    byte_order: str  # "<" or ">"
    shape: tuple[int, int, int]
    dtype: np.dtype[Any]
    vox_offset: int
    slope: float
    inter: float
    unit: str
    pixdim: tuple[float, ...]
    qform_code: int
    sform_code: int
    quatern: tuple[float, float, float]
    qoffset: tuple[float, float, float]
    srow: FloatArray  # (3, 4), in the file's own unit
    practice: bool

    @property
    def body_bytes(self) -> int:
        """Bytes of voxels that the header promises."""
        return math.prod(self.shape) * self.dtype.itemsize


def looks_like_nifti(head: bytes) -> bool:
    """Whether the first bytes are those of a NIfTI (or Analyze) header."""
    return len(head) >= 4 and head[:4] in {
        struct.pack(order + "i", size) for order in "<>" for size in (348, 540)
    }


def parse_header(head: bytes) -> NiftiHeader:
    """Parse a header.

    Parameters
    ----------
    head : bytes
        At least the first 348 bytes (NIfTI-1) or 540 bytes (NIfTI-2) of the file.

    Raises
    ------
    FileRefused
        When it is no NIfTI header of one file, or holds a kind, shape or size that is refused.

    Examples
    --------
    >>> parse_header(b"")
    Traceback (most recent call last):
    ...
    entrypoint.errors.FileRefused: The file is empty; expected a NIfTI volume; check the copy.
    """
    if not head:
        raise _refused("the file is empty", "a NIfTI volume", "check the copy")
    if not looks_like_nifti(head):
        raise _refused(
            "the file does not begin as a NIfTI file does",
            "a NIfTI volume (.nii or .nii.gz)",
            "convert the scan to NIfTI",
        )
    order = next(o for o in "<>" if struct.unpack(o + "i", head[:4])[0] in (348, 540))
    size = struct.unpack(order + "i", head[:4])[0]
    if len(head) < size:
        raise _refused(
            f"the file ends after {len(head)} bytes, inside its header",
            f"a header of {size} bytes and the voxels after it",
            "copy or export the file again",
        )
    version = 1 if size == 348 else 2
    _check_magic(head[344:348] if version == 1 else head[4:12], version)
    field = _fields(head[:size], version, order)
    slope, inter = _scaling(float(field["scl_slope"]), float(field["scl_inter"]))
    units = int(field["xyzt_units"]) & 7
    if units not in _UNITS:
        raise _refused(
            f"the header's length unit has the code {units}",
            "metres, millimetres or micrometres",
            "export the scan again",
        )
    with np.errstate(invalid="ignore"):  # signalling NaN: refused later, by name
        rows = np.array([field[f"srow_{axis}"] for axis in "xyz"], dtype=np.float64)
    return NiftiHeader(
        version=version,
        byte_order=order,
        shape=_shape(tuple(int(n) for n in field["dim"])),
        dtype=_dtype(int(field["datatype"]), int(field["bitpix"]), order),
        vox_offset=_offset(float(field["vox_offset"]), size),
        slope=slope,
        inter=inter,
        unit=_UNITS[units],
        pixdim=tuple(float(x) for x in field["pixdim"]),
        qform_code=int(field["qform_code"]),
        sform_code=int(field["sform_code"]),
        quatern=_three(field, "quatern_b", "quatern_c", "quatern_d"),
        qoffset=_three(field, "qoffset_x", "qoffset_y", "qoffset_z"),
        srow=rows,
        practice=PRACTICE_MARK.encode() in bytes(field["descrip"]).upper(),
    )


def _fields(head: bytes, version: int, order: str) -> NDArray[Any]:
    """The header as a record of named fields, nothing checked and nothing mended."""
    with _without_pydicom():
        from nibabel.nifti1 import Nifti1Header  # late: the command line answers without it
        from nibabel.nifti2 import Nifti2Header

    kind = Nifti1Header if version == 1 else Nifti2Header
    fields: NDArray[Any] = kind(head, endianness=order, check=False).structarr
    return fields


@contextmanager
def _without_pydicom() -> Iterator[None]:
    """Let nibabel be imported without pydicom, which it takes where it finds it.

    That costs a fifth of a second, for readers of DICOM in nibabel that nothing here uses.
    """
    if "pydicom" in sys.modules or "nibabel" in sys.modules:
        yield
        return
    sys.modules["pydicom"] = None  # type: ignore[assignment]
    try:
        yield
    finally:
        del sys.modules["pydicom"]


def _three(field: NDArray[Any], *names: str) -> tuple[float, float, float]:
    a, b, c = (float(field[name]) for name in names)
    return a, b, c


def _refused(found: str, expected: str, next_step: str) -> FileRefused:
    return FileRefused(found=found, expected=expected, next_step=next_step)


def _check_magic(magic: bytes, version: int) -> None:
    single = b"n+1\0" if version == 1 else b"n+2\0\r\n\x1a\n"
    pair = b"ni1\0" if version == 1 else b"ni2\0\r\n\x1a\n"
    if magic == single:
        return
    if magic == pair:
        raise _refused(
            "the file is the header of a pair (.hdr and .img)",
            "one file that holds header and voxels",
            "convert the pair to one .nii file",
        )
    raise _refused(
        "the header has no NIfTI mark (an Analyze header, or a damaged file)",
        "a NIfTI header, which states the orientation",
        "convert the original scan to NIfTI, not by way of Analyze",
    )


def _shape(dim: tuple[Any, ...]) -> tuple[int, int, int]:
    count = int(dim[0])
    if not 1 <= count <= 7:
        raise _refused(
            f"the header states {count} dimensions",
            "three",
            "copy or export the file again",
        )
    sizes = [int(n) for n in dim[1 : count + 1]]
    if min(sizes) < 1:
        raise _refused(
            f"the header states the sizes {tuple(sizes)}",
            "positive sizes",
            "copy or export the file again",
        )
    if any(n > 1 for n in sizes[3:]):
        raise _refused(
            f"the file holds {len(sizes)} dimensions {tuple(sizes)}",
            "one volume of three dimensions",
            "extract one volume and try again",
        )
    if len(sizes) < 3 or min(sizes[:3]) < 2:
        raise _refused(
            f"the file holds a single picture {tuple(sizes)}",
            "a volume of three dimensions",
            "export the whole series as one volume",
        )
    voxels = math.prod(sizes[:3])
    if voxels > LARGEST_VOXEL_COUNT:
        raise _refused(
            f"the header states {voxels:.3g} voxels",
            f"at most {LARGEST_VOXEL_COUNT:.3g}",
            "crop or resample the scan to the head",
        )
    return sizes[0], sizes[1], sizes[2]


def _dtype(datatype: int, bitpix: int, order: str) -> np.dtype[Any]:
    if datatype in _REFUSED_KINDS:
        raise _refused(
            f"the file holds {_REFUSED_KINDS[datatype]}",
            "one number a voxel, in HU",
            "export the CT itself, not a rendering of it",
        )
    if datatype not in _KINDS:
        raise _refused(
            f"the header's voxel type has the code {datatype}",
            "an integer or float type of the NIfTI standard",
            "copy or export the file again",
        )
    dtype = np.dtype(order + _KINDS[datatype])
    if bitpix != 8 * dtype.itemsize:
        raise _refused(
            f"the header states {bitpix} bits a voxel for a type of {8 * dtype.itemsize}",
            "both to agree",
            "copy or export the file again",
        )
    return dtype


def _offset(stated: float, header_bytes: int) -> int:
    least = header_bytes + 4
    if stated == 0:
        return least
    if not math.isfinite(stated) or not least <= stated <= _LARGEST_HEADER_BYTES:
        raise _refused(
            f"the header says that its voxels begin at byte {stated:g}",
            f"a place from {least} to {_LARGEST_HEADER_BYTES}",
            "copy or export the file again",
        )
    return int(stated)


def _scaling(slope: float, inter: float) -> tuple[float, float]:
    # A slope of 0 or one that is not finite means no scaling (check row 6.1).
    if not math.isfinite(slope) or slope == 0:
        return 1.0, 0.0
    if not math.isfinite(inter):
        raise _refused(
            f"the header's scaling is slope {slope:g} and intercept {inter}",
            "two finite numbers",
            "export the scan again",
        )
    return float(slope), float(inter)
