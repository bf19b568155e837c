"""Where the bytes of DICOM objects come from: a folder, a zip archive, or one file.

Nothing is unpacked to disk, no link to a folder is followed, and no more is taken into memory
than the limits below. Names of files and folders in hospitals hold names of persons: they order
nothing and are in no message.
"""

from __future__ import annotations

import os
import stat
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from entrypoint.errors import FileRefused
from entrypoint.io.body import LARGEST_RATIO, open_source

ZIP_MAGIC = b"PK\x03\x04"
# Judgement, no source: a study of a head has some thousands of files, most below 2 MB.
MOST_FILES = 50_000
_DEEPEST = 24
LARGEST_OBJECT_BYTES = 3 << 30
_SPARE_BYTES = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Blob:
    """One file of a folder, or one member of an archive."""

    size: int
    opened: Callable[[], Any]  # gives a binary stream from the first byte

    def read(self, count: int = -1) -> bytes:
        """The first ``count`` bytes, or all; fewer where there are fewer.

        Raises
        ------
        OSError, EOFError, RuntimeError, zipfile.BadZipFile, zlib.error
            As the file system and the archive do.
        """
        most = min(self.size, LARGEST_OBJECT_BYTES)
        wanted = most if count < 0 else min(count, most)
        with self.opened() as stream:
            return bytes(stream.read(wanted))


# What reading a blob may raise when it is damaged, gone, locked or encrypted.
UNREADABLE = (OSError, EOFError, RuntimeError, ValueError, zipfile.BadZipFile, zlib.error)


@contextmanager
def open_blobs(path: Path) -> Iterator[list[Blob]]:
    """Every file of a folder (nested), every member of a zip archive, or the one file.

    Parameters
    ----------
    path : Path

    Raises
    ------
    FileRefused
        When it cannot be read, holds too many files, or promises more than it can hold.
    """
    try:
        is_folder = path.is_dir()
    except (OSError, ValueError):
        is_folder = False
    if is_folder:
        yield _of_folder(path)
        return
    with open_source(path) as source:  # refuses what is no ordinary file, by name
        start = source.read(4)
    if start == ZIP_MAGIC:
        with _open_zip(path) as archive:
            yield _of_zip(archive, path.stat().st_size)
        return
    yield [_of_file(str(path), path.stat().st_size)]


def _of_file(path: str, size: int) -> Blob:
    return Blob(size=size, opened=lambda: open(path, "rb", buffering=0))


def _of_folder(top: Path) -> list[Blob]:
    found: list[Blob] = []
    folders = [(str(top), 0)]
    while folders:
        folder, depth = folders.pop()
        try:
            with os.scandir(folder) as entries:
                for entry in entries:
                    try:
                        if entry.is_dir(follow_symlinks=False):
                            if depth < _DEEPEST:
                                folders.append((entry.path, depth + 1))
                            continue
                        info = entry.stat()
                    except OSError:  # a broken or circular link, or a file that has just gone
                        continue
                    if stat.S_ISREG(info.st_mode) and info.st_size:
                        found.append(_of_file(entry.path, info.st_size))
                    if len(found) > MOST_FILES:
                        raise _too_many()
        except OSError as error:
            if depth == 0:
                raise FileRefused(
                    found=f"the folder cannot be read ({os.strerror(error.errno or 0).lower()})",
                    expected="a folder that you may read",
                    next_step="check its permissions",
                ) from None
    return found


@contextmanager
def _open_zip(path: Path) -> Iterator[zipfile.ZipFile]:
    try:
        archive = zipfile.ZipFile(path)
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError, EOFError):
        raise FileRefused(
            found="the file is a ZIP archive that is damaged",
            expected="a whole archive of a DICOM series",
            next_step="copy or export it again",
        ) from None
    with archive:
        yield archive


def _of_zip(archive: zipfile.ZipFile, file_bytes: int) -> list[Blob]:
    members = [m for m in archive.infolist() if not m.is_dir() and m.file_size]
    if len(members) > MOST_FILES:
        raise _too_many()
    most = file_bytes * LARGEST_RATIO + _SPARE_BYTES
    promised = sum(m.file_size for m in members)
    # Members that share their bytes, and members that swell: both promise more than fits.
    if promised > most or any(
        m.file_size > m.compress_size * LARGEST_RATIO + _SPARE_BYTES for m in members
    ):
        raise FileRefused(
            found=f"the archive promises {promised} bytes, more than a scan packed into "
            f"{file_bytes} bytes can hold",
            expected="an archive of a DICOM series",
            next_step="export the series again",
        )

    def opener(member: zipfile.ZipInfo) -> Callable[[], Any]:
        return lambda: archive.open(member)

    return [Blob(size=m.file_size, opened=opener(m)) for m in members]


def _too_many() -> FileRefused:
    return FileRefused(
        found=f"there are more than {MOST_FILES} files in it",
        expected="the files of one study",
        next_step="give the folder of one study or series",
    )
