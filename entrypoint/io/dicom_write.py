"""Writing a volume as a DICOM series with invented tags that name nobody.

For practice heads only: a series that this program wrote says in every slice that it is one. The
identifiers are drawn from the volume's own hash under the root for UUIDs (PS3.5 B.2), so that the
same head gives the same files.
"""

from __future__ import annotations

import hashlib
import io
import uuid
from pathlib import Path
from typing import Any

import numpy as np

from entrypoint.errors import FieldRefused, OutputRefused
from entrypoint.io.atomic import write_bytes
from entrypoint.io.dicom_stack import RAS_FROM_LPS
from entrypoint.io.nifti import LoadedVolume

_DECIMALS = 9
_WORDS = "PRACTICE HEAD, NOT A PATIENT"


def series_files(loaded: LoadedVolume) -> dict[str, bytes]:
    """The slices of a practice head by file name.

    Parameters
    ----------
    loaded : LoadedVolume
        Slices lie along the third stored axis.

    Raises
    ------
    FieldRefused
        When it is no practice head, or is not stored as whole numbers of 16 bits.
    """
    if not loaded.practice:
        raise FieldRefused(
            found="the volume is not marked as a practice head",
            expected="a practice head, which names nobody",
            next_step="write patients' series with what made them",
        )
    stored = loaded.volume.stored
    if stored.dtype not in (np.dtype(np.int16), np.dtype(np.uint16)):
        raise FieldRefused(
            found=f"the voxels are stored as {stored.dtype.name}",
            expected="whole numbers of 16 bits",
            next_step="make the head with --stored-as plain",
        )
    matrix = loaded.volume.grid.world_from_index
    step_column, step_row, step, corner = (matrix[:3, a] * RAS_FROM_LPS for a in range(4))
    rows = stored.shape[1]
    if np.cross(step_column, step_row) @ step < 0:
        # Rows are written from the other end, so that sorting along the normal keeps the order
        # of the slices and a reader finds the same voxels at the same places.
        corner, step_row = corner + (rows - 1) * step_row, -step_row
        stored = stored[:, ::-1]
    count = stored.shape[2]
    width = max(4, len(str(count)))
    return {
        f"slice-{k:0{width}d}.dcm": _slice(
            np.ascontiguousarray(stored[:, :, k].T),
            corner + k * step, step_column, step_row, float(np.linalg.norm(step)), k, loaded,
        )
        for k in range(count)
    }  # fmt: skip


def check_folder(folder: str | Path, *, force: bool = False) -> Path:
    """Refuse a folder that holds something already: two series in one folder would be mixed.

    Raises
    ------
    OutputRefused
    """
    target = Path(folder)
    try:
        taken = target.exists() and (not target.is_dir() or any(target.iterdir()))
        mine = target.is_dir() and all(p.match("slice-*.dcm") for p in target.iterdir())
    except (OSError, ValueError):
        raise OutputRefused(
            found="the output folder cannot be used",
            expected="a new or empty folder",
            next_step="choose another name",
        ) from None
    if taken and not (force and mine):
        raise OutputRefused(
            found="the output folder is not empty",
            expected="a new or empty folder (or, with --force, one of slices made here)",
            next_step="choose another name",
        )
    return target


def write_series(folder: str | Path, files: dict[str, bytes], *, force: bool = False) -> None:
    """Write the slices of a series into a folder of its own.

    Raises
    ------
    OutputRefused
    """
    target = check_folder(folder, force=force)
    try:
        target.mkdir(parents=True, exist_ok=True)
        for old in target.glob("slice-*.dcm"):
            if old.name not in files:
                old.unlink()
    except OSError:
        raise OutputRefused(
            found="the output folder cannot be made",
            expected="permission to write",
            next_step="choose another folder",
        ) from None
    for name, content in files.items():
        write_bytes(target / name, content, force=force)


def _slice(
    pixels: Any, place: Any, step_column: Any, step_row: Any, step_mm: float, at: int,
    loaded: LoadedVolume,
) -> bytes:  # fmt: skip
    from pydicom.dataset import Dataset, FileMetaDataset
    from pydicom.uid import CTImageStorage, ExplicitVRLittleEndian

    sizes = float(np.linalg.norm(step_row)), float(np.linalg.norm(step_column))
    data = Dataset()
    data.file_meta = FileMetaDataset()
    data.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    data.file_meta.MediaStorageSOPClassUID = data.SOPClassUID = CTImageStorage
    instance = _uid(loaded.sha256, f"slice {at}")
    data.file_meta.MediaStorageSOPInstanceUID = data.SOPInstanceUID = instance
    for name in ("Study", "Series"):
        setattr(data, f"{name}InstanceUID", _uid(loaded.sha256, name))
    data.FrameOfReferenceUID = _uid(loaded.sha256, "world")
    data.PositionReferenceIndicator = ""
    data.ImageType = ["DERIVED", "SECONDARY", "AXIAL"]
    data.Modality = "CT"
    data.Manufacturer = ""
    data.PatientName, data.PatientID = _WORDS, "PRACTICE HEAD"
    data.PatientBirthDate = data.PatientSex = data.StudyDate = data.StudyTime = ""
    data.AccessionNumber = data.ReferringPhysicianName = data.StudyID = ""
    data.SeriesDescription = data.ImageComments = _WORDS
    data.SeriesNumber, data.InstanceNumber, data.AcquisitionNumber = 1, at + 1, 1
    data.KVP = ""
    data.ImagePositionPatient = [_decimal(x) for x in place]
    data.ImageOrientationPatient = [
        _decimal(x) for x in (*step_column / sizes[1], *step_row / sizes[0])
    ]
    data.PixelSpacing = [_decimal(x) for x in sizes]
    data.SliceThickness = _decimal(step_mm)
    data.SamplesPerPixel, data.PhotometricInterpretation = 1, "MONOCHROME2"
    data.Rows, data.Columns = pixels.shape
    data.BitsAllocated = data.BitsStored = 16
    data.HighBit = 15
    data.PixelRepresentation = int(pixels.dtype.kind == "i")
    data.RescaleSlope = _decimal(loaded.facts.slope)
    data.RescaleIntercept = _decimal(loaded.facts.inter)
    data.RescaleType = "HU"
    data.PixelData = pixels.astype(pixels.dtype.newbyteorder("<")).tobytes()
    out = io.BytesIO()
    data.save_as(out, enforce_file_format=True)
    return out.getvalue()


def _decimal(value: float) -> str:
    """A decimal string of at most 16 characters (PS3.5, value representation DS)."""
    text = f"{value:.{_DECIMALS}f}".rstrip("0").rstrip(".")
    return ("0" if text in ("-0", "") else text)[:16]


def _uid(sha256: str, what: str) -> str:
    """An identifier under 2.25, from the hash."""
    digest = hashlib.sha256(f"{sha256} {what}".encode()).digest()[:16]
    return f"2.25.{uuid.UUID(bytes=digest, version=4).int}"
