"""Writing a volume as NIfTI-1: the stored voxels, their scaling and matrix, and no other text."""

from __future__ import annotations

import gzip
import io
from pathlib import Path
from typing import Any

import numpy as np

from entrypoint.errors import OutputRefused
from entrypoint.io.atomic import write_bytes
from entrypoint.io.nifti import LoadedVolume

_LEVEL = 1
_PRACTICE_WORDS = b"entrypoint practice head"
_MOST_PER_AXIS = 32767
_SQUARE_DEG = 1e-3


def write_nifti(path: str | Path, loaded: LoadedVolume, *, force: bool = False) -> Path:
    """Write a volume so that it is read back with the same hash.

    Parameters
    ----------
    path : ends in .nii or .nii.gz
    loaded : LoadedVolume
        Its stored voxels are written with the file's own scaling. A quaternion is written beside
        the full matrix where the axes are at right angles; a sheared grid has none.
    force : bool

    Raises
    ------
    OutputRefused
    """
    return write_bytes(path, nifti_bytes_of(loaded, zipped=_zipped(path)), force=force)


def _zipped(path: str | Path) -> bool:
    name = Path(path).name.lower()
    if name.endswith((".nii", ".nii.gz")):
        return name.endswith(".gz")
    raise OutputRefused(
        found="the output's name does not end as a NIfTI file's does",
        expected="a name that ends in .nii or .nii.gz",
        next_step="choose another name",
    )


def nifti_bytes_of(loaded: LoadedVolume, *, zipped: bool) -> bytes:
    """The file's bytes; the same for the same volume."""
    import nibabel  # late: a third of a second

    stored, grid, facts = loaded.volume.stored, loaded.volume.grid, loaded.facts
    if max(stored.shape) > _MOST_PER_AXIS:
        raise OutputRefused(
            found=f"an axis holds {max(stored.shape)} voxels",
            expected=f"at most {_MOST_PER_AXIS}, which is all that NIfTI-1 can state",
            next_step="crop the volume",
        )
    header = nibabel.Nifti1Header(endianness="<")
    header.set_data_dtype(stored.dtype.newbyteorder("<"))
    header.set_data_shape(stored.shape)
    header.set_zooms(grid.voxel_mm)
    header.set_xyzt_units("mm")
    header.set_sform(grid.world_from_index, code="scanner")
    if facts.shear_deg < _SQUARE_DEG:
        header.set_qform(grid.world_from_index, code="scanner")
    header["pixdim"][1:4] = grid.voxel_mm
    header["scl_slope"], header["scl_inter"] = facts.slope, facts.inter
    header["vox_offset"] = 352
    header["magic"] = b"n+1"
    if facts.practice:
        header["descrip"] = _PRACTICE_WORDS
    start: bytes = header.binaryblock + bytes(4)
    body: Any = stored.astype(stored.dtype.newbyteorder("<"), copy=False).ravel(order="F")
    body = np.ascontiguousarray(body).view(np.uint8).data
    if not zipped:
        return start + bytes(body)
    packed = io.BytesIO()
    with gzip.GzipFile(
        filename="", mode="wb", fileobj=packed, compresslevel=_LEVEL, mtime=0
    ) as stream:
        stream.write(start)
        stream.write(body)
    return packed.getvalue()
