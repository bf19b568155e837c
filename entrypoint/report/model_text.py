"""What a file of a head to hold contains, as text."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from entrypoint.planning.model import Side
from entrypoint.report.document import Block, Document, Heading, Paragraph, Table
from entrypoint.report.rounding import up
from entrypoint.report.wording import SIDE_WORDS

__all__ = ["BodyFacts", "ModelFacts", "model_document"]

_UNIT_WORDS = {
    ".3mf": "millimetres; the file states it",
    ".glb": "millimetres, under a scale to the metres that the format is in; the file states it",
    ".stl": "millimetres; the format has no field for a unit: set it where the file is opened",
}
_MARK_WORDS = {"raised": "raised by 0.8 mm", "engraved": "engraved 0.8 mm deep"}


@dataclass(frozen=True, slots=True, kw_only=True)
class BodyFacts:
    """One closed body."""

    name: str
    size_mm: tuple[float, float, float]  # right-left, front-back, up
    triangles: int
    volume_mm3: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelFacts:
    """A file with its bodies and its words."""

    ending: str
    code: str
    bodies: Sequence[BodyFacts]
    bed_mm: tuple[float, float, float]
    caveat: str
    sides_note: str
    practice: str | None
    scale_ratio: float
    marks: str
    marked: Sequence[Side]
    cut_mm: float | None


def model_document(facts: ModelFacts) -> Document:
    """A model as blocks of text; begins and ends with the caveat."""
    banner: list[Block] = [Heading(text=facts.practice, rank=1)] if facts.practice else []
    rows = [
        ("Size on the print bed", f"{_size(facts.bed_mm)} (right-left, front-back, up)"),
        ("Unit", _UNIT_WORDS[facts.ending]),
        ("Scale", f"{100.0 * facts.scale_ratio:g} % of the head"),
        ("Marks", _marks(facts)),
        ("Base", _base(facts.cut_mm)),
    ]
    for body in facts.bodies:
        rows += [
            (f"The {body.name}", ""),
            ("  size", _size(body.size_mm)),
            ("  triangles", f"{body.triangles}, watertight, one winding"),
            ("  volume", f"{up(body.volume_mm3 / 1000.0, 0):.0f} cubic cm"),
        ]
    return (
        Paragraph(text=facts.caveat),
        *banner,
        Paragraph(
            text=f"Head model from a CT volume, {facts.code}. {facts.sides_note} A letter R or L "
            "on the scalp is the patient's side. A print shrinks and warps: measure it before "
            "anything is read from it."
        ),
        Table(rows=tuple(rows)),
        Paragraph(
            text="The marks are where the tapes of the rule lead; nothing was judged for this "
            "file. Findings are in the plan of the same volume."
        )
        if facts.marked
        else Paragraph(text="Nothing was judged for this file."),
        *banner,
        Paragraph(text=facts.caveat),
    )


def _size(size_mm: tuple[float, float, float]) -> str:
    return " x ".join(f"{up(mm, 0):.0f}" for mm in size_mm) + " mm"


def _marks(facts: ModelFacts) -> str:
    if not facts.marked:
        return "none"
    sides = " and ".join(SIDE_WORDS[side] for side in facts.marked)
    names = {body.name for body in facts.bodies}
    what = "both tapes with their centimetres and the entry" if "scalp" in names else (
        "the path's place on the bone"
    )  # fmt: skip
    if names == {"scalp", "skull"}:
        what += ", on the bone the path's place"
    return f"{what}, {_MARK_WORDS[facts.marks]}: {sides}"


def _base(cut_mm: float | None) -> str:
    if cut_mm is None:
        return "as far as the scan reaches, closed flat"
    where = "at the nasion" if cut_mm == 0.0 else (
        f"{abs(cut_mm):g} mm {'above' if cut_mm > 0.0 else 'below'} the nasion"
    )  # fmt: skip
    return f"cut flat {where}, square to the head's own upright"
