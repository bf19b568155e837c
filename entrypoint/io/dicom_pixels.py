"""The pixels of a sorted stack: read straight into one array, decoded where they are compressed.

Plain pixels are read from their place in each file into the array, and hashed on the second core
meanwhile. Compressed ones go through pydicom's decoders. Rescales that differ from slice to slice
(or signed beside unsigned slices) are brought to one scaling: whole HU where all are whole, single
precision otherwise.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import EntrypointError, FileRefused
from entrypoint.io.dicom_codestream import stated_size
from entrypoint.io.dicom_header import (
    BIG_ENDIAN,
    DEFLATED,
    NATIVE,
    Frame,
    NotUsed,
    inflated,
    quiet,
)
from entrypoint.io.dicom_source import UNREADABLE, Blob
from entrypoint.volume.volume import PADDING_BELOW_HU

_RLE = "1.2.840.10008.1.2.5"
# Which of the decoders that pydicom may find is used, the first first: measured on speed and on
# damaged files, see DEVELOPERS.md. (pydicom's own for RLE; the quicker one panics past ``except``.)
_PLUGINS = ("pydicom", "pyjpegls", "pylibjpeg")
_AIR_LIKE_HU = (-1150.0, -850.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scaling:
    """One type and one scaling for all slices."""

    dtype: np.dtype[Any]
    slope: float
    inter: float
    as_stored: bool  # no slice has to be converted


def scaling_of(frames: Sequence[Frame]) -> Scaling:
    """The scaling of a stack: its own where all slices share one, else HU."""
    kinds = {(f.form.bits_allocated, f.form.signed, f.slope, f.inter) for f in frames}
    if len(kinds) == 1:
        bits, signed, slope, inter = kinds.pop()
        # Single precision, as a NIfTI-1 file keeps it (see entrypoint/io/dicom.py on the hash).
        slope, inter = float(np.float32(slope)), float(np.float32(inter))
        return Scaling(dtype=stored_type(bits, signed), slope=slope, inter=inter, as_stored=True)
    whole = all(f.slope == int(f.slope) and f.inter == int(f.inter) for f in frames)
    kind: np.dtype[Any] = np.dtype(np.float32)
    if whole:
        reach = max(
            abs(f.slope) * float(1 << f.form.bits_stored) + abs(f.inter) for f in frames
        )
        if reach < 2**31:
            kind = np.dtype(np.int32)
    return Scaling(dtype=kind, slope=1.0, inter=0.0, as_stored=False)


def stored_type(bits: int, signed: bool) -> np.dtype[Any]:
    """The native type of stored pixels."""
    return np.dtype(f"{'i' if signed else 'u'}{bits // 8}")


def read_pixels(
    frames: Sequence[Frame], scaling: Scaling, out: NDArray[Any]
) -> Iterator[NDArray[Any]]:
    """Fill the array slice by slice, in order, giving each slice when it is ready.

    Parameters
    ----------
    frames : in the order of the slices
    scaling : Scaling
    out : (nk, nj, ni) array of ``scaling.dtype``

    Raises
    ------
    FileRefused
        When a slice cannot be read or decoded, or is not what its header says.
    """
    held = _Held(frames)
    for frame, target in zip(frames, out, strict=True):
        if scaling.as_stored:
            held.fill(frame, target)
        else:
            kind = stored_type(frame.form.bits_allocated, frame.form.signed)
            stored = np.empty(target.shape, kind)
            held.fill(frame, stored)
            target[...] = stored.astype(np.float64) * frame.slope + frame.inter
        _pad(frame, target, scaling)
        yield target


def frame_hu(frame: Frame) -> NDArray[np.float32]:
    """One slice in HU, (nj, ni)."""
    form = frame.form
    stored = np.empty((form.rows, form.columns), stored_type(form.bits_allocated, form.signed))
    _Held([frame]).fill(frame, stored)
    return np.asarray(stored * frame.slope + frame.inter, dtype=np.float32)


class _Held:
    """Files whose content serves several frames are read once and let go after the last."""

    def __init__(self, frames: Sequence[Frame]) -> None:
        self._left: dict[int, int] = defaultdict(int)
        for frame in frames:
            self._left[id(frame.blob)] += 1
        self._content: dict[int, bytes] = {}

    def fill(self, frame: Frame, target: NDArray[Any]) -> None:
        form = frame.form
        try:
            if form.syntax == DEFLATED or not form.native or self._left[id(frame.blob)] > 1:
                self._from_content(frame, target)
            else:
                _straight(frame.blob, frame, target)
        except EntrypointError:
            raise
        except MemoryError:
            raise
        except (*UNREADABLE, NotUsed):
            raise _slice_refused("cannot be read") from None
        _only_stored_bits(frame, target)

    def _from_content(self, frame: Frame, target: NDArray[Any]) -> None:
        key = id(frame.blob)
        content = self._content.pop(key, None)
        if content is None:
            content, _ = inflated(frame.blob.read())
        self._left[key] -= 1
        if self._left[key] > 0:
            self._content[key] = content
        form = frame.form
        if form.syntax not in NATIVE:
            target[...] = _decoded(frame, content)
            return
        at = frame.pixels_at + frame.number * form.frame_bytes
        part = content[at : at + form.frame_bytes]
        if len(part) < form.frame_bytes:
            raise _slice_refused("is cut short")
        target[...] = np.frombuffer(part, _file_type(frame)).reshape(target.shape)


def _straight(blob: Blob, frame: Frame, target: NDArray[Any]) -> None:
    view = target.reshape(-1).view(np.uint8).data
    at = frame.pixels_at + frame.number * frame.form.frame_bytes
    with blob.opened() as stream:
        stream.seek(at)
        done = 0
        while done < len(view):
            count = stream.readinto(view[done:])
            if not count:
                raise _slice_refused("is cut short")
            done += count
    if frame.form.syntax == BIG_ENDIAN and target.dtype.itemsize > 1:
        target.byteswap(inplace=True)


def _file_type(frame: Frame) -> np.dtype[Any]:
    kind = stored_type(frame.form.bits_allocated, frame.form.signed)
    return kind.newbyteorder(">" if frame.form.syntax == BIG_ENDIAN else "<")


def _decoded(frame: Frame, content: bytes) -> NDArray[Any]:
    """One frame of compressed pixels, decoded by pydicom's plugin."""
    from pydicom.pixels import get_decoder
    from pydicom.uid import UID

    form = frame.form
    try:
        decoder = get_decoder(UID(form.syntax))
    except NotImplementedError:
        raise FileRefused(
            found="the pixels are compressed in a way that is not known here",
            expected="uncompressed, deflated, RLE, JPEG, JPEG lossless, JPEG-LS or JPEG 2000",
            next_step="export the series uncompressed",
        ) from None
    plugins = [p for p in _PLUGINS if p in decoder.available_plugins]
    if not plugins:
        raise FileRefused(
            found="no decoder for the compression of this series is installed",
            expected="the packages of requirements.txt; for JPEG, lossless or not, the extra jpeg",
            next_step="install entrypoint[jpeg] (GPL-3.0), or export the series uncompressed",
        )
    encapsulated = content[frame.pixels_at :]
    _check_size(frame, encapsulated)
    try:
        with quiet():
            decoded, _ = decoder.as_array(
                encapsulated,
                index=frame.number,
                raw=True,
                decoding_plugin=plugins[0],
                rows=form.rows,
                columns=form.columns,
                samples_per_pixel=1,
                photometric_interpretation=form.photometric,
                bits_allocated=form.bits_allocated,
                bits_stored=form.bits_stored,
                number_of_frames=form.frames,
                pixel_representation=int(form.signed),
                pixel_keyword="PixelData",
            )
    except MemoryError:
        raise
    except Exception:  # decoders raise many kinds
        raise _slice_refused("cannot be decompressed") from None
    array: NDArray[Any] = decoded
    if array.shape != (form.rows, form.columns):
        raise _slice_refused("decompresses to another size than its header states")
    return array


def _check_size(frame: Frame, encapsulated: bytes) -> None:
    """Refuse a codestream that states another size than the header does."""
    form = frame.form
    if form.syntax == _RLE:  # its size is the header's
        return
    from pydicom.encaps import get_frame

    try:
        codestream = get_frame(encapsulated, frame.number, number_of_frames=form.frames)
    except Exception:  # fragments or an offset table that contradict each other
        raise _slice_refused("cannot be decompressed") from None
    if stated_size(bytes(codestream)) != (form.rows, form.columns, 1):
        raise _slice_refused("is compressed in another size than its header states")


def _only_stored_bits(frame: Frame, target: NDArray[Any]) -> None:
    """Bits beside those that hold the value (old overlays) are taken away, the sign carried on."""
    form = frame.form
    spare = form.bits_allocated - form.high_bit - 1
    low = form.high_bit + 1 - form.bits_stored
    if spare == 0 and low == 0:
        return
    # Some scanners pad with a value that needs more bits than they state; cut, it could read as
    # bone. It is kept as it is.
    padding = None
    if frame.padding is not None and low == 0:
        least, most = _stored_range(frame)
        if frame.padding[0] < least or frame.padding[1] > most:
            padding = target.copy()
    if spare:
        np.left_shift(target, spare, out=target)
    np.right_shift(target, spare + low, out=target)
    if padding is not None and frame.padding is not None:
        kept = (padding >= frame.padding[0]) & (padding <= frame.padding[1])
        target[kept] = padding[kept]


def _stored_range(frame: Frame) -> tuple[int, int]:
    """Lowest and highest value that the stated bits hold."""
    bits = frame.form.bits_stored
    if frame.form.signed:
        return -(1 << (bits - 1)), (1 << (bits - 1)) - 1
    return 0, (1 << bits) - 1


def _pad(frame: Frame, target: NDArray[Any], scaling: Scaling) -> None:
    """Make air of padding that would read as matter, where it reaches in from the border.

    Padding that reads below -1500 HU or as air needs nothing: every reader of the volume takes it
    for air. A padding value that tissue also takes is left alone inside the head.
    """
    if frame.padding is None:
        return
    hu = [p * frame.slope + frame.inter for p in frame.padding]
    low_hu, high_hu = min(hu), max(hu)
    if high_hu < PADDING_BELOW_HU or (_AIR_LIKE_HU[0] <= low_hu and high_hu <= _AIR_LIKE_HU[1]):
        return
    low, high = sorted((x - scaling.inter) / scaling.slope for x in hu)
    mask = (target >= low) & (target <= high)
    if not mask.any():
        return
    from scipy import ndimage

    border = np.zeros_like(mask)
    border[[0, -1]] = mask[[0, -1]]
    border[:, [0, -1]] = mask[:, [0, -1]]
    reached = ndimage.binary_propagation(border, mask=mask)
    air = round((-1000.0 - scaling.inter) / scaling.slope)
    if target.dtype.kind in "iu":
        limits = np.iinfo(target.dtype)
        air = min(max(air, limits.min), limits.max)
    target[reached] = air


def _slice_refused(what: str) -> FileRefused:
    return FileRefused(
        found=f"a slice of the series {what}",
        expected="a whole series",
        next_step="copy or export it again",
    )
