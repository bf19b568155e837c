"""What kind of file an input is, told from its content and never from its name alone."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path

from entrypoint.errors import FileRefused
from entrypoint.io.body import open_source
from entrypoint.io.nifti_header import HEADER_BYTES, looks_like_nifti
from entrypoint.io.volume_file import holds_dicom

_KNOWN_OTHERS = (
    (b"%PDF", "a PDF document", "give the scan itself"),
    (b"\x89PNG", "a PNG picture", "give the scan itself, not a picture of it"),
    (b"\xff\xd8\xff", "a JPEG picture", "give the scan itself, not a picture of it"),
    (b"\xfd7zXZ", "an xz archive", "unpack it first"),
    (b"BZh", "a bzip2 archive", "unpack it first"),
    (b"NRRD", "an NRRD volume", "convert it to NIfTI"),
    (b"\x93NUMPY", "a NumPy array, which states no orientation", "convert the scan to NIfTI"),
)  # fmt: skip


class FileKind(StrEnum):
    """Kinds of input that can be read."""

    VOLUME = "volume"
    LANDMARKS = "landmarks"
    SURFACE = "surface"
    PLAN = "plan"


def recognise(path: str | Path) -> FileKind:
    """Tell what an input is; a folder and a zip archive are taken for a DICOM series.

    Raises
    ------
    FileRefused
        When it cannot be read or is of no kind that this tool takes.
    """
    if holds_dicom(path):
        return FileKind.VOLUME
    with open_source(Path(path)) as source:
        head = source.read(max(HEADER_BYTES, 4096))
    if not head:
        raise FileRefused(
            found="the file is empty",
            expected="a CT volume, a landmark file or a scalp surface",
            next_step="check the copy",
        )
    if looks_like_nifti(head):
        return FileKind.VOLUME
    for start, what, next_step in _KNOWN_OTHERS:
        if head.startswith(start):
            raise FileRefused(
                found=f"the file is {what}",
                expected="a CT volume, a landmark file or a scalp surface",
                next_step=next_step,
            )
    suffix = Path(path).suffix.lower()
    if _is_surface(head, suffix):
        return FileKind.SURFACE
    kind = _text_kind(head)
    if kind is not None:
        return kind
    raise FileRefused(
        found="the file is of a kind that is not known here",
        expected="a CT volume (.nii, .nii.gz, a DICOM folder or zip), a landmark file (JSON, CSV) "
        "or a scalp surface (.stl, .ply, .obj, .glb)",
        next_step="check that it is the right file",
    )


def surface_type(head: bytes, suffix: str) -> str | None:
    """The surface format of a file, or nothing: "ply", "glb", "stl" or "obj"."""
    if head.startswith((b"ply\n", b"ply\r")):
        return "ply"
    if head.startswith(b"glTF"):
        return "glb"
    if head.lstrip()[:6].lower() == b"solid " or head.lstrip()[:6].lower() == b"solid\n":
        return "stl"
    # A binary STL has no mark: 80 bytes of anything and a count; so its name has to say it.
    if suffix == ".stl":
        return "stl"
    if suffix == ".obj" and b"\0" not in head:
        return "obj"
    return None


def _is_surface(head: bytes, suffix: str) -> bool:
    return surface_type(head, suffix) is not None


def _text_kind(head: bytes) -> FileKind | None:
    text = head.decode("utf-8-sig", errors="replace").lstrip()
    if "\0" in text or not text:
        return None
    if text[0] == "{":
        return FileKind.PLAN if '"entrypoint.plan"' in text else FileKind.LANDMARKS
    for line in text.splitlines():
        if line.startswith("#") or not line.strip():
            continue
        cells = {cell.strip().lower() for cell in line.split(",")}
        return FileKind.LANDMARKS if {"name", "x", "y", "z"} <= cells else None
    return None
