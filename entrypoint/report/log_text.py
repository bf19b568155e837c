"""A log as a short text: every entry, those that were corrected too."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from entrypoint.planning.log_model import Done, LogEntry
from entrypoint.planning.model import CAVEAT
from entrypoint.report.document import Block, Document, Heading, Paragraph, Table
from entrypoint.report.wording import DEVICE_FIRST, PRACTICE_BANNER, SEAT_WORDS, SIDE_WORDS

__all__ = ["entry_document", "log_document", "verify_document"]

Row = tuple[str, str]
_WHAT_IT_IS = (
    "A log holds what was typed into it. It holds no person, is no patient record and stands for "
    "none; local rules say what has to be recorded where."
)
_KEEP = (
    "Keep the hash of the last entry elsewhere: the log itself cannot show that entries were cut "
    "off at its end; --verify --last HASH does."
)


def log_document(
    entries: Sequence[LogEntry], torn: Sequence[str], corrected_by: Mapping[int, int]
) -> Document:
    """Every entry in order.

    Parameters
    ----------
    entries : sequence of LogEntry
    torn : sequence of str
        Lines that were never finished, in words.
    corrected_by : mapping
        Number of an entry, and the one that corrects it.

    Returns
    -------
    Document
        Begins and ends with the caveat.
    """
    banner = _banner(any(e.practice for e in entries))
    blocks: list[Block] = [Paragraph(text=CAVEAT), *banner, Paragraph(text=_WHAT_IT_IS)]
    if not entries:
        blocks.append(Paragraph(text="The log holds no entry."))
    for entry in entries:
        blocks += _entry(entry, corrected_by.get(entry.number))
    blocks += [Paragraph(text=text + ", and is kept.", lead="NOTE") for text in torn]
    if entries:
        blocks.append(Paragraph(text=f"Last entry's hash: {entries[-1].sha256}"))
    return (*blocks, *banner, Paragraph(text=CAVEAT))


def entry_document(entry: LogEntry, notes: Sequence[str]) -> Document:
    """One entry as it was written, with what has to be said of it."""
    banner = _banner(entry.practice)
    return (
        Paragraph(text=CAVEAT),
        *banner,
        *_entry(entry, None),
        *(Paragraph(text=text, lead="NOTE") for text in notes),
        Paragraph(text=f"Its hash: {entry.sha256}. {_KEEP}"),
        Paragraph(text=DEVICE_FIRST),
        *banner,
        Paragraph(text=CAVEAT),
    )


def verify_document(
    entries: Sequence[LogEntry], faults: Sequence[str], notes: Sequence[str]
) -> Document:
    """Whether every line of a log follows the one before it."""
    banner = _banner(any(e.practice for e in entries))
    blocks: list[Block] = [Paragraph(text=CAVEAT), *banner, Heading(text="LOG")]
    if faults:
        blocks.append(
            Paragraph(text=f"Of {len(entries)} entries that could be read, not all hold together:")
        )
        blocks += [Paragraph(text=fault + ".", lead="STOP") for fault in faults]
    else:
        many = "entry" if len(entries) == 1 else "entries"
        blocks.append(
            Paragraph(
                text=f"{len(entries)} {many}, each following the one before it. That shows no "
                "change of an entry that has another one after it; it does not show that what "
                f"was typed is right. {_KEEP}"
            )
        )
    blocks += [Paragraph(text=text + ".", lead="NOTE") for text in notes]
    if entries:
        blocks.append(Paragraph(text=f"Last entry's hash: {entries[-1].sha256}"))
    return (*blocks, *banner, Paragraph(text=CAVEAT))


def _banner(practice: bool) -> list[Block]:
    return [Heading(text=PRACTICE_BANNER, rank=1)] if practice else []


def _entry(entry: LogEntry, corrected_by: int | None) -> list[Block]:
    title = f"ENTRY {entry.number}: {SIDE_WORDS[entry.side]}"
    if entry.corrects is not None:
        title += f" (stands for entry {entry.corrects})"
    if corrected_by is not None:
        title += f" (corrected by entry {corrected_by})"
    rows: list[Row] = [
        ("Done at (UTC)", entry.done_at),
        ("Written at (UTC)", entry.written),
        ("By", entry.role.value),
        ("Plan", entry.plan_name),
        *_done(entry.done),
    ]
    return [Heading(text=title), Table(rows=tuple(rows))]


def _done(done: Done) -> list[Row]:
    rows: list[Row] = []
    if done.drill_depth_mm is not None and done.stop_seat is not None:
        seat = SEAT_WORDS[done.stop_seat]
        rows.append(("Drill depth used", f"{done.drill_depth_mm:g} mm, stop seated {seat}"))
    numbers = (
        ("Sensor below the inner table, as intended", done.sensor_depth_mm, "mm"),
        ("Sensor from the bolt's top", done.sensor_from_bolt_top_mm, "mm"),
        ("Bolt engaged", done.engagement_mm, "mm"),
        ("Bolt turned", done.half_turns, "half turns"),
        ("Zero reference", done.zero_reference_mmhg, "mmHg"),
        ("First reading, as shown by the device", done.first_reading_mmhg, "mmHg"),
    )
    rows += [(name, f"{value:g} {unit}") for name, value, unit in numbers if value is not None]
    if done.device_reference is not None:
        rows.append(("Device reference", done.device_reference))
    if done.complications:
        rows.append(("Complications noted", "; ".join(c.value for c in done.complications)))
    return rows
