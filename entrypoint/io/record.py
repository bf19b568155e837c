"""The plan record: a plan as JSON, and back.

Written with a fixed order of keys and full precision, so that the same plan gives the same bytes.
Read strictly: bounded, no duplicate keys, no NaN or Infinity; fields that are not known are
ignored, and a higher version is refused by name.
"""

from __future__ import annotations

import dataclasses
import json
import math
import re
import types
import typing
from enum import Enum
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from entrypoint.errors import FieldRefused
from entrypoint.io.atomic import write_text
from entrypoint.io.strict_json import parse, refuse, shown
from entrypoint.planning.model import Plan

RECORD = "entrypoint.plan"
VERSION = 1
# The order that the published form of the record gives; what is not named follows in the order
# of the model.
_FIRST = (
    "caveat", "sides_note", "practice", "tool_version", "input", "rule", "findings", "looked_at",
    "landmarks", "midsagittal_plane", "coronal_suture", "sides",
)  # fmt: skip
_MOST_ROWS = 20_000
_WHAT = "the plan record"


def plan_to_dict(plan: Plan) -> dict[str, Any]:
    """A plan as plain values, in the record's order.

    Parameters
    ----------
    plan : Plan

    Raises
    ------
    FieldRefused
        When a number is NaN or infinite: what cannot be known is null.
    """
    body = {f.name: getattr(plan, f.name) for f in dataclasses.fields(plan)}
    ordered: dict[str, Any] = {"record": RECORD, "version": VERSION}
    for name in [*_FIRST, *(n for n in body if n not in _FIRST)]:
        ordered[name] = _plain(body[name], name)
    return ordered


def dumps(plan: Plan) -> str:
    """A plan as JSON text, ending in a line feed; lists of numbers stay on one line."""
    text = json.dumps(plan_to_dict(plan), indent=1, ensure_ascii=False, allow_nan=False)
    # A line feed inside a string is escaped, so a real one after a bracket is only layout.
    text = re.sub(
        r"\[\n\s+(-?[0-9][^\[\]\"{}]*?)\n\s+\]",
        lambda m: "[" + re.sub(r"\s+", " ", m.group(1)) + "]",
        text,
    )
    return text + "\n"


def loads(text: str) -> Plan:
    """A plan from JSON text.

    Parameters
    ----------
    text : str

    Raises
    ------
    FieldRefused

    Examples
    --------
    >>> loads('{"record": "entrypoint.plan", "version": 2}')
    Traceback (most recent call last):
    ...
    entrypoint.errors.FieldRefused: The plan record has version 2; expected version 1; use a newer \
version of this tool.
    """
    data = parse(text, what=_WHAT)
    if not isinstance(data, dict) or data.get("record") != RECORD:
        raise refuse('the text has no "record": "entrypoint.plan"', "a plan record")
    version = data.get("version")
    if isinstance(version, bool) or not isinstance(version, int) or version < 1:
        raise refuse(f"{_WHAT} has version {shown(version)}", f"version {VERSION}")
    if version > VERSION:
        raise refuse(
            f"{_WHAT} has version {version}",
            f"version {VERSION}",
            "use a newer version of this tool",
        )
    plan: Plan = _build(Plan, data, _WHAT)
    if not plan.sides and plan.population is None:
        raise refuse(f"{_WHAT} plans no side", "at least one side")
    return plan


def write_plan(plan: Plan, path: str | Path, *, force: bool = False) -> Path:
    """Write the record whole or not at all.

    Raises
    ------
    OutputRefused
    """
    return write_text(path, dumps(plan), force=force)


def read_plan(path: str | Path) -> Plan:
    """Read a record.

    Raises
    ------
    FileRefused, FieldRefused
    """
    from entrypoint.io.landmarks import read_text

    return loads(read_text(path, what=_WHAT))


def _plain(value: Any, where: str) -> Any:
    if value is None or (isinstance(value, bool | str) and not isinstance(value, Enum)):
        return value
    if isinstance(value, Enum):
        return value.value
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {
            f.name: _plain(getattr(value, f.name), f"{where}.{f.name}")
            for f in dataclasses.fields(value)
        }
    if isinstance(value, np.ndarray | np.generic):
        value = value.tolist()
        return _plain(value, where)
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        if not math.isfinite(value):
            raise refuse(f"{where} is {value}", "a finite number, or null", "report this error")
        return value + 0.0  # no negative zero
    if isinstance(value, dict):
        items = [(str(_plain(k, where)), v) for k, v in value.items()]
        return {k: _plain(v, f"{where}.{k}") for k, v in sorted(items, key=_side_order)}
    if isinstance(value, tuple | list):
        return [_plain(v, where) for v in value]
    raise refuse(f"{where} holds a {type(value).__name__}", "plain values", "report this error")


def _side_order(item: tuple[str, Any]) -> tuple[int, str]:
    return (0 if item[0] == "right" else 1 if item[0] == "left" else 2, item[0])


@cache
def _hints(kind: type) -> dict[str, Any]:
    return typing.get_type_hints(kind)


def _build(kind: Any, value: Any, where: str) -> Any:
    """Turn plain values into the model's types, field by field."""
    if dataclasses.is_dataclass(kind) and isinstance(kind, type):
        return _build_dataclass(kind, value, where)
    if isinstance(kind, type) and issubclass(kind, Enum):
        try:
            return kind(value)
        except ValueError:
            words = ", ".join(str(member.value) for member in kind)
            raise refuse(f"{where} is {shown(value)}", f"one of {words}") from None
    origin, args = typing.get_origin(kind), typing.get_args(kind)
    if origin in (typing.Union, types.UnionType):
        if value is None and type(None) in args:
            return None
        return _build(next(a for a in args if a is not type(None)), value, where)
    if origin is np.ndarray:
        return _array(value, where)
    if origin is tuple:
        if not isinstance(value, list) or len(value) > _MOST_ROWS:
            raise refuse(f"{where} is {shown(value)}", "a list")
        return tuple(_build(args[0], item, where) for item in value)
    if origin is dict:
        if not isinstance(value, dict) or len(value) > _MOST_ROWS:
            raise refuse(f"{where} is {shown(value)}", "an object")
        return {
            _build(args[0], k, where): _build(args[1], v, f"{where}.{shown(k)}")
            for k, v in value.items()
        }
    return _scalar(kind, value, where)


def _build_dataclass(kind: type, value: Any, where: str) -> Any:
    if not isinstance(value, dict):
        raise refuse(f"{where} is {shown(value)}", "an object")
    given = {}
    for f in dataclasses.fields(kind):
        needed = f.default is dataclasses.MISSING and f.default_factory is dataclasses.MISSING
        if f.name in value:
            name = f.name if where == _WHAT else f"{where}.{f.name}"
            given[f.name] = _build(_hints(kind)[f.name], value[f.name], name)
        elif needed:
            raise refuse(f"{where} has no {f.name}", f"the field {f.name}")
    return kind(**given)


def _scalar(kind: Any, value: Any, where: str) -> Any:
    if kind is bool:
        if not isinstance(value, bool):
            raise refuse(f"{where} is {shown(value)}", "true or false")
        return value
    if kind is float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise refuse(f"{where} is {shown(value)}", "a number")
        return float(value)
    if kind is int:
        if isinstance(value, bool) or not isinstance(value, int):
            raise refuse(f"{where} is {shown(value)}", "a whole number")
        return value
    if kind is str:
        if not isinstance(value, str):
            raise refuse(f"{where} is {shown(value)}", "a text")
        return value
    raise FieldRefused(
        found=f"{where} has a type that cannot be read",
        expected="a known type",
        next_step="report this error",
    )


def _array(value: Any, where: str) -> Any:
    rows = where.rsplit(".", 1)[-1] == "curve_mm"
    triples = value if rows else [value]
    if not isinstance(triples, list) or len(triples) > _MOST_ROWS:
        raise refuse(f"{where} is {shown(value)}", "a list of points")
    for triple in triples:
        if (
            not isinstance(triple, list)
            or len(triple) != 3
            or any(isinstance(x, bool) or not isinstance(x, int | float) for x in triple)
        ):
            raise refuse(f"{where} is {shown(triple)}", "three numbers")
    array = np.array(triples, dtype=np.float64).reshape(-1, 3)
    array = array if rows else array[0]
    array.setflags(write=False)
    return array
