"""Reading a file's bytes: bounded, decompressed as a stream, hashed on the second core meanwhile.

No more memory is taken than the header promises, and no more is promised than the file's own
size can hold: deflate cannot exceed 1032 to 1, and a scan comes nowhere near that.
"""

from __future__ import annotations

import gzip
import hashlib
import io
import os
import queue
import stat
import threading
import zlib
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import FileRefused

if TYPE_CHECKING:
    from collections.abc import Iterator

GZIP_MAGIC = b"\x1f\x8b"
# Noise-free made heads at 0.4 mm reach about 150 to 1; scans stay below 20. Judgement.
LARGEST_RATIO = 250
_CHUNK_BYTES = 1 << 20
_REST_BYTES = 1 << 16  # tolerated after the voxels


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """An open file that gives its content, decompressed if it is gzip."""

    stream: Any  # a binary file object
    file_bytes: int
    is_gzip: bool

    @property
    def most_bytes(self) -> int:
        """The most content that this file can hold."""
        return self.file_bytes * LARGEST_RATIO + _CHUNK_BYTES if self.is_gzip else self.file_bytes

    def read(self, count: int) -> bytes:
        """Up to ``count`` bytes; fewer only at the end of the content."""
        parts = []
        while count > 0:
            with _damage_named():
                part = self.stream.read(min(count, _CHUNK_BYTES))
            if not part:
                break
            parts.append(part)
            count -= len(part)
        return b"".join(parts)

    def skip_to(self, offset: int) -> None:
        """Go to a place in the content."""
        with _damage_named():
            self.stream.seek(offset)

    def fill(self, target: NDArray[np.uint8], digest: Any | None) -> int:
        """Fill a buffer; returns how many bytes there were.

        Parameters
        ----------
        target : (n,) array of uint8
            Filled in place.
        digest : hash object or None
            Fed with the same bytes in a thread of its own while decompression goes on.
        """
        view = target.data
        done = 0
        with hashed_beside(digest) as feed:
            while done < len(view):
                part = view[done : done + _CHUNK_BYTES]
                with _damage_named():
                    count = self.stream.readinto(part)
                if not count:
                    break
                feed(part[:count])
                done += count
        return done

    def rest_is_small(self) -> bool:
        """Read to the end (so that gzip's own checksum is checked); False if much is left."""
        return len(self.read(_REST_BYTES + 1)) <= _REST_BYTES


@contextmanager
def open_source(path: Path) -> Iterator[Source]:
    """Open a regular file, recognising gzip by its content.

    Raises
    ------
    FileRefused
        When it is missing, a directory, not a regular file, or may not be read.
    """
    try:
        info = path.stat()
    except FileNotFoundError:
        raise FileRefused(
            found="there is no such file", expected="an input file", next_step="check its name"
        ) from None
    except (OSError, ValueError) as error:
        raise _unreadable(error) from None
    if stat.S_ISDIR(info.st_mode):
        raise FileRefused(
            found="the input is a directory",
            expected="one file",
            next_step="give the volume, landmark or surface file itself",
        )
    if not stat.S_ISREG(info.st_mode):
        raise FileRefused(
            found="the input is not an ordinary file",
            expected="one file on disk",
            next_step="write it to a file first",
        )
    try:
        raw = path.open("rb", buffering=0)
    except OSError as error:
        raise _unreadable(error) from None
    with raw:
        start = raw.read(2)
        raw.seek(0)
        is_gzip = start == GZIP_MAGIC
        stream = _gunzip(raw) if is_gzip else io.BufferedReader(raw, _CHUNK_BYTES)
        try:
            yield Source(stream=stream, file_bytes=info.st_size, is_gzip=is_gzip)
        finally:
            stream.close()


def _gunzip(raw: io.FileIO) -> Any:
    try:
        from isal import igzip
    except ImportError:  # isal has no wheel on some machines: three times slower, same bytes
        return gzip.GzipFile(fileobj=raw, mode="rb")
    return igzip.IGzipFile(fileobj=raw, mode="rb")


def _unreadable(error: Exception) -> FileRefused:
    reason = os.strerror(error.errno) if isinstance(error, OSError) and error.errno else "bad name"
    return FileRefused(
        found=f"the file cannot be read ({reason.lower()})",
        expected="a file that you may read",
        next_step="check its name and permissions",
    )


@contextmanager
def _damage_named() -> Iterator[None]:
    try:
        yield
    except EOFError:
        raise FileRefused(
            found="the compressed file ends too early",
            expected="a whole file",
            next_step="copy or export it again",
        ) from None
    except (zlib.error, gzip.BadGzipFile, ValueError) as error:
        raise _damaged() from error
    except OSError as error:
        if error.errno:
            raise _unreadable(error) from None
        raise _damaged() from error
    except Exception as error:
        if type(error).__name__ == "IsalError":
            raise _damaged() from error
        raise


def _damaged() -> FileRefused:
    return FileRefused(
        found="the compressed content is damaged",
        expected="a whole gzip file",
        next_step="copy or export it again",
    )


@contextmanager
def hashed_beside(digest: Any | None) -> Iterator[Any]:
    """Give a function that takes chunks; they are hashed in order in another thread."""
    if digest is None:
        yield lambda part: None
        return
    chunks: queue.SimpleQueue[memoryview | None] = queue.SimpleQueue()

    def work() -> None:
        while (chunk := chunks.get()) is not None:
            digest.update(chunk)

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    try:
        yield chunks.put
    finally:
        chunks.put(None)
        thread.join()


def new_digest() -> Any:
    """A SHA-256 object."""
    return hashlib.sha256()
