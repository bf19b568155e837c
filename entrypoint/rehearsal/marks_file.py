"""Marks collected elsewhere: digitised points in a CSV file, scored without the page.

One row a point; the rows of one person and attempt belong together::

    # coordinate_space: RAS
    # unit: mm
    # head: ladder:adult
    person,attempt,side,mark,x,y,z,stop_mm,seat,sensor_depth_mm,decision
    7,1,right,nasion,-2.0,83.2,-29.0,,,,
    7,1,right,entry,31.9,67.6,68.9,6,bone,21,go
    7,1,right,along,15.0,45.2,52.3,,,,

``along`` is a second point on the drill's axis, deeper in the head than the entry. A space, a unit
and a side are never assumed. Only ``person``, ``side``, ``mark``, ``x``, ``y`` and ``z`` are
needed.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import EntrypointError, FieldRefused, UnitRefused
from entrypoint.io.landmarks import read_text
from entrypoint.io.strict_json import clean, refuse, shown
from entrypoint.rehearsal.marks import Marks, parse_marks, person_name

if TYPE_CHECKING:
    from entrypoint.planning.model import Seat, Side
    from entrypoint.rehearsal.heads import StageHead
    from entrypoint.rehearsal.scoring import Score

__all__ = ["MarkedSet", "PersonMarks", "Scored", "parse_marked", "read_marked", "score_all"]

FloatArray = NDArray[np.float64]
_FIX = "see the file of marks in the README"
_MOST_ROWS = 20_000
_SPACES = {"RAS": (1.0, 1.0, 1.0), "LPS": (-1.0, -1.0, 1.0)}
_MM_PER = {"mm": 1.0, "cm": 10.0, "m": 1000.0}
_POINTS = {"nasion": "nasion_mm", "by_eye": "by_eye_mm", "entry": "entry_mm", "along": "along"}
_TYPED = ("stop_mm", "seat", "sensor_depth_mm", "decision")
_NEEDED = ("person", "side", "mark", "x", "y", "z")
_COLUMNS = (*_NEEDED, "attempt", *_TYPED)
_SHORTEST_MM = 2.0  # between entry and a second point of the drill's axis


@dataclass(frozen=True, slots=True, kw_only=True)
class PersonMarks:
    """The marks of one attempt of one person."""

    person: str
    attempt: str
    marks: Marks


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkedSet:
    """What a file of marks holds; ``head`` where it names one."""

    head: str | None
    attempts: tuple[PersonMarks, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scored:
    """One attempt with its score, or with why it has none."""

    person: str
    attempt: str
    score: Score | None
    refused: str = ""


def read_marked(path: str | Path) -> MarkedSet:
    """Read a file of marks.

    Raises
    ------
    FileRefused, FieldRefused, UnitRefused
    """
    return parse_marked(read_text(path, what="the file of marks"))


def parse_marked(text: str) -> MarkedSet:
    """Parse the text of a file of marks.

    Raises
    ------
    FieldRefused, UnitRefused
        With the row that is meant.

    Examples
    --------
    >>> parse_marked("# unit: mm\\nperson,side,mark,x,y,z\\n7,right,entry,1,2,3")
    Traceback (most recent call last):
    ...
    entrypoint.errors.FieldRefused: The file of marks states no coordinate_space; expected "RAS" \
or "LPS"; see the file of marks in the README.
    """
    if not clean(text.replace("\r", "")):
        raise refuse("the file of marks holds control characters", "plain text", _FIX)
    notes: dict[str, str] = {}
    lines: list[str] = []
    for line in text.splitlines():
        if line.lstrip().startswith("#"):
            key, _, value = line.lstrip("# \t").partition(":")
            notes[key.strip().lower()] = value.strip()
        elif line.strip():
            lines.append(line)
    space, unit = notes.get("coordinate_space", notes.get("space")), notes.get("unit")
    if space is None or space.upper() not in _SPACES:
        found = "states no coordinate_space" if not space else f"has the space {shown(space)}"
        raise refuse(f"the file of marks {found}", '"RAS" or "LPS"', _FIX)
    if unit is None or unit.lower() not in _MM_PER:
        found = "states no unit" if not unit else f"has the unit {shown(unit)}"
        raise UnitRefused(
            found=f"the file of marks {found}", expected='"mm", "cm" or "m"', next_step=_FIX
        )
    scale = np.array(_SPACES[space.upper()]) * _MM_PER[unit.lower()]
    gathered: dict[tuple[str, str], dict[str, Any]] = {}
    for number, cells in _rows(lines):
        _take(gathered, number, cells, scale)
    return MarkedSet(
        head=notes.get("head") or None,
        attempts=tuple(
            PersonMarks(person=person, attempt=attempt, marks=_marks(person, given))
            for (person, attempt), given in gathered.items()
        ),
    )


def _rows(lines: list[str]) -> list[tuple[int, dict[str, str]]]:
    if not lines:
        raise refuse("the file of marks holds no rows", "columns " + ", ".join(_NEEDED), _FIX)
    if len(lines) > _MOST_ROWS:
        raise refuse(f"the file of marks holds {len(lines)} rows", f"at most {_MOST_ROWS}", _FIX)
    try:
        rows = list(csv.reader(io.StringIO("\n".join(lines)), strict=True))
    except csv.Error:
        raise refuse("the file of marks is not valid CSV", "one row a point", _FIX) from None
    head = [cell.strip().lower() for cell in rows[0]]
    if not set(_NEEDED) <= set(head) or len(set(head)) != len(head):
        raise refuse(
            f"the first row of the file of marks is {shown(','.join(rows[0]))}",
            "the column names " + ", ".join(_NEEDED) + ", each once",
            _FIX,
        )
    for name in head:
        if name not in _COLUMNS:
            raise refuse(f"there is a column {shown(name)}", "some of " + ", ".join(_COLUMNS), _FIX)
    out = []
    for number, row in enumerate(rows[1:], start=2):
        if len(row) != len(head):
            raise refuse(f"row {number} has {len(row)} cells", f"{len(head)}, as its heading", _FIX)
        out.append((number, dict(zip(head, (cell.strip() for cell in row), strict=True))))
    return out


def _take(
    gathered: dict[tuple[str, str], dict[str, Any]],
    number: int,
    cells: dict[str, str],
    scale: FloatArray,
) -> None:
    """Add one row to what is gathered of its attempt."""
    where = f"row {number}"
    try:
        person = person_name(cells["person"])
        attempt = person_name(cells.get("attempt") or "1")
    except FieldRefused as error:
        raise refuse(f"{where}: {error.found}", error.expected, _FIX) from None
    given = gathered.setdefault((person, attempt), {})
    mark = cells["mark"].lower().replace("-", "_")
    if mark not in _POINTS:
        raise refuse(f"{where} has the mark {shown(cells['mark'])}", ", ".join(_POINTS), _FIX)
    name = _POINTS[mark]
    if name in given:
        raise refuse(f"{where}: {person} has the mark {mark} twice in one attempt", "once", _FIX)
    point = []
    for axis in "xyz":
        try:
            point.append(float(cells[axis]))
        except ValueError:
            raise refuse(f"{where} holds {shown(cells[axis])}", "a number", _FIX) from None
    given[name] = [float(v) for v in np.array(point) * scale]
    for key in ("side", *_TYPED):
        text = cells.get(key, "").lower()
        if not text:
            continue
        value: Any = text
        if key.endswith("_mm"):
            try:
                value = float(text)
            except ValueError:
                raise refuse(f"{where} has a {key} of {shown(text)}", "a number", _FIX) from None
        if given.setdefault(key, value) != value:
            raise refuse(f"{where}: {person} has two values of {key} in one attempt", "one", _FIX)


def _marks(person: str, given: dict[str, Any]) -> Marks:
    along = given.pop("along", None)
    try:
        marks = parse_marks(given, complete=False)
        if along is not None:
            probe = parse_marks({**given, "entry_mm": along}, complete=False)
            axis = probe.entry_mm - marks.entry_mm
            size = float(np.linalg.norm(axis))
            if size < _SHORTEST_MM:
                raise refuse(
                    f"entry and along lie {size:.1f} mm apart", f"at least {_SHORTEST_MM:g} mm", ""
                )
            marks = replace(marks, unit_inward=axis / size)
    except FieldRefused as error:
        raise refuse(f"{person}: {error.found}", error.expected, _FIX) from None
    return marks


def score_all(
    head: StageHead,
    marked: MarkedSet,
    *,
    asked_side: Side | None = None,
    asked_seat: Seat | None = None,
) -> tuple[Scored, ...]:
    """Score every attempt of a file; one that cannot be scored says why and stops no other.

    Parameters
    ----------
    head : StageHead
    marked : MarkedSet
    asked_side, asked_seat : optional
        What the exercise states.
    """
    from entrypoint.rehearsal.scoring import score

    out = []
    for one in marked.attempts:
        made, refused = None, ""
        try:
            made = score(head, one.marks, asked_side=asked_side, asked_seat=asked_seat)
        except EntrypointError as error:
            refused = str(error)
        out.append(
            Scored(person=one.person, attempt=one.attempt, score=made, refused=refused)
        )
    return tuple(out)
