"""Which series of several: a numbered list, one rule, and a refusal where the rule cannot tell.

The rule, step by step, each step only among those that the last one left: a CT whose slices are
usable and no localiser; original before derived; primary before secondary; axial before other
directions; the most slices with the head in them (within a tenth of the best); the thinnest step.
Two that are still alike, or two studies, are refused with the list: which of two kernels or two
days is wanted is not for a program to guess. Judgement, no source.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from entrypoint.errors import EntrypointError, FieldRefused, FileRefused
from entrypoint.io.dicom_pixels import frame_hu
from entrypoint.io.dicom_stack import Sorted, Stack, sort_stack

_AXIAL = 0.7  # of the slices' unit normal along the patient's long axis
_SAMPLED_SLICES = 9
_TISSUE_ABOVE_HU, _BONE_ABOVE_HU = -300.0, 300.0
# A section of a head: larger than a limb, smaller than a chest, with bone in it.
_SECTION_CM2 = (40.0, 420.0)
_BONE_CM2 = 1.5
_NEARLY = 0.9
_SAME_STEP = 0.02
_MOST_LISTED = 12
_MOST_LOOKED_AT = 40
_KNOWN_TYPES = frozenset({"ORIGINAL", "DERIVED", "PRIMARY", "SECONDARY"})
# Kernels are free text; only words and codes that cannot be a name of a person are repeated.
_KERNEL_WORDS = frozenset(
    ("standard", "soft", "bone", "boneplus", "detail", "edge", "lung", "brain", "head", "sharp",
     "smooth", "medium", "ultra")
)
_KERNEL_CODE = re.compile(r"[A-Za-z]{1,2}[0-9]{1,2}[a-z]?")


Rank = Callable[[Sequence["Series"]], list[bool]]  # True for those that a step puts behind


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """One line of the list."""

    number: int
    stack: Stack
    sorted: Sorted | None  # nothing where it cannot be used
    refusal: EntrypointError | None

    @property
    def localiser(self) -> bool:
        """Whether its pictures are localisers."""
        return "LOCALIZER" in self.stack.first.image_type

    @property
    def direction(self) -> str:
        """Axial, coronal, sagittal or oblique; empty where it is not known."""
        if self.sorted is None:
            return ""
        matrix = self.sorted.grid.world_from_index
        normal = np.cross(matrix[:3, 0], matrix[:3, 1])
        normal = np.abs(normal) / np.linalg.norm(normal)
        at = int(np.argmax(normal))
        return ("sagittal", "coronal", "axial")[at] if normal[at] > _AXIAL else "oblique"

    @property
    def step_mm(self) -> float:
        """Distance from slice to slice along the normal."""
        if self.sorted is None:
            return float("inf")
        across = np.linalg.inv(self.sorted.grid.world_from_index[:3, :3])
        return float(1.0 / np.linalg.norm(across[2]))

    def words(self) -> str:
        """What it is, in a phrase that names no person."""
        first = self.stack.first
        said = ["localiser" if self.localiser else "CT"]
        said += [w.lower() for w in first.image_type[:2] if w in _KNOWN_TYPES]
        if self.direction:
            said.append(self.direction)
        count = len(self.sorted.frames if self.sorted else self.stack.frames)
        said.append(f"{count} slices of {first.form.columns} x {first.form.rows}")
        if self.sorted is not None:
            row, column, _ = self.sorted.grid.voxel_mm
            said.append(f"{row:.2f} x {column:.2f} x {self.step_mm:.2f} mm")
        kernel = kernel_words(first.kernel)
        return ", ".join([*said, f"kernel {kernel}"] if kernel else said)


def kernel_words(kernel: str) -> str:
    """The kernel, if it is a usual word or a short code; else nothing."""
    words = re.split(r"[\s_]+", kernel.strip())
    known = all(w.lower() in _KERNEL_WORDS or _KERNEL_CODE.fullmatch(w) for w in words)
    return " ".join(words) if kernel.strip() and len(words) <= 3 and known else ""


def numbered(stacks: Sequence[Stack]) -> list[Series]:
    """Every stack with its number in the list, sorted where it can be."""
    found = []
    for number, stack in enumerate(stacks, start=1):
        ordered, refusal = None, None
        try:
            ordered = sort_stack(stack)
        except EntrypointError as error:
            refusal = error
        found.append(Series(number=number, stack=stack, sorted=ordered, refusal=refusal))
    return found


def choose(found: Sequence[Series], wanted: str | int | None) -> tuple[Series, tuple[str, ...]]:
    """One of the list, and notes on why.

    Parameters
    ----------
    found : sequence of Series
    wanted : str, int or None
        A number of the list or a series instance UID; None leaves it to the rule.

    Raises
    ------
    FieldRefused
        When what is wanted is not there, or names several.
    FileRefused
        When nothing can be used, or the rule leaves more than one.
    """
    if wanted is not None:
        chosen = _wanted(found, str(wanted).strip())
        if chosen.refusal is not None:
            raise chosen.refusal
        note = f"series {chosen.number} of {len(found)} was asked for: {chosen.words()}"
        return chosen, (note,) if len(found) > 1 else ()
    left = [s for s in found if s.sorted is not None and not s.localiser]
    if not left:
        refusals = [s.refusal for s in found if s.refusal is not None and not s.localiser]
        if len(refusals) == 1:
            raise refusals[0]
        raise FileRefused(
            found=f"none of the {len(found)} series can be used: {_listed(found)}",
            expected="a CT series of a head",
            next_step="export the series again",
        )
    if len({s.stack.first.study for s in left}) > 1:
        raise _undecided(left, "the series belong to more than one study")
    deciding = "the only one that can be used"
    for words, rank in _STEPS:
        if len(left) == 1:
            break
        ranks = rank(left)
        best = min(ranks)
        fewer = [s for s, at in zip(left, ranks, strict=True) if at <= best]
        if len(fewer) < len(left):
            deciding = words
        left = fewer
    if len(left) > 1:
        raise _undecided(left, "the rule leaves more than one series")
    chosen = left[0]
    notes = []
    if len(found) > 1:
        notes.append(
            f"series {chosen.number} of {len(found)} was chosen by rule ({deciding}): "
            f"{chosen.words()}; another can be had with --series"
        )
    passed = [s for s in found if s.refusal is not None and not s.localiser]
    notes += [f"series {s.number} cannot be used: {_short(s)}" for s in passed[:_MOST_LISTED]]
    return chosen, tuple(notes)


def _short(series: Series) -> str:
    return series.refusal.found if series.refusal is not None else ""


def _wanted(found: Sequence[Series], wanted: str) -> Series:
    of_uid = [s for s in found if s.stack.first.series == wanted]
    if len(of_uid) == 1:
        return of_uid[0]
    if len(of_uid) > 1:
        raise FieldRefused(
            found=f"the series that was asked for holds {len(of_uid)} stacks of slices: "
            f"{_listed(of_uid)}",
            expected="the number of one of them",
            next_step="give that number with --series",
        )
    if wanted.isascii() and wanted.isdigit() and len(wanted) < 8:
        for series in found:
            if series.number == int(wanted):
                return series
    raise FieldRefused(
        found="there is no such series in the input",
        expected=f"a series instance UID, or a number of the list: {_listed(found)}",
        next_step="see entrypoint inspect",
    )


def _undecided(left: Sequence[Series], why: str) -> FileRefused:
    return FileRefused(
        found=f"{why}: {_listed(left)}",
        expected="one series",
        next_step="name it with --series and its number",
    )


def _listed(found: Sequence[Series]) -> str:
    said = [f"({s.number}) {s.words()}" for s in found[:_MOST_LISTED]]
    more = len(found) - len(said)
    return "; ".join([*said, f"and {more} more"] if more > 0 else said)


def _not(word: str) -> Rank:
    return lambda left: [word not in s.stack.first.image_type for s in left]


def _not_axial(left: Sequence[Series]) -> list[bool]:
    return [s.direction != "axial" for s in left]


def _less_head(left: Sequence[Series]) -> list[bool]:
    """False for those that hold nearly as much of a head as the best does."""
    if len(left) > _MOST_LOOKED_AT:
        return [False] * len(left)  # too many to look into
    seen = [_head_mm(s) for s in left]
    return [mm < _NEARLY * max(seen) for mm in seen]


def _thicker(left: Sequence[Series]) -> list[bool]:
    thinnest = min(s.step_mm for s in left)
    return [s.step_mm > thinnest * (1.0 + _SAME_STEP) for s in left]


def _head_mm(series: Series) -> float:
    """About how many millimetres along the slices' normal show a section of a head."""
    assert series.sorted is not None
    frames = series.sorted.frames
    count = min(len(frames), _SAMPLED_SLICES)
    at = np.unique(np.linspace(0, len(frames) - 1, count).round().astype(int))
    size = series.sorted.grid.voxel_mm
    area_cm2 = size[0] * size[1] / 100.0
    shown = 0
    for k in at:
        try:
            hu = frame_hu(frames[k])[::2, ::2]
        except EntrypointError:
            continue
        section = 4.0 * area_cm2 * float((hu > _TISSUE_ABOVE_HU).sum())
        bone = 4.0 * area_cm2 * float((hu > _BONE_ABOVE_HU).sum())
        shown += _SECTION_CM2[0] <= section <= _SECTION_CM2[1] and bone >= _BONE_CM2
    return shown / len(at) * series.step_mm * len(frames)


_STEPS: tuple[tuple[str, Rank], ...] = (
    ("original before derived", _not("ORIGINAL")),
    ("primary before secondary", _not("PRIMARY")),
    ("axial before other directions", _not_axial),
    ("the most slices with the head in them", _less_head),
    ("the thinnest slices", _thicker),
)
