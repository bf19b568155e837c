"""What a compressed picture says of its own size, looked at before a decoder is let near it.

A decoder believes the codestream, not the DICOM header: a damaged size makes it take gigabytes or
run for minutes. Sources: ITU-T T.81 (frame headers, B.2.2), T.87 (JPEG-LS), T.800 (SIZ, A.5.1).
"""

from __future__ import annotations

import struct

_JP2_SIGNATURE = b"\x00\x00\x00\x0cjP  "
_ALONE = frozenset({0x01, *range(0xD0, 0xD9)})  # markers with no length after them
# Start of frame: the JPEG processes (not DHT, JPG, DAC among them) and JPEG-LS.
_FRAMES = frozenset({*range(0xC0, 0xD0), 0xF7}) - {0xC4, 0xC8, 0xCC}


def stated_size(codestream: bytes) -> tuple[int, int, int] | None:
    """Rows, columns and components that a JPEG, JPEG-LS or JPEG 2000 codestream states.

    Returns
    -------
    (rows, columns, components), or None where none are found.

    Examples
    --------
    >>> stated_size(b"\\xff\\xd8\\xff\\xc3\\x00\\x0b\\x10\\x02\\x00\\x01\\x00\\x01")
    (512, 256, 1)
    >>> stated_size(b"rubbish") is None
    True
    """
    try:
        if codestream.startswith(_JP2_SIGNATURE):
            at = codestream.index(b"\xff\x4f\xff\x51")
            return _of_siz(codestream, at + 4)
        if codestream.startswith(b"\xff\x4f\xff\x51"):
            return _of_siz(codestream, 4)
        if codestream.startswith(b"\xff\xd8"):
            return _of_frame(codestream)
    except (struct.error, ValueError):
        pass
    return None


def _of_siz(codestream: bytes, at: int) -> tuple[int, int, int]:
    # Lsiz, Rsiz, then the far and near edges of the reference grid, of the tiles, components.
    _, _, right, bottom, left, top, wide, high, _, _, components = struct.unpack_from(
        ">HH8IH", codestream, at
    )
    if not wide or not high or (right - left) // wide > 64 or (bottom - top) // high > 64:
        raise ValueError  # thousands of tiles in a slice: nothing that a scanner writes
    return bottom - top, right - left, components


def _of_frame(codestream: bytes) -> tuple[int, int, int] | None:
    at = 2
    while True:
        mark, kind = struct.unpack_from(">BB", codestream, at)
        if mark != 0xFF:
            return None
        at += 1 if kind == 0xFF else 2  # a fill byte, or a marker
        if kind == 0xFF or kind in _ALONE:
            continue
        (length,) = struct.unpack_from(">H", codestream, at)
        if kind in _FRAMES:
            _, rows, columns, components = struct.unpack_from(">BHHB", codestream, at + 2)
            return rows, columns, components
        at += max(2, length)
