"""Writing a file whole or not at all.

The content goes to a temporary name in the same folder, is forced to disk, and is then given its
name in one step: a run that is killed at any moment leaves the old file or the new one.
"""

from __future__ import annotations

import contextlib
import os
import secrets
from pathlib import Path

from entrypoint.errors import OutputRefused


def check_target(path: str | Path, *, force: bool = False) -> Path:
    """Refuse an output that could not be written, before the work is done.

    Parameters
    ----------
    path : where to write
    force : bool
        Whether an existing file may be replaced.

    Raises
    ------
    OutputRefused

    Examples
    --------
    >>> check_target(".")
    Traceback (most recent call last):
    ...
    entrypoint.errors.OutputRefused: The output is a directory; expected a file name; add a file \
name to it.
    """
    target = Path(path)
    try:
        if "\0" in str(target):  # pathlib calls such a file missing; opening it would fail
            raise ValueError
        exists = target.exists() or target.is_symlink()
        is_dir, is_file = target.is_dir(), target.is_file()
        folder = target.parent
        folder_ok = folder.is_dir()
    except (OSError, ValueError):
        raise OutputRefused(
            found="the output's name cannot be used",
            expected="a file name",
            next_step="choose another name",
        ) from None
    if is_dir:
        raise OutputRefused(
            found="the output is a directory",
            expected="a file name",
            next_step="add a file name to it",
        )
    if exists and not is_file:
        raise OutputRefused(
            found="the output exists and is not an ordinary file",
            expected="a file name, or - for standard output",
            next_step="choose another name",
        )
    if exists and not force:
        raise OutputRefused(
            found=f"the output {target.name!r} exists already",
            expected="a new name",
            next_step="choose another name, or add --force to replace it",
        )
    if not folder_ok:
        raise OutputRefused(
            found="the output's folder does not exist",
            expected="an existing folder",
            next_step="make the folder first",
        )
    if not os.access(folder, os.W_OK | os.X_OK):
        raise _not_permitted()
    return target


def write_bytes(path: str | Path, content: bytes, *, force: bool = False) -> Path:
    """Write a file whole or not at all.

    Parameters
    ----------
    path : where to write
    content : bytes
    force : bool
        Whether an existing file may be replaced; without it nothing is ever overwritten, also
        when the file appears while this runs.

    Raises
    ------
    OutputRefused
    """
    target = check_target(path, force=force)
    temporary = target.with_name(f".{secrets.token_hex(8)}.part")
    try:
        with temporary.open("xb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        if force:
            temporary.replace(target)
        else:
            _name_once(temporary, target)
    except FileExistsError:
        raise OutputRefused(
            found=f"the output {target.name!r} exists already",
            expected="a new name",
            next_step="choose another name, or add --force to replace it",
        ) from None
    except PermissionError:
        raise _not_permitted() from None
    except OSError as error:
        reason = os.strerror(error.errno).lower() if error.errno else "unknown reason"
        raise OutputRefused(
            found=f"the output could not be written ({reason})",
            expected="room and permission to write",
            next_step="choose another folder",
        ) from None
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)
    return target


def write_text(path: str | Path, text: str, *, force: bool = False) -> Path:
    """Write UTF-8 text whole or not at all (see :func:`write_bytes`)."""
    return write_bytes(path, text.encode("utf-8"), force=force)


def _name_once(temporary: Path, target: Path) -> None:
    """Give the content its name only if nothing has that name."""
    try:
        os.link(temporary, target)
    except FileExistsError:
        raise
    except OSError:  # a file system without hard links
        if target.exists():
            raise FileExistsError(str(target)) from None
        temporary.replace(target)


def _not_permitted() -> OutputRefused:
    return OutputRefused(
        found="the output's folder may not be written to",
        expected="a folder that you may write to",
        next_step="choose another folder",
    )
