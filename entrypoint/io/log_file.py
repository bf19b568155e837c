"""The log's file: one line more at a time, by one writer at a time, and nothing ever rewritten.

A writer holds a lock on the file from reading its last entry to having its own line on the disk.
A line that a killed writer left unfinished stays where it is: the next entry names it by its hash.
"""

from __future__ import annotations

import contextlib
import os
import stat
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import IO

from entrypoint.errors import FieldRefused, FileRefused, OutputRefused
from entrypoint.io.log_limits import check_done
from entrypoint.io.log_lines import ReadLog, line_of, parse_time, read_lines, sealed, torn_of
from entrypoint.planning.log_model import LogEntry

__all__ = ["ENDING", "append_entry", "log_path", "read_log"]

ENDING = ".log.jsonl"
_LARGEST_BYTES = 16 * 2**20
_WAIT_S = 20.0
_AHEAD_S = 300.0  # clocks differ


def log_path(plan: str | Path) -> Path:
    """The log beside a plan: its name with another ending."""
    path = Path(plan)
    return path.with_name(path.stem + ENDING)


def read_log(path: str | Path) -> ReadLog:
    """Read a log without changing it.

    Raises
    ------
    FileRefused
        There is none, or it is no ordinary file, or too large.
    """
    try:
        with _opened(Path(path), writing=False) as stream:
            return read_lines(_content(stream))
    except FileNotFoundError:
        raise FileRefused(
            found="there is no log beside this plan",
            expected=f"a file that ends in {ENDING}",
            next_step="make the first entry, or check the plan's name",
        ) from None


def append_entry(path: str | Path, entry: LogEntry) -> tuple[LogEntry, ReadLog]:
    """Add one entry at the end.

    Parameters
    ----------
    path : str or Path
        The log; made where it is missing.
    entry : LogEntry
        Its number, time of writing, hashes and unfinished line before it are filled in here.

    Returns
    -------
    LogEntry
        As written.
    ReadLog
        The log before it.

    Raises
    ------
    FieldRefused
        The entry is not one that a log takes, or it corrects one that cannot be corrected.
    FileRefused
        The log was changed: nothing is added to it.
    OutputRefused
    """
    check_done(entry.done)
    with _opened(Path(path), writing=True) as stream, _locked(stream):
        content = _content(stream)
        found = read_lines(content)
        if found.faults:
            raise FileRefused(
                found=f"the log does not hold together: {found.faults[0]}",
                expected="a log in which every entry follows the one before it",
                next_step="keep this file as it is, move it aside, and begin a new one",
            )
        _check_correction(entry, found)
        now = datetime.now(UTC)
        last = parse_time(found.entries[-1].written) if found.entries else now
        done_at = parse_time(entry.done_at) if entry.done_at else now
        if (done_at - now).total_seconds() > _AHEAD_S:
            raise FieldRefused(
                found="a time that is still to come",
                expected="the time at which it was done",
                next_step="check the date, the hour and the offset from UTC",
            )
        made = sealed(
            replace(
                entry,
                number=len(found.entries) + 1,
                written=_stamp(max(now, last)),
                done_at=_stamp(done_at),
                previous=found.last_sha256,
                torn=torn_of(found.tail) if found.tail else None,
                sha256="",
            )
        )
        ending = b"" if not content or content.endswith(b"\n") else b"\n"
        _add(stream, ending + line_of(made))
        return made, found


def _stamp(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _check_correction(entry: LogEntry, found: ReadLog) -> None:
    old = entry.corrects
    if old is None:
        return
    if not 1 <= old <= len(found.entries):
        raise FieldRefused(
            found=f"there is no entry {old} to correct",
            expected=f"one of 1 to {len(found.entries)}" if found.entries else "a log with entries",
            next_step="see entrypoint log PLAN --list",
        )
    newer = found.corrected_by.get(old)
    if newer is not None:
        raise FieldRefused(
            found=f"entry {old} is corrected by entry {newer} already",
            expected="the newest of them",
            next_step=f"correct entry {newer}",
        )


@contextlib.contextmanager
def _opened(path: Path, *, writing: bool) -> Iterator[IO[bytes]]:
    flags = os.O_RDWR | os.O_CREAT | os.O_APPEND if writing else os.O_RDONLY
    # A link could lead elsewhere, and opening a pipe would wait for its other end.
    flags |= getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
    flags |= getattr(os, "O_BINARY", 0)
    try:
        handle = os.open(path, flags, 0o600)
    except FileNotFoundError:
        if not writing:
            raise
        raise _refused("the log's folder does not exist", "an existing folder") from None
    except PermissionError:
        raise _refused("the log may not be opened", "permission to read and write it") from None
    except (OSError, ValueError):
        raise _refused("the log cannot be opened", "an ordinary file") from None
    with os.fdopen(handle, "r+b" if writing else "rb", buffering=0) as stream:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise _refused("the log is no ordinary file", "an ordinary file")
        yield stream


def _refused(found: str, expected: str) -> OutputRefused:
    return OutputRefused(found=found, expected=expected, next_step="choose another place")


def _content(stream: IO[bytes]) -> bytes:
    if os.fstat(stream.fileno()).st_size > _LARGEST_BYTES:
        raise FileRefused(
            found="the log is far too large",
            expected=f"at most {_LARGEST_BYTES} bytes",
            next_step="check that it is the right file",
        )
    stream.seek(0)
    parts = []
    while part := stream.read(1 << 20):
        parts.append(part)
    return b"".join(parts)


@contextlib.contextmanager
def _locked(stream: IO[bytes]) -> Iterator[None]:
    """Hold the file alone; released by the system, also where the process is killed."""
    end = time.monotonic() + _WAIT_S
    while not _try_lock(stream):
        if time.monotonic() > end:
            raise OutputRefused(
                found="the log is held by another writer",
                expected="a turn within 20 seconds",
                next_step="try again",
            )
        time.sleep(0.02)
    try:
        yield
    finally:
        _unlock(stream)


try:
    import fcntl

    def _try_lock(stream: IO[bytes]) -> bool:
        try:
            fcntl.flock(stream.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return False
        return True

    def _unlock(stream: IO[bytes]) -> None:
        fcntl.flock(stream.fileno(), fcntl.LOCK_UN)

except ImportError:  # a system without it: its own lock of the first byte
    import msvcrt

    def _try_lock(stream: IO[bytes]) -> bool:
        stream.seek(0)
        try:
            msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
        except OSError:
            return False
        return True

    def _unlock(stream: IO[bytes]) -> None:
        stream.seek(0)
        msvcrt.locking(stream.fileno(), msvcrt.LK_UNLCK, 1)  # type: ignore[attr-defined]


def _add(stream: IO[bytes], line: bytes) -> None:
    """One write at the end, forced to disk."""
    try:
        written = os.write(stream.fileno(), line)
        os.fsync(stream.fileno())
    except OSError as error:
        reason = os.strerror(error.errno).lower() if error.errno else "unknown reason"
        raise _refused(f"the entry could not be written ({reason})", "room to write") from None
    if written != len(line):
        raise _refused("the entry was written in part only", "room to write")
