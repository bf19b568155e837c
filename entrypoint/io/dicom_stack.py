"""Frames to stacks: sorted along the slices' normal, with an even step, and their matrix.

Order comes from position and orientation alone, never from a file's name or an instance number.
The step is the mean vector from slice to slice, so that a tilted gantry's shear is kept. Patient
coordinates of DICOM are LPS (PS3.3 C.7.6.2.1.1; check row 6.2); they become RAS here and nowhere
else.

What uneven slices can do to a millimetre decides: slices that lie within 0.1 mm of an even grid
are even; within 0.3 mm a caution names the distance; beyond, the stack is cut where the step
changes, and only a part is used that reaches from the top of the scan far enough down to hold all
that is measured (a hole below that costs nothing; one above it is refused). Limits: judgement, no
source.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import FileRefused, GeometryError, OrientationRefused
from entrypoint.io.dicom_header import Frame
from entrypoint.volume.grid import Grid

FloatArray = NDArray[np.float64]

EVEN_MM = 0.1
_UNEVEN_MM = 0.3
_EXACT_MM = 1e-4
_SAME_PLACE_MM = 0.01
_SAME_TURN = 1e-3  # of a unit vector: 0.25 mm at 250 mm
_LEAST_SLICES = 2
_MOST_TURNS = 200
_HEAD_MM = 160.0  # from the top of a head to below its nasion and inion, with room
_TILT_DEG = 0.5
RAS_FROM_LPS = np.array([-1.0, -1.0, 1.0])


@dataclass(frozen=True, slots=True, kw_only=True)
class Stack:
    """Frames of one series that share a plane, a size and a field; not yet sorted."""

    frames: tuple[Frame, ...]
    part: int = 0  # where one series makes several stacks, from 0

    @property
    def first(self) -> Frame:
        """Any one of its frames, for what they share."""
        return self.frames[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sorted:
    """A stack in order, with its grid and what was noticed on the way."""

    frames: tuple[Frame, ...]
    grid: Grid
    notes: tuple[str, ...]
    cautions: tuple[str, ...]


def stacks_of(frames: Iterable[Frame]) -> list[Stack]:
    """Frames apart by series, size, spacing, kind and orientation; the same order for any input.

    Parameters
    ----------
    frames : iterable of Frame
    """
    groups: dict[tuple[object, ...], list[Frame]] = defaultdict(list)
    for frame in frames:
        form = frame.form
        groups[
            frame.series_number, frame.study, frame.series, frame.world, form.rows, form.columns,
            frame.spacing_mm or (), frame.image_type[:3], frame.kernel,
        ].append(frame)  # fmt: skip
    found: dict[tuple[str, str], list[Stack]] = defaultdict(list)
    for key in sorted(groups, key=repr):
        for frames_of_one in _by_turn(groups[key]):
            for part in _by_acquisition(frames_of_one):
                found[part[0].study, part[0].series].append(Stack(frames=tuple(part)))
    return [
        replace(stack, part=k) for of_one in found.values() for k, stack in enumerate(of_one)
    ]


def sort_stack(stack: Stack) -> Sorted:
    """The frames in order and the grid that they make.

    Parameters
    ----------
    stack : Stack

    Raises
    ------
    FileRefused
        For a single slice, slices that are missing or uneven where it matters, or two at one
        place.
    OrientationRefused
        When position, orientation or spacing are missing or cannot be meant.
    """
    unit_row, unit_column, unit_normal = axes_of(stack.first)
    ordered = sorted(stack.frames, key=lambda f: (_along(f, unit_normal), f.instance, f.number))
    ordered, notes = _without_doubles(ordered, unit_normal)
    if len(ordered) < _LEAST_SLICES:
        raise FileRefused(
            found="the series holds a single slice",
            expected="a series of slices",
            next_step="give the folder of the whole series",
        )
    cautions: list[str] = []
    places = np.array([f.place_lps_mm for f in ordered])
    if _off_even_mm(places) > _UNEVEN_MM:
        ordered, said = _even_part(ordered, places, unit_normal)
        cautions.append(said)
        places = np.array([f.place_lps_mm for f in ordered])
    off_mm = _off_even_mm(places)
    if off_mm > EVEN_MM:
        cautions.append(
            f"the slices lie up to {off_mm:.2f} mm from an even spacing; they are read as even"
        )
    step = (places[-1] - places[0]) / (len(places) - 1)
    spacing = ordered[0].spacing_mm or (0.0, 0.0)
    matrix = np.eye(4)
    matrix[:3, 0] = unit_row * spacing[1]
    matrix[:3, 1] = unit_column * spacing[0]
    matrix[:3, 2] = step
    fitted = places.mean(axis=0) - 0.5 * (len(places) - 1) * step
    # The first slice's own place where the grid is exact: no rounding of a mean.
    matrix[:3, 3] = places[0] if off_mm < _EXACT_MM else fitted
    matrix[:3] *= RAS_FROM_LPS[:, None]
    cautions += _tilt(ordered, step, unit_normal)
    # As a NIfTI-1 file stores it: a series and its converted volume then are the same to the bit.
    matrix = matrix.astype(np.float32).astype(np.float64) + 0.0  # no zero with a minus
    form = ordered[0].form
    try:
        grid = Grid(shape=(form.columns, form.rows, len(ordered)), world_from_index=matrix)
    except GeometryError:
        raise _no_place("rows, columns and slices that span no volume") from None
    return Sorted(
        frames=tuple(ordered), grid=grid, notes=tuple(notes), cautions=tuple(cautions)
    )


def axes_of(frame: Frame) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Unit vectors along a row, along a column and along the normal, LPS.

    Raises
    ------
    OrientationRefused
        When they are missing, no unit vectors, or not at right angles.
    """
    if frame.unit_axes_lps is None or frame.place_lps_mm is None:
        raise _no_place("no position or orientation of its slices")
    if frame.spacing_mm is None:
        raise _no_place("no distance between its pixels")
    numbers = np.array([*frame.unit_axes_lps, *frame.place_lps_mm, *frame.spacing_mm])
    if not np.isfinite(numbers).all() or np.abs(numbers).max() > 1e6:
        raise _no_place("a position, orientation or spacing that is no usable number")
    if min(frame.spacing_mm) <= 0:
        raise _no_place("a distance between pixels that is not positive")
    row, column = np.array(frame.unit_axes_lps[:3]), np.array(frame.unit_axes_lps[3:])
    lengths = np.linalg.norm(row), np.linalg.norm(column)
    if max(abs(length - 1.0) for length in lengths) > 0.01 or abs(row @ column) > 0.01:
        raise _no_place("an orientation that is not two unit vectors at right angles")
    row, column = row / lengths[0], column / lengths[1]
    normal = np.cross(row, column)
    return row, column, normal / np.linalg.norm(normal)


def _along(frame: Frame, unit_normal: FloatArray) -> float:
    position = np.array(frame.place_lps_mm if frame.place_lps_mm is not None else (np.nan,) * 3)
    if not np.isfinite(position).all():
        raise _no_place("a position that is no usable number")
    return float(position @ unit_normal)


def _by_turn(frames: list[Frame]) -> list[list[Frame]]:
    """Apart by orientation: a localiser of two planes, reformats stored beside their source."""
    groups: list[list[Frame]] = []
    for frame in sorted(frames, key=lambda f: (repr(f.unit_axes_lps), f.instance, f.number)):
        for group in groups:
            one, other = group[0].unit_axes_lps, frame.unit_axes_lps
            if one == other or (
                one is not None
                and other is not None
                and np.abs(np.subtract(one, other)).max() <= _SAME_TURN
            ):
                group.append(frame)
                break
        else:
            groups.append([frame])
        if len(groups) > _MOST_TURNS:
            raise FileRefused(
                found=f"one series holds slices of more than {_MOST_TURNS} orientations",
                expected="slices that lie side by side",
                next_step="export the series again from its original",
            )
    return groups


def _by_acquisition(frames: list[Frame]) -> list[list[Frame]]:
    """Apart by acquisition where that leaves no two frames at one place; else all together."""
    places = [f.place_lps_mm for f in frames]
    if len({f.acquisition for f in frames}) < 2 or len(set(places)) == len(places):
        return [frames]
    groups: dict[int, list[Frame]] = defaultdict(list)
    for frame in frames:
        groups[frame.acquisition].append(frame)
    apart = [groups[number] for number in sorted(groups)]
    whole = all(len({f.place_lps_mm for f in g}) == len(g) for g in apart)
    return apart if whole and min(map(len, apart)) >= _LEAST_SLICES else [frames]


def _without_doubles(
    ordered: list[Frame], unit_normal: FloatArray
) -> tuple[list[Frame], list[str]]:
    """Drop copies of a slice; two different slices at one place are refused."""
    kept: list[Frame] = []
    dropped = 0
    for frame in ordered:
        if kept and _along(frame, unit_normal) - _along(kept[-1], unit_normal) < _SAME_PLACE_MM:
            if not _same_pixels(frame, kept[-1]):
                raise FileRefused(
                    found="the series holds two different slices at one place (two phases or "
                    "reconstructions under one number)",
                    expected="one slice at each place",
                    next_step="export the phases as series of their own",
                )
            dropped += 1
            continue
        kept.append(frame)
    said = [f"{dropped} slices were there twice, with the same pixels"] if dropped else []
    return kept, said


def _same_pixels(one: Frame, other: Frame) -> bool:
    from entrypoint.io.dicom_pixels import frame_hu

    if not np.allclose(one.place_lps_mm or (), other.place_lps_mm or (), atol=_SAME_PLACE_MM):
        return False
    return bool(np.array_equal(frame_hu(one), frame_hu(other)))


def _off_even_mm(places: FloatArray) -> float:
    """Largest distance of a slice from its place on the even grid that fits best."""
    index = np.arange(len(places)) - 0.5 * (len(places) - 1)
    step = (places[-1] - places[0]) / (len(places) - 1)
    off = places - (places.mean(axis=0) + index[:, None] * step)
    return float(np.linalg.norm(off, axis=1).max())


def _even_part(
    ordered: list[Frame], places: FloatArray, unit_normal: FloatArray
) -> tuple[list[Frame], str]:
    """The even run of slices that ends at the top of the scan, if it holds a head."""
    gaps = np.diff(places @ unit_normal)
    step = float(np.median(gaps))
    if abs(unit_normal[2]) < 0.7:
        raise _uneven(gaps, step, "in a scan whose slices are not axial")
    top_last = unit_normal[2] > 0
    count = len(ordered)
    runs: list[tuple[int, int]] = []
    start = 0
    while start < count - 1:
        end = start + 1
        while end < count - 1 and abs(gaps[end] - gaps[start]) <= EVEN_MM:
            end += 1
        runs.append((start, end + 1))
        start = end
    first, last = runs[-1] if top_last else runs[0]
    part = ordered[first:last]
    extent = abs(float((places[last - 1] - places[first]) @ unit_normal))
    even = len(part) >= _LEAST_SLICES and _off_even_mm(places[first:last]) <= _UNEVEN_MM
    if extent < _HEAD_MM or not even:
        raise _uneven(gaps, step, f"within {_HEAD_MM:.0f} mm of the top of the scan")
    return part, (
        f"the spacing of the slices changes {extent:.0f} mm below the top of the scan (missing "
        f"slices, or another step); the {count - len(part)} slices below are not used"
    )


def _uneven(gaps: FloatArray, step: float, where: str) -> FileRefused:
    widest = float(np.abs(gaps).max())
    missing = round(widest / step) - 1 if step > 0 else 0
    what = (
        f"slices are missing: a gap of {widest:.2f} mm where the step is {step:.2f} mm"
        if missing >= 1 and abs(widest - (missing + 1) * step) < 0.2 * step
        else f"the slices are unevenly spaced ({float(gaps.min()):.2f} to {widest:.2f} mm)"
    )
    return FileRefused(
        found=f"{what}, {where}",
        expected="every slice of the series, evenly spaced",
        next_step="export the whole series again, or choose another with --series",
    )


def _tilt(ordered: list[Frame], step: FloatArray, unit_normal: FloatArray) -> list[str]:
    """Compare the tilt that is stated with the one that the positions show."""
    cosine = abs(float(step @ unit_normal)) / float(np.linalg.norm(step))
    shown = float(np.degrees(np.arccos(min(1.0, cosine))))
    stated = abs(ordered[0].tilt_deg)
    if not np.isfinite(stated) or stated <= _TILT_DEG or shown > _TILT_DEG:
        return []
    from_axial = float(np.degrees(np.arccos(min(1.0, abs(float(unit_normal[2]))))))
    if abs(from_axial - stated) < 1.0:
        return []  # the slices themselves are turned, and their positions follow the turn
    return [
        f"a gantry tilt of {stated:.1f} degrees is stated that the positions of the slices do not "
        "show; the positions are believed"
    ]


def _no_place(what: str) -> OrientationRefused:
    return OrientationRefused(
        found=f"the series states {what}",
        expected="slices that say where they lie",
        next_step="export the series again from its original, or choose another with --series",
    )
