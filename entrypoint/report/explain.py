"""What a finding means, what to do about it, and where its limit comes from, as text."""

from __future__ import annotations

from entrypoint.planning.finding_kinds import CATALOGUE, FindingKind, kind
from entrypoint.planning.model import CAVEAT
from entrypoint.reference import row
from entrypoint.report.document import Block, Document, Heading, Paragraph, Table
from entrypoint.report.wording import LEVEL_ORDER, LEVEL_WORDS


def explain_document(code: str) -> Document:
    """One finding of the catalogue as blocks of text.

    Parameters
    ----------
    code : str

    Raises
    ------
    FieldRefused
        When there is no finding of that code.
    """
    found = kind(code)
    blocks: list[Block] = [
        Paragraph(text=CAVEAT),
        Heading(text=f"{found.title} [{found.code}]"),
        Table(
            rows=(
                ("Level", _levels(found)),
                ("What it means", found.means),
                ("What can be looked at", found.do),
            )
        ),
    ]
    if found.rows:
        blocks.append(Heading(text="WHERE THE LIMIT COMES FROM"))
        blocks.append(Table(rows=tuple((name, row(name).cited()) for name in found.rows)))
    return (*blocks, Paragraph(text=CAVEAT))


def list_document() -> Document:
    """All findings, one a line."""
    return (
        Paragraph(text=CAVEAT),
        Heading(text="FINDINGS"),
        Table(
            rows=tuple(
                (found.code, f"{found.title} ({_levels(found)})")
                for _, found in sorted(CATALOGUE.items())
            )
        ),
        Paragraph(text="entrypoint explain CODE says what one means."),
        Paragraph(text=CAVEAT),
    )


def _levels(found: FindingKind) -> str:
    ordered = sorted(found.levels, key=LEVEL_ORDER.index)
    return ", ".join(LEVEL_WORDS[level] for level in ordered)
