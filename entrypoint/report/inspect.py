"""What is in a volume file, as text."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from entrypoint.planning.model import CAVEAT, SIDES_NOTE
from entrypoint.report.document import Block, Document, Heading, Paragraph, Table
from entrypoint.report.wording import PRACTICE_BANNER

if TYPE_CHECKING:
    from entrypoint.io.inspection import Inspection, Listing
    from entrypoint.volume.facts import FileFacts
    from entrypoint.volume.grid import Grid

_UNITS = {
    "mm": "millimetres",
    "m": "metres (converted)",
    "um": "micrometres (converted)",
    "unknown": "none stated; read as millimetres",
}
_MATRIX = {
    "sform": "the full transform (sform)",
    "qform": "the quaternion transform (qform)",
    "dicom": "position and orientation of the slices (DICOM)",
}


def inspection_document(found: Inspection) -> Document:
    """An inspection as blocks of text; begins and ends with the caveat."""
    facts = found.facts
    banner: list[Block] = [Heading(text=PRACTICE_BANNER, rank=1)] if facts.practice else []
    rows = [
        ("Grid", " x ".join(str(n) for n in found.shape) + " voxels"),
        ("Voxel", _numbers(found.voxel_mm, 3) + " mm"),
        (
            "Field of view",
            f"{_numbers(found.extent_mm, 0)} mm (right-left, front-back, top-bottom)",
        ),
        ("Stored axes run to the patient's", ", ".join(found.stored_axes_run)),
        ("Turned from the scanner's axes by", f"{found.oblique_deg:.1f} degrees at most"),
        ("World from", _MATRIX[facts.world_matrix_from]),
        ("Length unit", _UNITS[facts.unit]),
        ("Stored as", f"{facts.dtype}, slope {facts.slope:g}, intercept {facts.inter:g}"),
        ("HU, lowest and highest looked at", f"{facts.lowest_hu:.0f} to {facts.highest_hu:.0f}"),
        ("HU, most frequent in air", _level(facts.air_hu, "cut off")),
        ("HU, most frequent in soft tissue", _level(facts.soft_hu, "not found")),
    ]
    missing = found.missing or ("nothing that this look can tell",)
    return (
        Paragraph(text=found.caveat),
        *banner,
        Paragraph(
            text=f"Volume {found.name}: what the file holds. Nothing was measured on the head, "
            f"and no landmark was looked for. {found.sides_note}"
        ),
        Table(rows=tuple(rows)),
        *(
            Paragraph(text=words[:1].upper() + words[1:] + ".", lead="-")
            for words in found.facts.notes
        ),
        Heading(text="MISSING OR UNUSUAL"),
        *(Paragraph(text=words[:1].upper() + words[1:] + ".", lead="-") for words in missing),
        *banner,
        Paragraph(text=found.caveat),
    )


def listing_document(listing: Listing) -> Document:
    """The series of a DICOM input, each with its number."""
    rows = [
        (str(s.number), s.words + ("" if s.refused is None else f"; not usable: {s.refused}"))
        for s in listing.series
    ]
    rest = [f"{words}: {count} files" for words, count in listing.not_used]
    return (
        Paragraph(text=listing.caveat),
        Heading(text="SERIES IN THE INPUT"),
        Table(rows=tuple(rows)),
        *(Paragraph(text=f"Not used: {words}.", lead="-") for words in rest),
    )


def conversion_document(name: str, grid: Grid, facts: FileFacts) -> Document:
    """What was written when a series was converted; begins and ends with the caveat."""
    banner: list[Block] = [Heading(text=PRACTICE_BANNER, rank=1)] if facts.practice else []
    said = (*facts.cautions, *facts.notes)
    return (
        Paragraph(text=CAVEAT),
        *banner,
        Paragraph(
            text=f"Volume {name} is written: {' x '.join(str(n) for n in grid.shape)} voxels of "
            f"{_numbers(grid.voxel_mm, 3)} mm, stored as {facts.dtype}, slope {facts.slope:g}, "
            f"intercept {facts.inter:g}. {SIDES_NOTE}"
        ),
        *(Paragraph(text=words[:1].upper() + words[1:] + ".", lead="-") for words in said),
        *banner,
        Paragraph(text=CAVEAT),
    )


def _numbers(values: tuple[float, ...], digits: int) -> str:
    return " x ".join(f"{value:.{digits}f}" for value in values)


def _level(value: float | None, otherwise: str) -> str:
    return otherwise if value is None else f"{value:.0f}"


def inspection_dict(found: Inspection, listing: Listing | None = None) -> dict[str, Any]:
    """An inspection as plain values for JSON, with the series of a DICOM input."""
    import dataclasses

    made = {"record": "entrypoint.inspection", "version": 1, **dataclasses.asdict(found)}
    if listing is not None:
        made["series"] = [dataclasses.asdict(s) for s in listing.series]
        made["not_used"] = dict(listing.not_used)
    return made
