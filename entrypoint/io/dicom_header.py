"""One DICOM object to the facts of its frames: pydicom takes the bytes apart, all is bounded here.

Only the attributes below are looked at; nothing that names a person is read at all. Reading stops
at the pixel data, which are not decoded here. Source of the meanings: DICOM PS3.3, C.7.6.2 (image
plane), C.7.6.16 (multi-frame functional groups), C.11.1 (rescale).
"""

from __future__ import annotations

import io
import logging
import math
import struct
import warnings
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from entrypoint.io.body import LARGEST_RATIO
from entrypoint.io.dicom_source import UNREADABLE, Blob

CT_STORAGE = "1.2.840.10008.5.1.4.1.1.2"
_ENHANCED = frozenset({"1.2.840.10008.5.1.4.1.1.2.1", "1.2.840.10008.5.1.4.1.1.2.2"})
_DIRECTORY = "1.2.840.10008.1.3.10"
_SECONDARY = "1.2.840.10008.5.1.4.1.1.7"
DEFLATED = "1.2.840.10008.1.2.1.99"
BIG_ENDIAN = "1.2.840.10008.1.2.2"
NATIVE = frozenset({"1.2.840.10008.1.2", "1.2.840.10008.1.2.1", DEFLATED, BIG_ENDIAN})
# Names of groups of syntaxes, for messages and reports.
SYNTAXES = {
    "1.2.840.10008.1.2": "implicit VR little endian",
    "1.2.840.10008.1.2.1": "explicit VR little endian",
    DEFLATED: "deflated explicit VR little endian",
    BIG_ENDIAN: "explicit VR big endian",
    "1.2.840.10008.1.2.4.57": "JPEG lossless",
    "1.2.840.10008.1.2.4.70": "JPEG lossless",
    "1.2.840.10008.1.2.4.80": "JPEG-LS lossless",
    "1.2.840.10008.1.2.4.81": "JPEG-LS near-lossless",
    "1.2.840.10008.1.2.4.90": "JPEG 2000 lossless",
    "1.2.840.10008.1.2.4.91": "JPEG 2000, perhaps lossy",
    "1.2.840.10008.1.2.5": "RLE lossless",
    "1.2.840.10008.1.2.4.50": "JPEG baseline, lossy",
    "1.2.840.10008.1.2.4.51": "JPEG extended, lossy",
}
_PREFIX_BYTES = 1 << 16
_MOST_HEADER_BYTES = 64 << 20
_LARGEST_SIDE = 8192
MOST_FRAMES = 20_000
_PIXELS = 0x7FE00010
_OTHER_PIXELS = (0x7FE00008, 0x7FE00009)

_TAGS = [
    0x00020010, 0x00080008, 0x00080016, 0x00080060, 0x00080018, 0x0020000D, 0x0020000E,
    0x00200011, 0x00200012, 0x00200032, 0x00200037, 0x00200052, 0x00204000, 0x00181120, 0x00181210,
    0x00280002, 0x00280004, 0x00280008, 0x00280010, 0x00280011, 0x00280030, 0x00280100,
    0x00280101, 0x00280102, 0x00280103, 0x00280120, 0x00280121, 0x00281052, 0x00281053,
    0x00282110, 0x00283000, 0x52009229, 0x52009230,
]  # fmt: skip


class NotUsed(Exception):
    """An object that is no slice of a CT; the reason is one of a few fixed phrases."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PixelForm:
    """How the pixels of an object are stored."""

    rows: int
    columns: int
    bits_allocated: int
    bits_stored: int
    high_bit: int
    signed: bool
    syntax: str
    frames: int
    photometric: str

    @property
    def frame_bytes(self) -> int:
        """Bytes of one frame, unpacked."""
        return self.rows * self.columns * self.bits_allocated // 8

    @property
    def native(self) -> bool:
        """Whether the pixels lie plainly in the file (perhaps deflated with all of it)."""
        return self.syntax in NATIVE


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """One slice: where it lies (LPS mm), how it is stored, and where its pixels are."""

    blob: Blob
    number: int  # of the frame in its object, from 0
    form: PixelForm
    pixels_at: int  # first byte of the pixel data's value, after any inflating
    pixels_length: int  # 0xFFFFFFFF where the pixels are encapsulated
    series: str
    study: str
    world: str  # frame of reference
    instance: str
    series_number: int
    acquisition: int
    image_type: tuple[str, ...]
    kernel: str
    place_lps_mm: tuple[float, ...] | None  # of the first voxel's centre
    unit_axes_lps: tuple[float, ...] | None  # along a row, then along a column
    spacing_mm: tuple[float, ...] | None  # between rows, between columns
    slope: float
    inter: float
    tilt_deg: float
    padding: tuple[float, float] | None  # lowest and highest stored value
    practice: bool
    lossy: bool


def looks_like_dicom(head: bytes) -> bool:
    """Whether the first bytes are those of a DICOM object, with its preamble or without."""
    if head[128:132] == b"DICM":
        return True
    # Without preamble: the first element is of group 2 or 8, with a plausible length.
    for order in "<>":
        if len(head) < 12:
            return False
        group, element = struct.unpack_from(order + "HH", head)
        if group not in (2, 8) or element > 0x0100:
            continue
        if head[4:6].isalpha() and head[4:6].isupper():
            return True
        if order == "<" and struct.unpack_from("<I", head, 4)[0] < 256:
            return True
    return False


@contextmanager
def quiet() -> Iterator[None]:
    """Keep a library's warnings and log lines, which may quote a header, from anyone's eyes."""
    before = logging.root.manager.disable
    logging.disable(logging.CRITICAL)  # pydicom and each decoder have loggers of their own
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        logging.disable(before)


def read_frames(blob: Blob) -> list[Frame]:
    """The frames of one object.

    Raises
    ------
    NotUsed
        With a fixed phrase that says what the object is instead.
    """
    try:
        head = blob.read(_PREFIX_BYTES)
    except UNREADABLE:
        raise NotUsed("a file that cannot be read") from None
    if not looks_like_dicom(head):
        raise NotUsed("no DICOM object")
    try:
        data, at, length, tag = _parse(head)
        if not tag and len(head) < blob.size:
            data, at, length, tag = _parse(blob.read(_MOST_HEADER_BYTES))
        return _frames(blob, data, at, length, tag)
    except NotUsed:
        raise
    except MemoryError:
        raise
    except Exception:  # pydicom raises many kinds; a message of its own might quote the header
        raise NotUsed("a damaged DICOM object") from None


def inflated(content: bytes) -> tuple[bytes, str | None]:
    """The content with a deflated data set unpacked; its file meta information is then dropped.

    Raises
    ------
    NotUsed
        When it unpacks to more than a scan can hold.
    """
    if content[128:132] != b"DICM" or content[132:136] != b"\2\0\0\0":
        return content, None
    end = 144 + struct.unpack_from("<I", content, 140)[0]
    if DEFLATED.encode() not in content[:end]:
        return content, None
    from pydicom.filereader import read_partial

    meta = read_partial(io.BytesIO(content[:end])).file_meta
    if meta.get("TransferSyntaxUID") != DEFLATED:
        return content, None
    most = len(content) * LARGEST_RATIO + _PREFIX_BYTES
    unpacking = zlib.decompressobj(-zlib.MAX_WBITS)
    body = unpacking.decompress(content[end:], most)
    if unpacking.unconsumed_tail:
        raise NotUsed("a damaged DICOM object")
    return body, DEFLATED


def _parse(content: bytes) -> tuple[Any, int, int, int]:
    """The data set, and where its pixels begin, how long they are and under which tag."""
    from pydicom.filereader import read_partial

    body, syntax = inflated(content)
    stream = io.BytesIO(body)
    place = [0, 0, 0]

    def stop(tag: int, vr: str | None, length: int) -> bool:
        if tag >= _OTHER_PIXELS[0]:
            place[:] = [stream.tell(), length, int(tag)]
            return True
        return False

    data = read_partial(stream, stop_when=stop, force=True, specific_tags=_TAGS)
    if syntax is not None:
        data.file_meta.TransferSyntaxUID = syntax
    return data, place[0], place[1], place[2]


def _frames(blob: Blob, data: Any, at: int, length: int, tag: int) -> list[Frame]:
    kind = _text(data, "SOPClassUID")
    meta = data.file_meta
    if kind == _DIRECTORY or str(meta.get("MediaStorageSOPClassUID", "")) == _DIRECTORY:
        raise NotUsed("a directory of DICOM objects")
    if kind == _SECONDARY or kind.startswith(_SECONDARY + "."):
        raise NotUsed("a secondary capture")
    modality = _text(data, "Modality")
    if kind not in (CT_STORAGE, *_ENHANCED) and not (kind == "" and modality == "CT"):
        pictures = tag == _PIXELS and modality not in ("CT", "")
        raise NotUsed("a picture of another kind than CT" if pictures else "no picture of a CT")
    if modality not in ("CT", ""):
        raise NotUsed("a picture of another kind than CT")
    if tag in _OTHER_PIXELS:
        raise NotUsed("a CT whose pixels are floating-point numbers")
    if tag != _PIXELS:
        raise NotUsed("a CT without pixels, or cut short before them")
    form = _form(data)
    if form.native and length != 0xFFFFFFFF and form.frames * form.frame_bytes > length:
        raise NotUsed("a CT with fewer pixels than it states")
    if form.native and (at + length > blob.size) and form.syntax != DEFLATED:
        raise NotUsed("a CT cut short in its pixels")
    if form.native and length == 0xFFFFFFFF:
        raise NotUsed("a damaged DICOM object")
    if "ModalityLUTSequence" in data and len(data.ModalityLUTSequence):
        raise NotUsed("a CT whose values are stored by a table")
    return [
        _frame(blob, data, form, at, length, number, groups)
        for number, groups in enumerate(_groups(data, kind, form.frames))
    ]


def _form(data: Any) -> PixelForm:
    syntax = str(data.file_meta.get("TransferSyntaxUID", "") or "")
    if not syntax:
        implicit, little = data.original_encoding
        syntax = BIG_ENDIAN if not little else f"1.2.840.10008.1.2{'' if implicit else '.1'}"
    allocated = _whole(data, "BitsAllocated")
    stored = _whole(data, "BitsStored", allocated)
    form = PixelForm(
        rows=_whole(data, "Rows"),
        columns=_whole(data, "Columns"),
        bits_allocated=allocated,
        bits_stored=stored,
        high_bit=_whole(data, "HighBit", stored - 1),
        signed=_whole(data, "PixelRepresentation", 0) == 1,
        syntax=syntax,
        frames=max(1, _whole(data, "NumberOfFrames", 1)),
        photometric=_text(data, "PhotometricInterpretation") or "MONOCHROME2",
    )
    if _whole(data, "SamplesPerPixel", 1) != 1 or not form.photometric.startswith("MONOCHROME"):
        raise NotUsed("a CT in colour")
    if form.photometric != "MONOCHROME2":
        raise NotUsed("a CT with black and white exchanged (MONOCHROME1)")
    if not (2 <= form.rows <= _LARGEST_SIDE and 2 <= form.columns <= _LARGEST_SIDE):
        raise NotUsed("a CT of an impossible size")
    if form.frames > MOST_FRAMES:
        raise NotUsed("a CT with too many frames")
    bits = form.bits_allocated in (8, 16, 32) and 1 <= form.bits_stored <= form.bits_allocated
    if not bits or not form.bits_stored - 1 <= form.high_bit < form.bits_allocated:
        raise NotUsed("a CT whose bits contradict each other")
    return form


def _groups(data: Any, kind: str, frames: int) -> list[tuple[Any, ...]]:
    """For each frame the data sets that describe it, the nearest first."""
    if kind not in _ENHANCED and "PerFrameFunctionalGroupsSequence" not in data:
        if frames > 1:
            raise NotUsed("a CT of several frames that does not say where they lie")
        return [(data,)]
    shared = list(data.get("SharedFunctionalGroupsSequence") or [])[:1]
    each = list(data.get("PerFrameFunctionalGroupsSequence") or [])
    if len(each) != frames:
        raise NotUsed("a CT of several frames that does not say where they lie")
    return [(one, *shared, data) for one in each]


def _frame(
    blob: Blob, data: Any, form: PixelForm, at: int, length: int, number: int, groups: Any
) -> Frame:
    plane = _inside(groups, "PlanePositionSequence")
    turned = _inside(groups, "PlaneOrientationSequence")
    measured = _inside(groups, "PixelMeasuresSequence")
    scaled = _inside(groups, "PixelValueTransformationSequence")
    content = _inside(groups, "FrameContentSequence")
    typed = _inside(groups, "CTImageFrameTypeSequence")
    image_type = _words(typed, "FrameType") or _words(data, "ImageType")
    low, high = _number(data, "PixelPaddingValue"), _number(data, "PixelPaddingRangeLimit")
    padding = None
    if low is not None:
        both = (low, low if high is None else high)
        padding = (min(both), max(both))
    slope, inter = _number(scaled, "RescaleSlope"), _number(scaled, "RescaleIntercept")
    slope, inter = 1.0 if slope is None else slope, 0.0 if inter is None else inter
    if not (math.isfinite(slope) and math.isfinite(inter) and slope != 0.0):
        raise NotUsed("a CT whose rescale cannot be used")
    words = " ".join([_text(data, "ImageComments"), *image_type]).upper()
    return Frame(
        blob=blob,
        number=number,
        form=form,
        pixels_at=at,
        pixels_length=length,
        series=_text(data, "SeriesInstanceUID"),
        study=_text(data, "StudyInstanceUID"),
        world=_text(data, "FrameOfReferenceUID"),
        instance=_text(data, "SOPInstanceUID"),
        series_number=_whole(data, "SeriesNumber", 0),
        acquisition=_whole(content, "FrameAcquisitionNumber", _whole(data, "AcquisitionNumber", 0)),
        image_type=image_type,
        kernel=_text(data, "ConvolutionKernel"),
        place_lps_mm=_numbers(plane, "ImagePositionPatient", 3),
        unit_axes_lps=_numbers(turned, "ImageOrientationPatient", 6),
        spacing_mm=_numbers(measured, "PixelSpacing", 2),
        slope=slope,
        inter=inter,
        tilt_deg=_number(data, "GantryDetectorTilt") or 0.0,
        padding=padding,
        practice="PRACTICE HEAD" in words,
        lossy=_text(data, "LossyImageCompression") == "01",
    )


def _inside(groups: Any, name: str) -> Any:
    """The item of a functional group, or the object itself where there is none (not enhanced)."""
    for one in groups[:-1]:
        found = one.get(name)
        if found is not None and len(found):
            return found[0]
    return groups[-1]


def _value(data: Any, name: str) -> Any:
    value = data.get(name)
    return None if value is None or value == "" else value


def _text(data: Any, name: str) -> str:
    value = _value(data, name)
    if value is None:
        return ""
    return str(value if isinstance(value, str) else value[0] if len(value) else "").strip(" \0")


def _words(data: Any, name: str) -> tuple[str, ...]:
    value = _value(data, name)
    if value is None:
        return ()
    return tuple(str(v).strip().upper() for v in ([value] if isinstance(value, str) else value))


def _number(data: Any, name: str) -> float | None:
    value = _value(data, name)
    if value is None:
        return None
    return float(value[0] if hasattr(value, "__len__") and not isinstance(value, str) else value)


def _whole(data: Any, name: str, default: int | None = None) -> int:
    value = _number(data, name)
    if value is None:
        if default is None:
            raise NotUsed("a CT that does not say how it is stored")
        return default
    return int(value)


def _numbers(data: Any, name: str, count: int) -> tuple[float, ...] | None:
    value = _value(data, name)
    if value is None or isinstance(value, str) or not hasattr(value, "__len__"):
        return None
    return tuple(float(v) for v in value) if len(value) == count else None
