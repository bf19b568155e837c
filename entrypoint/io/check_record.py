"""Paths to check, read from JSON, and the record of the check, written and read."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import UnitRefused
from entrypoint.io.atomic import write_text
from entrypoint.io.landmarks import read_text
from entrypoint.io.record_kind import RecordKind
from entrypoint.io.schema import schema_of, text_of
from entrypoint.io.strict_json import refuse, shown
from entrypoint.planning.given_path_model import GivenPath, PathCheck
from entrypoint.planning.model import Side

__all__ = [
    "CHECK",
    "MOST_PATHS",
    "PATHS",
    "Space",
    "check_schema",
    "check_schema_text",
    "checked_paths",
    "dumps_check",
    "in_world",
    "loads_check",
    "loads_paths",
    "paths_schema",
    "paths_schema_text",
    "read_check",
    "read_paths",
    "write_check",
]

FloatArray = NDArray[np.float64]
MOST_PATHS = 50
_LONGEST_LABEL = 40
_FARTHEST_MM = 5000.0  # beyond any scanner's bed: a slip of unit or of a decimal point
_FIX = "see the file of paths in the README"


class Space(StrEnum):
    """Which way the first two numbers of a point run."""

    RAS = "RAS"
    LPS = "LPS"


@dataclass(frozen=True, slots=True, kw_only=True)
class FilePath:
    """One path: a label, the patient's side, a point of the skin, and one of tip, along, square."""

    label: str
    side: Side
    skin_point_mm: FloatArray
    tip_point_mm: FloatArray | None = None
    along_mm: FloatArray | None = None
    square: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class FilePaths:
    """Candidate paths, world millimetres in the space that is stated."""

    coordinate_space: Space
    paths: tuple[FilePath, ...]


PATHS = RecordKind(
    name="entrypoint.paths",
    version=1,
    model=FilePaths,
    first=("coordinate_space",),
    one="a file of paths",
    the="the file of paths",
    description="Paths to be checked on a CT: world millimetres, in the space that is stated. "
    "Exactly one of tip_point_mm, along_mm (a direction into the head, of any length) and square "
    "gives the direction. Fields that are not named here are to be ignored.",
)
CHECK = RecordKind(
    name="entrypoint.check",
    version=1,
    model=PathCheck,
    first=(
        "caveat", "sides_note", "practice", "tool_version", "input", "rule", "within",
        "order_rule", "order", "findings", "paths",
    ),
    one="a check record",
    the="the check record",
    description="Paths of one's own, checked on a CT, for planning and teaching only: an order, "
    "not a choice. Positions are world RAS millimetres. Null means: not known. Fields that are "
    "not named here are to be ignored.",
)  # fmt: skip


def in_world(point: FloatArray, space: Space, name: str) -> FloatArray:
    """A point or a direction as world RAS mm.

    Raises
    ------
    FieldRefused, UnitRefused
        Not finite, or farther off than any scanner reaches.
    """
    values = np.asarray(point, dtype=np.float64)
    if not np.isfinite(values).all():
        raise refuse(f"{name} is not finite", "three finite numbers", "check the numbers")
    farthest = float(np.abs(values).max())
    if farthest > _FARTHEST_MM:
        raise UnitRefused(
            found=f"{name} lies {farthest:.4g} mm from the origin",
            expected="a position on a head, in millimetres",
            next_step="check the unit and the decimal point",
        )
    signs = np.array([-1.0, -1.0, 1.0]) if space is Space.LPS else np.ones(3)
    return np.asarray(values * signs + 0.0)


def loads_paths(text: str) -> tuple[GivenPath, ...]:
    """Paths from JSON text, in world RAS mm.

    Raises
    ------
    FieldRefused, UnitRefused

    Examples
    --------
    >>> loads_paths('{"record": "entrypoint.paths", "version": 1, "paths": []}')
    Traceback (most recent call last):
    ...
    entrypoint.errors.FieldRefused: The file of paths has no coordinate_space; expected the field \
coordinate_space; correct the file.
    """
    made = PATHS.loads(text)
    return checked_paths(_given(path, made.coordinate_space) for path in made.paths)


def _given(path: FilePath, space: Space) -> GivenPath:
    name = f"the path {shown(path.label)}"
    aims = [path.tip_point_mm is not None, path.along_mm is not None, path.square]
    if sum(aims) != 1:
        raise refuse(
            f"{name} gives {sum(aims)} of tip_point_mm, along_mm and square",
            "exactly one of them",
            _FIX,
        )

    def point(value: FloatArray | None, what: str) -> FloatArray | None:
        return None if value is None else in_world(value, space, f"{what} of {name}")

    return GivenPath(
        label=path.label,
        side=path.side,
        skin_point_mm=in_world(path.skin_point_mm, space, f"the skin point of {name}"),
        tip_point_mm=point(path.tip_point_mm, "the tip"),
        along_mm=point(path.along_mm, "the direction"),
    )


def checked_paths(paths: Any) -> tuple[GivenPath, ...]:
    """Paths as a tuple: some, not too many, each with a short label of its own.

    Raises
    ------
    FieldRefused
    """
    found = tuple(paths)
    if not 1 <= len(found) <= MOST_PATHS:
        raise refuse(f"{len(found)} paths", f"1 to {MOST_PATHS} paths", _FIX)
    seen: set[str] = set()
    for path in found:
        label = path.label
        if not label.strip() or len(label) > _LONGEST_LABEL or not label.isprintable():
            raise refuse(
                f"a path has the label {shown(label)}",
                f"1 to {_LONGEST_LABEL} printable characters",
                _FIX,
            )
        if label in seen:
            raise refuse(f"two paths are called {shown(label)}", "labels that differ", _FIX)
        seen.add(label)
        for points in (path.skin_point_mm, path.tip_point_mm, path.along_mm):
            if points is not None:
                in_world(points, Space.RAS, f"a point of the path {shown(label)}")
    return found


def read_paths(path: str | Path) -> tuple[GivenPath, ...]:
    """Read a file of paths, in world RAS mm.

    Raises
    ------
    FileRefused, FieldRefused, UnitRefused
    """
    return loads_paths(read_text(path, what=PATHS.the))


def dumps_check(check: PathCheck) -> str:
    """A check as JSON text, ending in a line feed."""
    return CHECK.dumps(check)


def loads_check(text: str) -> PathCheck:
    """A check from JSON text; fields that are not known are ignored.

    Raises
    ------
    FieldRefused

    Examples
    --------
    >>> loads_check('{"record": "entrypoint.check", "version": 2}')
    Traceback (most recent call last):
    ...
    entrypoint.errors.FieldRefused: The check record has version 2; expected version 1; use a \
newer version of this tool.
    """
    made = CHECK.loads(text)
    labels = [path.label for path in made.paths]
    if not labels:
        raise refuse(f"{CHECK.the} holds no path", "at least one path")
    if len(set(labels)) != len(labels) or sorted(labels) != sorted(made.order):
        raise refuse(f"{CHECK.the} orders other paths than it holds", "each label once in both")
    return made


def write_check(check: PathCheck, path: str | Path, *, force: bool = False) -> Path:
    """Write the record whole or not at all.

    Raises
    ------
    OutputRefused
    """
    return write_text(path, dumps_check(check), force=force)


def read_check(path: str | Path) -> PathCheck:
    """Read a check record.

    Raises
    ------
    FileRefused, FieldRefused
    """
    return loads_check(read_text(path, what=CHECK.the))


def check_schema() -> dict[str, Any]:
    """The JSON Schema of the check record, made from its model."""
    return schema_of(CHECK)


def check_schema_text() -> str:
    """The same as JSON text."""
    return text_of(CHECK)


def paths_schema() -> dict[str, Any]:
    """The JSON Schema of a file of paths: exactly one way to give a direction.

    What a schema cannot say (labels that differ, points on this head) is refused by name.
    """
    made = schema_of(PATHS)
    paths, one = made["properties"]["paths"], made["$defs"]["FilePath"]
    paths |= {"minItems": 1, "maxItems": MOST_PATHS}
    one["properties"]["label"] |= {"minLength": 1, "maxLength": _LONGEST_LABEL}
    given = {"type": "array"}
    one["oneOf"] = [
        {"required": ["tip_point_mm"], "properties": {"tip_point_mm": given}},
        {"required": ["along_mm"], "properties": {"along_mm": given}},
        {"required": ["square"], "properties": {"square": {"const": True}}},
    ]
    return made


def paths_schema_text() -> str:
    """The same as JSON text."""
    import json

    return json.dumps(paths_schema(), indent=1, ensure_ascii=False) + "\n"
