"""Reading a head CT from a DICOM series: a folder, a zip archive or one multi-frame object.

The hash is that of NIfTI (stored voxels with shape, type, scaling and matrix). Matrix and scaling
are rounded to single precision, as a NIfTI-1 file holds them (0.00002 mm), so that a series has
one hash whatever its files are called, however they are compressed or ordered, and its converted
NIfTI volume has the same.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import FileRefused
from entrypoint.io.body import LARGEST_RATIO, hashed_beside, new_digest
from entrypoint.io.calibration import read_calibration
from entrypoint.io.dicom_choose import Series, choose, numbered
from entrypoint.io.dicom_header import SYNTAXES, Frame, NotUsed, quiet, read_frames
from entrypoint.io.dicom_pixels import read_pixels, scaling_of
from entrypoint.io.dicom_source import Blob, open_blobs
from entrypoint.io.dicom_stack import Sorted, stacks_of
from entrypoint.io.nifti import LoadedVolume, file_facts, voxel_meta
from entrypoint.io.nifti_header import LARGEST_VOXEL_COUNT
from entrypoint.io.orientation import Placed, check_size, shear_deg
from entrypoint.volume.volume import Volume

_SPARE_BYTES = 1 << 20
_LOSSY = ("lossy", "near-lossless")


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What a folder or archive holds."""

    series: tuple[Series, ...]
    others: dict[str, int]  # what was not used: a fixed phrase, and how many files

    @property
    def damaged(self) -> int:
        """How many objects would perhaps be slices, but cannot be read."""
        return sum(n for words, n in self.others.items() if "damaged" in words or "cut" in words
                   or "fewer" in words or "cannot be read" in words)  # fmt: skip


def read_dicom(path: str | Path, series: str | int | None = None) -> LoadedVolume:
    """Read one CT series.

    Parameters
    ----------
    path : folder, zip archive or file
    series : str, int or None
        A number of the list, or a series instance UID; without it one is chosen by rule.

    Raises
    ------
    FileRefused, OrientationRefused, UnitRefused, FieldRefused
        With what was found, what was expected and what to do.
    """
    with open_blobs(Path(path)) as blobs:
        found = _look(blobs)
        chosen, notes = choose(found.series, series)
        assert chosen.sorted is not None
        ordered = chosen.sorted
        check_size(ordered.grid, "mm")
        _check_amount(ordered.frames)
        stored, sha256, slope, inter = _voxels(ordered)
    readings = read_calibration(stored, slope, inter)
    volume = Volume(
        grid=ordered.grid, stored=stored, slope=slope, inter=inter + readings.offset_hu
    )
    facts = file_facts(
        Placed(
            grid=ordered.grid, source="dicom", differ_mm=None, unusable=None,
            sizes_disagree=False, shear_deg=shear_deg(ordered.grid),
        ),
        readings,
        unit="mm",
        dtype=stored.dtype.name,
        slope=slope,
        inter=inter,
        practice=all(f.practice for f in ordered.frames),
        notes=(*notes, *ordered.notes),
        cautions=(*ordered.cautions, *_doubts(found, ordered)),
    )  # fmt: skip
    return LoadedVolume(volume=volume, sha256=sha256, facts=facts)


def find_series(path: str | Path) -> Found:
    """List the series of a folder, an archive or a file; the voxels are not read.

    Raises
    ------
    FileRefused
        When it cannot be read, or holds no CT at all.
    """
    with open_blobs(Path(path)) as blobs:
        return _look(blobs)


def _look(blobs: list[Blob]) -> Found:
    frames: list[Frame] = []
    others: Counter[str] = Counter()
    with quiet():
        for blob in blobs:
            try:
                frames += read_frames(blob)
            except NotUsed as reason:
                others[str(reason)] += 1
    if not frames:
        raise FileRefused(
            found="there is no slice of a CT in it" + _counted(others),
            expected="a CT series in DICOM, or a NIfTI volume",
            next_step="give the folder of the series",
        )
    return Found(series=tuple(numbered(stacks_of(frames))), others=dict(others))


def _counted(others: Counter[str]) -> str:
    said = [f"{words} ({n} files)" if n > 1 else words for words, n in others.most_common(5)]
    return f" ({'; '.join(said)})" if said else " (it is empty)"


def _check_amount(frames: tuple[Frame, ...]) -> None:
    """Refuse what is too large, or more than its files can hold, before memory is taken."""
    form = frames[0].form
    count = form.rows * form.columns * len(frames)
    if count > LARGEST_VOXEL_COUNT:
        raise FileRefused(
            found=f"the series holds {count:.3g} voxels",
            expected=f"at most {LARGEST_VOXEL_COUNT:.3g}",
            next_step="crop it, or choose another series with --series",
        )
    held = {id(f.blob): f.blob.size for f in frames}
    if sum(f.form.frame_bytes for f in frames) > sum(held.values()) * LARGEST_RATIO + _SPARE_BYTES:
        raise FileRefused(
            found="the series promises more pixels than its files can hold",
            expected="a whole series",
            next_step="copy or export it again",
        )


def _voxels(ordered: Sorted) -> tuple[NDArray[Any], str, float, float]:
    """Stored voxels (first axis fastest), their hash, slope and intercept."""
    scaling = scaling_of(ordered.frames)
    ni, nj, nk = ordered.grid.shape
    digest = new_digest()
    digest.update(
        voxel_meta(ordered.grid, scaling.dtype, slope=scaling.slope, inter=scaling.inter)
    )
    stack = np.empty((nk, nj, ni), dtype=scaling.dtype)
    with quiet(), hashed_beside(digest) as feed:
        for plane in read_pixels(ordered.frames, scaling, stack):
            feed(plane.reshape(-1).view(np.uint8).data)
    stack.setflags(write=False)
    return stack.transpose(2, 1, 0), digest.hexdigest(), scaling.slope, scaling.inter


def _doubts(found: Found, ordered: Sorted) -> tuple[str, ...]:
    said = []
    if found.damaged:
        said.append(
            f"{found.damaged} files of the input are damaged or cut short and were left out; "
            "slices at an end of the series may be missing"
        )
    kinds = {SYNTAXES.get(f.form.syntax, "") for f in ordered.frames}
    if any(f.lossy for f in ordered.frames) or any(w in k for k in kinds for w in _LOSSY):
        said.append(
            "the pictures were compressed with loss: edges of skin and bone may have moved, and "
            "the errors given do not know of it"
        )
    return tuple(said)
