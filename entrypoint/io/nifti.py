"""Reading a head CT from NIfTI: streamed, bounded, checked, and kept as stored."""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import FileRefused
from entrypoint.io.body import Source, new_digest, open_source
from entrypoint.io.calibration import Readings, read_calibration
from entrypoint.io.nifti_header import HEADER_BYTES, NiftiHeader, parse_header
from entrypoint.io.orientation import Placed, place
from entrypoint.volume.facts import FileFacts
from entrypoint.volume.grid import Grid
from entrypoint.volume.volume import Volume

_BLOCK_VOXELS = 1 << 22
_LARGEST_HU = 1e7  # metal reads some 30,000; fill values of made files beyond this are refused


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedVolume:
    """A volume as read: voxels, the hash that names them, and the file's facts."""

    volume: Volume  # axes as stored; ``volume.canonical()`` turns the view
    sha256: str  # over stored voxels, shape, type, scaling and matrix
    facts: FileFacts

    @property
    def practice(self) -> bool:
        """Whether the file says that it is a practice head."""
        return self.facts.practice

    @property
    def code(self) -> str:
        """A short name that holds nothing of the file's own name."""
        return short_code(self.sha256)


def short_code(sha256: str) -> str:
    """The name by which an input goes in every output: ten digits of its hash."""
    return sha256[:10]


def read_nifti(path: str | Path) -> LoadedVolume:
    """Read a CT volume.

    Parameters
    ----------
    path : path of a .nii or .nii.gz file (told by content, not by name)

    Returns
    -------
    LoadedVolume

    Raises
    ------
    FileRefused, OrientationRefused, UnitRefused
        With what was found, what was expected and what to do.
    """
    with open_source(Path(path)) as source:
        header, placed = read_header(source)
        stored, sha256 = _read_body(source, header, placed.grid)
    _check_finite(stored, header.slope)
    readings = read_calibration(stored, header.slope, header.inter)
    volume = Volume(
        grid=placed.grid,
        stored=stored,
        slope=header.slope,
        inter=header.inter + readings.offset_hu,
    )
    facts = file_facts(
        placed,
        readings,
        unit=header.unit,
        dtype=header.dtype.newbyteorder("=").name,
        slope=header.slope,
        inter=header.inter,
        practice=header.practice,
    )
    return LoadedVolume(volume=volume, sha256=sha256, facts=facts)


def read_header(source: Source) -> tuple[NiftiHeader, Placed]:
    """Parse the header, place the grid, and go to the first voxel.

    Raises
    ------
    FileRefused, OrientationRefused, UnitRefused
    """
    head = source.read(HEADER_BYTES)
    header = parse_header(head)
    needed = header.vox_offset + header.body_bytes
    if needed > source.most_bytes:
        raise FileRefused(
            found=f"the header promises {header.body_bytes} bytes of voxels, more than a file of "
            f"{source.file_bytes} bytes can hold",
            expected="a whole file",
            next_step="copy or export it again",
        )
    placed = place(header)
    return header, placed


def _read_body(source: Source, header: NiftiHeader, grid: Grid) -> tuple[NDArray[Any], str]:
    """Stored voxels (native byte order, first axis fastest) and their hash."""
    source.skip_to(header.vox_offset)
    digest = new_digest()
    digest.update(voxel_meta(grid, header.dtype, slope=header.slope, inter=header.inter))
    native = header.dtype.newbyteorder("=")
    swapped = not header.dtype.isnative
    buffer = np.empty(header.body_bytes, dtype=np.uint8)
    count = source.fill(buffer, None if swapped else digest)
    if count < header.body_bytes:
        raise FileRefused(
            found=f"the file ends after {count} of {header.body_bytes} bytes of voxels",
            expected="a whole file",
            next_step="copy or export it again",
        )
    if not source.rest_is_small():
        raise FileRefused(
            found="the file holds far more than the voxels that its header states",
            expected="one volume",
            next_step="export the volume again",
        )
    flat = buffer.view(header.dtype)
    if swapped:
        flat = flat.byteswap(inplace=True).view(native)
        digest.update(flat.view(np.uint8))
    flat.setflags(write=False)
    ni, nj, nk = header.shape
    return flat.reshape(nk, nj, ni).transpose(2, 1, 0), digest.hexdigest()


def voxel_meta(grid: Grid, dtype: np.dtype[Any], *, slope: float, inter: float) -> bytes:
    """Shape, type, scaling and matrix in one fixed layout, whatever the file's own."""
    kind = dtype.newbyteorder("<").str.encode().ljust(4)
    return (
        b"entrypoint.voxels.1"
        + struct.pack("<3q", *grid.shape)
        + kind
        + struct.pack("<2d", slope, inter)
        + np.ascontiguousarray(grid.world_from_index, dtype="<f8").tobytes()
    )


def _check_finite(stored: NDArray[Any], slope: float) -> None:
    """Refuse float voxels that are no numbers, or far beyond any reading of a scanner."""
    if stored.dtype.kind != "f":
        return
    flat = stored.ravel(order="K")
    for at in range(0, len(flat), _BLOCK_VOXELS):
        block = flat[at : at + _BLOCK_VOXELS]
        # NaN passes through min and max, so that two quick passes see everything.
        low, high = float(block.min()), float(block.max())
        if not (math.isfinite(low) and math.isfinite(high)):
            raise FileRefused(
                found="some voxels are not numbers (NaN or infinite)",
                expected="a finite value in every voxel",
                next_step="export the scan again from its original",
            )
        extreme = max(abs(low), abs(high))
        if extreme * abs(slope) > _LARGEST_HU:
            raise FileRefused(
                found=f"some voxels are not HU: they read as much as {extreme:.3g}",
                expected="a CT in HU",
                next_step="export the scan again from its original",
            )


def file_facts(
    placed: Placed,
    readings: Readings,
    *,
    unit: str,
    dtype: str,
    slope: float,
    inter: float,
    practice: bool,
    notes: tuple[str, ...] = (),
    cautions: tuple[str, ...] = (),
) -> FileFacts:
    """Facts of a volume from its place, its values and what its file says."""
    return FileFacts(
        world_matrix_from=placed.source,
        transforms_differ_mm=placed.differ_mm,
        unusable_transform=placed.unusable,
        unit=unit,
        sizes_disagree=placed.sizes_disagree,
        shear_deg=placed.shear_deg,
        dtype=dtype,
        slope=slope,
        inter=inter,
        offset_applied_hu=readings.offset_hu or None,
        lowest_hu=readings.lowest_hu,
        highest_hu=readings.highest_hu,
        clipped_low_hu=readings.clipped_low_hu,
        clipped_high_hu=readings.clipped_high_hu,
        padding_hu=readings.padding_hu,
        air_hu=readings.air_hu,
        soft_hu=readings.soft_hu,
        practice=practice,
        notes=notes,
        cautions=cautions,
    )
