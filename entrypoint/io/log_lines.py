"""Lines of a log: how an entry is written on one line, read back, and held to the one before."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

from entrypoint.errors import FieldRefused
from entrypoint.io.log_limits import check_done
from entrypoint.io.record_kind import RecordKind
from entrypoint.io.strict_json import parse
from entrypoint.planning.log_model import FIRST, LogEntry, Torn

__all__ = ["LOG", "ReadLog", "line_of", "parse_time", "read_lines", "sealed", "torn_of"]

LOG = RecordKind(
    name="entrypoint.log",
    version=1,
    model=LogEntry,
    first=("number", "written", "done_at", "side", "role", "done", "corrects"),
    one="an entry of a log",
    the="the log's entry",
    description="One line of a log of what was done, for planning and teaching only. It holds no "
    "person. Each line carries the hash of the entry before it. Null means: not said.",
)
MOST_ENTRIES = 5_000
LONGEST_LINE = 8_000


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadLog:
    """A log as read: its entries, what is wrong with it, and what was never finished.

    Attributes
    ----------
    entries : tuple of LogEntry
        Those whose line could be read, in order.
    faults : tuple of str
        What does not fit, by line; empty where every line fits the one before it.
    torn : tuple of str
        Lines that were never finished and that the next entry names: told, no fault.
    tail : bytes
        An unfinished last line.
    """

    entries: tuple[LogEntry, ...]
    faults: tuple[str, ...]
    torn: tuple[str, ...]
    tail: bytes

    @property
    def last_sha256(self) -> str:
        """Hash of the last entry, or 64 noughts."""
        return self.entries[-1].sha256 if self.entries else FIRST

    @property
    def corrected_by(self) -> dict[int, int]:
        """Number of an entry, and the one that corrects it."""
        return {e.corrects: e.number for e in self.entries if e.corrects is not None}


def _canonical(entry: LogEntry) -> dict[str, Any]:
    return LOG.to_dict(entry)


def _hash(entry: LogEntry) -> str:
    plain = _canonical(entry)
    del plain["sha256"]
    text = json.dumps(plain, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def sealed(entry: LogEntry) -> LogEntry:
    """The entry with its own hash."""
    return replace(entry, sha256=_hash(entry))


def line_of(entry: LogEntry) -> bytes:
    """An entry on one line, with its line feed."""
    text = json.dumps(
        _canonical(entry), ensure_ascii=True, allow_nan=False, separators=(",", ":")
    )
    return text.encode("ascii") + b"\n"


def torn_of(tail: bytes) -> Torn:
    """An unfinished line by its length and hash."""
    return Torn(n_bytes=len(tail), sha256=hashlib.sha256(tail).hexdigest())


def parse_time(text: str) -> datetime:
    """A time with its offset from UTC, as ``2026-03-01T14:05Z`` or ``...+02:00``.

    Raises
    ------
    FieldRefused

    Examples
    --------
    >>> parse_time("2026-03-01T14:05+02:00").isoformat()
    '2026-03-01T12:05:00+00:00'
    >>> parse_time("2026-03-01T14:05")
    Traceback (most recent call last):
    ...
    entrypoint.errors.FieldRefused: The time '2026-03-01T14:05' states no offset from UTC; ...
    """
    try:
        if len(text) > 40:
            raise ValueError
        found = datetime.fromisoformat(text)
        if found.tzinfo is not None:
            found = found.astimezone(UTC)
    except (ValueError, OverflowError):
        raise FieldRefused(
            found=f"{ascii(text)[:40]} is no time",
            expected="a time such as 2026-03-01T14:05Z",
            next_step="type it with its offset from UTC",
        ) from None
    if found.tzinfo is None:
        raise FieldRefused(
            found=f"the time {text!r} states no offset from UTC",
            expected="a time such as 2026-03-01T14:05Z or 2026-03-01T14:05+01:00",
            next_step="add Z for UTC, or the offset",
        )
    return found


def read_lines(content: bytes) -> ReadLog:
    """Read a whole log; whatever is wrong with it is told, and nothing is mended.

    A line that was never finished is accepted where the entry after it names it.
    """
    pieces = content.split(b"\n")
    tail = pieces.pop()
    if tail and _whole(tail) is not None:
        pieces.append(tail)  # only its line feed is missing
        tail = b""
    entries: list[LogEntry] = []
    faults: list[str] = []
    torn: list[str] = []
    waiting: tuple[int, bytes] | None = None
    for number, piece in enumerate(pieces, start=1):
        if number > MOST_ENTRIES:
            faults.append(f"line {number}: more than {MOST_ENTRIES} lines")
            break
        entry = _whole(piece)
        if entry is None:
            if waiting is not None:
                faults.append(f"line {waiting[0]}: not an entry of this log")
            waiting = (number, piece)
            continue
        if waiting is not None:
            if entry.torn is not None and entry.torn == torn_of(waiting[1]):
                torn.append(f"line {waiting[0]} was never finished ({len(waiting[1])} bytes)")
            else:
                faults.append(f"line {waiting[0]}: not an entry of this log")
            waiting = None
        elif entry.torn is not None:
            faults.append(f"line {number}: it names an unfinished line that is not there")
        faults += _misfits(number, piece, entry, entries)
        entries.append(entry)
    if waiting is not None:
        faults.append(f"line {waiting[0]}: not an entry of this log")
    return ReadLog(entries=tuple(entries), faults=tuple(faults), torn=tuple(torn), tail=tail)


def _whole(piece: bytes) -> LogEntry | None:
    """An entry, where a line holds one."""
    if len(piece) > LONGEST_LINE:
        return None
    try:
        text = piece.decode("ascii")
        parse(text, what="the log's line")
        entry = LOG.loads(text)
        check_done(entry.done)
        parse_time(entry.written)
        parse_time(entry.done_at)
    except (UnicodeDecodeError, FieldRefused):
        return None
    return entry


def _misfits(
    number: int, piece: bytes, entry: LogEntry, before: list[LogEntry]
) -> list[str]:
    out = []
    previous = before[-1] if before else None
    if _hash(entry) != entry.sha256 or line_of(entry) != piece + b"\n":
        out.append(f"line {number}: entry {entry.number} was changed after it was written")
    if entry.previous != (previous.sha256 if previous else FIRST):
        out.append(f"line {number}: entry {entry.number} does not follow the one before it")
    if entry.number != (previous.number if previous else 0) + 1:
        out.append(f"line {number}: entry {entry.number} is out of order")
    if previous is not None and entry.written < previous.written:
        out.append(f"line {number}: entry {entry.number} was written before the one before it")
    if entry.corrects is not None:
        named = {e.number for e in before}
        already = {e.corrects for e in before}
        if entry.corrects not in named or entry.corrects in already:
            out.append(f"line {number}: it corrects entry {entry.corrects}, which it cannot")
    return out
