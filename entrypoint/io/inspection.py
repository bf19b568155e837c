"""What is in a volume file, before anything is planned from it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from entrypoint.errors import EntrypointError
from entrypoint.io.nifti import LoadedVolume
from entrypoint.io.recognise import FileKind, recognise
from entrypoint.io.volume_file import holds_dicom, read_volume_file
from entrypoint.planning.model import CAVEAT, SIDES_NOTE
from entrypoint.volume.facts import FileFacts
from entrypoint.volume.grid import Grid
from entrypoint.volume.volume import Volume

# World axes in the order of the record: positive, then negative direction.
_DIRECTIONS = (("right", "left"), ("front", "back"), ("top", "bottom"))
_COARSE_MM = 4.0
_TISSUE_ABOVE_HU = -400.0
# A patch of tissue on a face of the field that is more than an ear, a tube or noise: judgement.
_CUT_AREA_MM2 = 400.0
_THICK_SLICE_MM = 2.5
_SMALL_FIELD_MM = (150.0, 180.0, 120.0)  # right-left, front-back, top-bottom: judgement


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspection:
    """What a volume file holds; nothing is measured on the head."""

    caveat: str = CAVEAT
    sides_note: str = SIDES_NOTE
    name: str
    sha256: str
    shape: tuple[int, int, int]
    voxel_mm: tuple[float, float, float]
    extent_mm: tuple[float, float, float]
    stored_axes_run: tuple[str, str, str]  # towards the patient's ...
    oblique_deg: float  # largest angle of a stored axis to a world axis
    left_handed: bool
    slice_mm: float  # the coarsest voxel edge
    facts: FileFacts
    reached: tuple[str, ...]  # faces of the field that something dense reaches
    missing: tuple[str, ...]  # what is missing or will widen the errors, in words


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesLine:
    """One series of a DICOM folder or archive, in words that name no person."""

    number: int  # for --series
    words: str
    refused: str | None  # why it cannot be used


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """The series of a DICOM folder or archive, and what else is in it."""

    caveat: str = CAVEAT
    series: tuple[SeriesLine, ...]
    not_used: tuple[tuple[str, int], ...]  # what it is, and how many files


def list_series(path: str | Path) -> Listing | None:
    """List the series of a DICOM folder, archive or file; nothing for another input.

    Raises
    ------
    FileRefused
        When it cannot be read, or holds no CT.
    """
    if not holds_dicom(path):
        return None
    from entrypoint.io.dicom import find_series  # late: pydicom is not needed for NIfTI

    found = find_series(path)
    return Listing(
        series=tuple(
            SeriesLine(
                number=s.number,
                words=s.words(),
                refused=None if s.refusal is None else s.refusal.found,
            )
            for s in found.series
        ),
        not_used=tuple(sorted(found.others.items())),
    )


def inspect_volume(
    source: LoadedVolume | str | Path, series: str | int | None = None
) -> Inspection:
    """Look at a volume file.

    Parameters
    ----------
    source : LoadedVolume, or path
    series : str, int or None
        Which DICOM series of several.

    Raises
    ------
    FileRefused, OrientationRefused, UnitRefused
        As :func:`entrypoint.io.nifti.read_nifti` does; nothing is said of a file that would be
        refused, because its units, sides or values are not known.
    """
    loaded = source if isinstance(source, LoadedVolume) else _read(Path(source), series)
    grid = loaded.volume.grid
    canonical = loaded.volume.canonical()
    cut = _cut_faces(canonical)
    return Inspection(
        name=loaded.code,
        sha256=loaded.sha256,
        shape=grid.shape,
        voxel_mm=grid.voxel_mm,
        extent_mm=canonical.grid.extent_mm,
        stored_axes_run=_axes(grid),
        oblique_deg=_oblique_deg(canonical.grid),
        left_handed=not grid.right_handed,
        slice_mm=max(grid.voxel_mm),
        facts=loaded.facts,
        reached=cut,
        missing=_missing(canonical.grid, loaded.facts, cut),
    )


def _read(path: Path, series: str | int | None) -> LoadedVolume:
    kind = recognise(path)
    if kind is not FileKind.VOLUME:
        from entrypoint.errors import FileRefused

        raise FileRefused(
            found=f"the file is of the kind {kind.value}",
            expected="a CT volume (.nii, .nii.gz, a DICOM folder or zip)",
            next_step="use entrypoint plan for it",
        )
    return read_volume_file(path, series)


def _axes(grid: Grid) -> tuple[str, str, str]:
    permutation, flips = grid.canonical_axes()
    words = ["", "", ""]
    for world, (stored, flip) in enumerate(zip(permutation, flips, strict=True)):
        words[stored] = _DIRECTIONS[world][1 if flip else 0]
    return words[0], words[1], words[2]


def _oblique_deg(canonical: Grid) -> float:
    axes = canonical.world_from_index[:3, :3] / np.array(canonical.voxel_mm)
    return float(np.degrees(np.arccos(np.clip(np.diag(axes), -1.0, 1.0)).max()))


def _cut_faces(canonical: Volume) -> tuple[str, ...]:
    """Faces of the field of view that tissue reaches."""
    try:
        coarse = canonical.block_means(_COARSE_MM)
    except EntrypointError:
        return ()
    cut = []
    size = coarse.grid.voxel_mm
    for axis, (high, low) in enumerate(_DIRECTIONS):
        others = [size[a] for a in range(3) if a != axis]
        for at, word in ((-1, high), (0, low)):
            face = np.take(coarse.stored, at, axis=axis)
            area = float((face > _TISSUE_ABOVE_HU).sum()) * others[0] * others[1]
            if area > _CUT_AREA_MM2:
                cut.append(word)
    return tuple(cut)


def _missing(canonical: Grid, facts: FileFacts, cut: tuple[str, ...]) -> tuple[str, ...]:
    said = []
    faces = [face for face in cut if face != "bottom"]  # the neck always leaves the field
    if faces:
        said.append(
            f"something denser than foam reaches the {_listed(faces)} of the field of view: the "
            "head may be cut off there, or it is a rest or a table"
        )
    for extent, least, words in zip(
        canonical.extent_mm,
        _SMALL_FIELD_MM,
        ("right to left", "front to back", "top to bottom"),
        strict=True,
    ):
        if extent < least:
            said.append(f"the field of view is only {extent:.0f} mm from {words}")
    if max(canonical.voxel_mm) > _THICK_SLICE_MM:
        said.append(f"slices of {max(canonical.voxel_mm):.3g} mm: the errors will be wide")
    if facts.transforms_differ_mm is not None:
        said.append(
            f"the file's two transforms differ by {facts.transforms_differ_mm:.1f} mm; "
            f"the {facts.world_matrix_from} is used"
        )
    if facts.unusable_transform:
        said.append(f"the file states a {facts.unusable_transform} that cannot be used")
    if facts.unit == "unknown":
        said.append("the file states no length unit; millimetres fit the size of a head")
    if facts.sizes_disagree:
        said.append("the voxel sizes in the header are not those of its transform")
    if facts.shear_deg > 0.5:
        said.append(f"the axes are sheared by {facts.shear_deg:.1f} degrees (gantry tilt); kept")
    if facts.offset_applied_hu is not None:
        said.append(f"the values lack an offset; {facts.offset_applied_hu:g} HU was added")
    if facts.padding_hu is not None:
        said.append(f"fill values of {facts.padding_hu:g} HU lie outside the scanner's round field")
    if facts.clipped_low_hu is not None and facts.clipped_low_hu > -900:
        said.append(f"values below {facts.clipped_low_hu:g} HU are cut off")
    if facts.clipped_high_hu is not None:
        said.append(f"values above {facts.clipped_high_hu:g} HU are cut off")
    return (*said, *facts.cautions)


def _listed(words: list[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else words[0]
