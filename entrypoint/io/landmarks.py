"""Landmark files, JSON or CSV, read into world RAS mm.

JSON::

    {"coordinate_space": "RAS", "unit": "mm",
     "landmarks": {"nasion": [0, 90, -40], "inion": [...], ...},
     "coronal_suture": [[x, y, z], ...]}

CSV: columns ``name,x,y,z`` and, above them, ``# coordinate_space: RAS`` and ``# unit: mm`` (or
columns ``space`` and ``unit``); rows named ``coronal_suture`` give the suture's points in order.
A space and a unit are never assumed.
"""

from __future__ import annotations

import csv
import hashlib
import io
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import FieldRefused, FileRefused, UnitRefused
from entrypoint.io.body import open_source
from entrypoint.io.strict_json import parse, refuse, shown

FloatArray = NDArray[np.float64]

LARGEST_FILE_BYTES = 4 * 2**20
_MM_PER = {"mm": 1.0, "cm": 10.0, "m": 1000.0}
_SPACES = {"RAS": (1.0, 1.0, 1.0), "LPS": (-1.0, -1.0, 1.0)}
# Farther from the origin than any scanner's bed: a slip of unit or of a decimal point.
_FARTHEST_MM = 5000.0
_MOST_SUTURE_POINTS = 5000

ALIASES = {
    "nasion": ("nasion", "nasion_skin", "nas", "nz"),
    "inion": ("inion", "inion_skin", "ini", "iz"),
    "left_preauricular": ("left_preauricular", "lpa", "preauricular_left", "left_tragus"),
    "right_preauricular": ("right_preauricular", "rpa", "preauricular_right", "right_tragus"),
    "bregma": ("bregma", "bregma_bone", "bregma_bone_outer"),
    "vertex": ("vertex", "vertex_skin"),
    "left_pupil": ("left_pupil", "pupil_left"),
    "right_pupil": ("right_pupil", "pupil_right"),
    "nasion_bone": ("nasion_bone",),
    "inion_bone": ("inion_bone",),
}
_NAME_OF = {alias: name for name, aliases in ALIASES.items() for alias in aliases}
SUTURE_NAMES = ("coronal_suture", "coronal_suture_outer_table")
_FIX = "see the landmark file format in the README"


@dataclass(frozen=True, slots=True, kw_only=True)
class LandmarkSet:
    """Named points in world RAS mm.

    Parameters
    ----------
    points_mm : dict of name to (3,) array, world RAS mm
    coronal_suture_mm : (n, 3) array, or None
    space, unit : as the file states them
    practice : bool
        Whether the file says that it belongs to a practice head.
    sha256 : str
        Over names and values in RAS mm, so that the file's layout does not matter.
    ignored : names that this tool does not know
    """

    points_mm: dict[str, FloatArray]
    coronal_suture_mm: FloatArray | None
    space: str
    unit: str
    practice: bool = False
    sha256: str = ""
    ignored: tuple[str, ...] = field(default=())


def read_landmarks(path: str | Path) -> LandmarkSet:
    """Read a landmark file, JSON or CSV by content.

    Raises
    ------
    FileRefused
        When the file cannot be read or is no text.
    FieldRefused, UnitRefused
        When a name, number, space or unit is missing or wrong.
    """
    return parse_landmarks(read_text(path, what="the landmark file"))


def read_text(path: str | Path, *, what: str) -> str:
    """The text of a small file.

    Raises
    ------
    FileRefused
    """
    with open_source(Path(path)) as source:
        if source.file_bytes > LARGEST_FILE_BYTES:
            raise FileRefused(
                found=f"{what} is {source.file_bytes} bytes long",
                expected=f"at most {LARGEST_FILE_BYTES}",
                next_step="check that it is the right file",
            )
        content = source.read(LARGEST_FILE_BYTES + 1)
    if len(content) > LARGEST_FILE_BYTES:
        raise FileRefused(
            found=f"{what} is too large once decompressed",
            expected=f"at most {LARGEST_FILE_BYTES} bytes",
            next_step="check that it is the right file",
        )
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise FileRefused(
            found=f"{what} is not UTF-8 text",
            expected="JSON or CSV text",
            next_step="check that it is the right file",
        ) from None


def parse_landmarks(text: str) -> LandmarkSet:
    """Parse the text of a landmark file (see the module's heading for the two forms).

    Examples
    --------
    >>> parse_landmarks('{"unit": "mm", "landmarks": {"nasion": [0, 90, -40]}}')
    Traceback (most recent call last):
    ...
    entrypoint.errors.FieldRefused: The landmark file states no coordinate_space; expected "RAS" \
or "LPS"; see the landmark file format in the README.
    """
    stripped = text.lstrip()
    if not stripped:
        raise FileRefused(
            found="the landmark file is empty", expected="JSON or CSV text", next_step=_FIX
        )
    return _from_json(text) if stripped[0] in "{[" else _from_csv(text)


def _from_json(text: str) -> LandmarkSet:
    data = parse(text, what="the landmark file")
    if not isinstance(data, dict):
        raise refuse("the landmark file is a list", "an object with named entries", _FIX)
    space = _space(data.get("coordinate_space", data.get("space")))
    unit = _unit(data.get("unit"))
    given = data.get("landmarks")
    if not isinstance(given, dict):
        raise refuse('the landmark file has no "landmarks"', "an object of named points", _FIX)
    suture = None
    for name in SUTURE_NAMES:
        found = data.get(name, given.get(name))
        if found is not None:
            suture = _points(found, name)
    practice = data.get("practice", False)
    if not isinstance(practice, bool):
        raise refuse(f'"practice" is {shown(practice)}', "true or false", _FIX)
    rows = [(n, _json_point(n, v)) for n, v in given.items() if n not in SUTURE_NAMES]
    return _build(rows, suture, space, unit, practice)


def _json_point(name: str, value: Any) -> list[float] | None:
    if isinstance(value, dict):
        for key in ("position_mm", "position", "ras", "lps", "xyz"):
            if key in value:
                return _triple(value[key], name)
        if name.strip().lower() in _NAME_OF:
            raise refuse(f"{shown(name)} has no position", "[x, y, z]", _FIX)
        return None
    if name.strip().lower() not in _NAME_OF and not isinstance(value, list):
        return None
    return _triple(value, name)


def _from_csv(text: str) -> LandmarkSet:
    notes: dict[str, str] = {}
    lines = []
    for line in text.splitlines():
        if line.lstrip().startswith("#"):
            key, _, value = line.lstrip("# \t").partition(":")
            notes[key.strip().lower()] = value.strip()
        elif line.strip():
            lines.append(line)
    if not lines:
        raise refuse("the landmark file holds no rows", "columns name, x, y, z", _FIX)
    try:
        rows = list(csv.reader(io.StringIO("\n".join(lines)), strict=True))
    except csv.Error:
        raise refuse("the landmark file is not valid CSV", "columns name, x, y, z", _FIX) from None
    head = [cell.strip().lower() for cell in rows[0]]
    if not {"name", "x", "y", "z"} <= set(head) or len(set(head)) != len(head):
        raise refuse(
            f"the first row of the landmark file is {shown(','.join(rows[0]))}",
            "the column names name, x, y, z, each once",
            _FIX,
        )
    named: list[tuple[str, list[float] | None]] = []
    suture: list[list[float]] = []
    spaces, units = {notes.get("coordinate_space", notes.get("space"))}, {notes.get("unit")}
    for number, row in enumerate(rows[1:], start=2):
        if len(row) != len(head):
            raise refuse(
                f"row {number} of the landmark file has {len(row)} cells",
                f"{len(head)}, as its heading",
                _FIX,
            )
        cells = dict(zip(head, (cell.strip() for cell in row), strict=True))
        spaces.add(cells.get("space", cells.get("coordinate_space")) or None)
        units.add(cells.get("unit") or None)
        point = [_number(cells[axis], f"row {number}") for axis in "xyz"]
        if cells["name"].lower() in SUTURE_NAMES:
            suture.append(point)
        else:
            named.append((cells["name"], point))
    return _build(
        named,
        _points(suture, "coronal_suture") if suture else None,
        _space(_only(spaces, "coordinate_space")),
        _unit(_only(units, "unit")),
        notes.get("practice", "false").lower() == "true",
    )


def _only(values: set[str | None], what: str) -> str | None:
    stated = {v for v in values if v}
    if len(stated) > 1:
        raise refuse(
            f"the landmark file states {len(stated)} different values of {what}", "one", _FIX
        )
    return next(iter(stated), None)


def _number(text: str, where: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise refuse(f"{where} holds {shown(text)}", "a number", _FIX) from None


def _space(value: Any) -> str:
    if value is None or value == "":
        raise refuse("the landmark file states no coordinate_space", '"RAS" or "LPS"', _FIX)
    if not isinstance(value, str) or value.strip().upper() not in _SPACES:
        raise refuse(f"the coordinate_space is {shown(value)}", '"RAS" or "LPS"', _FIX)
    return value.strip().upper()


def _unit(value: Any) -> str:
    if value is None or value == "":
        raise UnitRefused(
            found="the landmark file states no unit",
            expected='"mm", "cm" or "m"',
            next_step=_FIX,
        )
    if not isinstance(value, str) or value.strip().lower() not in _MM_PER:
        raise UnitRefused(
            found=f"the unit is {shown(value)}", expected='"mm", "cm" or "m"', next_step=_FIX
        )
    return value.strip().lower()


def _triple(value: Any, name: str) -> list[float]:
    if (
        not isinstance(value, list)
        or len(value) != 3
        or any(isinstance(x, bool) or not isinstance(x, int | float) for x in value)
    ):
        raise refuse(f"{shown(name)} is {shown(value)}", "three numbers [x, y, z]", _FIX)
    return [float(x) for x in value]


def _points(value: Any, name: str) -> list[list[float]]:
    if not isinstance(value, list) or not 2 <= len(value) <= _MOST_SUTURE_POINTS:
        raise refuse(
            f"{shown(name)} is not a list of 2 to {_MOST_SUTURE_POINTS} points",
            "[[x, y, z], ...]",
            _FIX,
        )
    return [_triple(point, name) for point in value]


def _build(
    rows: list[tuple[str, list[float] | None]],
    suture: list[list[float]] | None,
    space: str,
    unit: str,
    practice: bool,
) -> LandmarkSet:
    scale = np.array(_SPACES[space]) * _MM_PER[unit]
    points: dict[str, FloatArray] = {}
    ignored = []
    for given, value in rows:
        name = _NAME_OF.get(given.strip().lower())
        if name is None or value is None:
            ignored.append(given)
            continue
        if name in points:
            raise refuse(f"the landmark file holds {name} twice", "each landmark once", _FIX)
        points[name] = _in_world(np.array(value) * scale, name)
    if not points:
        known = ", ".join(ALIASES)
        raise FieldRefused(
            found="the landmark file holds no landmark that this tool knows",
            expected=f"some of {known}",
            next_step=_FIX,
        )
    curve = None
    if suture is not None:
        curve = _in_world(np.array(suture) * scale, "coronal_suture")
    return LandmarkSet(
        points_mm=dict(sorted(points.items())),
        coronal_suture_mm=curve,
        space=space,
        unit=unit,
        practice=practice,
        sha256=_hash(points, curve),
        ignored=tuple(sorted(ignored)),
    )


def _in_world(values: FloatArray, name: str) -> FloatArray:
    if not np.isfinite(values).all():
        raise refuse(f"{name} is not finite", "three finite numbers", _FIX)
    farthest = float(np.abs(values).max())
    if farthest > _FARTHEST_MM:
        raise UnitRefused(
            found=f"{name} lies {farthest:.4g} mm from the origin",
            expected="positions of a head in the stated unit",
            next_step="check the unit and the decimal point",
        )
    values = values + 0.0  # no negative zeros
    values.setflags(write=False)
    return values


def _hash(points: dict[str, FloatArray], curve: FloatArray | None) -> str:
    digest = hashlib.sha256(b"entrypoint.landmarks.1")
    for name, point in sorted(points.items()):
        digest.update(name.encode() + np.ascontiguousarray(point, dtype="<f8").tobytes())
    if curve is not None:
        digest.update(b"coronal_suture" + np.ascontiguousarray(curve, dtype="<f8").tobytes())
    return digest.hexdigest()
