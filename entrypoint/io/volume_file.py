"""A CT volume from whatever holds one: a NIfTI file, or a DICOM folder, archive or object."""

from __future__ import annotations

from pathlib import Path

from entrypoint.errors import FieldRefused
from entrypoint.io.body import open_source
from entrypoint.io.dicom_source import ZIP_MAGIC
from entrypoint.io.nifti import LoadedVolume, read_nifti


def read_volume_file(path: str | Path, series: str | int | None = None) -> LoadedVolume:
    """Read a CT volume, its kind told by content.

    Parameters
    ----------
    path : a .nii or .nii.gz file; or a folder, zip archive or file of DICOM objects
    series : str, int or None
        Which series of several: a number of the list that ``entrypoint inspect`` prints, or a
        series instance UID.

    Raises
    ------
    FileRefused, OrientationRefused, UnitRefused, FieldRefused
    """
    if holds_dicom(path):
        from entrypoint.io.dicom import read_dicom  # late: pydicom is not needed for NIfTI

        return read_dicom(path, series)
    if series is not None:
        raise FieldRefused(
            found="a series is named, but the input is no DICOM folder or archive",
            expected="a DICOM input, or no series",
            next_step="leave --series out",
        )
    return read_nifti(path)


def holds_dicom(path: str | Path) -> bool:
    """Whether the input is a folder, a zip archive or a DICOM object.

    Raises
    ------
    FileRefused
        When it is neither a folder nor a file that can be read.
    """
    from entrypoint.io.dicom_header import looks_like_dicom
    from entrypoint.io.nifti_header import looks_like_nifti

    where = Path(path)
    try:
        if where.is_dir():
            return True
    except (OSError, ValueError):
        pass  # refused by name below
    with open_source(where) as source:
        head = source.read(132)
    if looks_like_nifti(head):
        return False
    return head.startswith(ZIP_MAGIC) or looks_like_dicom(head)
