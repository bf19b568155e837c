"""Frozen models as plain values, and back: what every record is written and read with.

Read strictly: bounded, typed, no guess; fields that are not known are ignored.
"""

from __future__ import annotations

import dataclasses
import math
import types
import typing
from enum import Enum
from functools import cache
from typing import Any

import numpy as np

from entrypoint.errors import FieldRefused
from entrypoint.io.strict_json import refuse, shown

__all__ = ["build", "plain"]

_MOST_ROWS = 20_000


def plain(value: Any, where: str) -> Any:
    """A model's value as JSON holds it.

    Raises
    ------
    FieldRefused
        When a number is NaN or infinite: what cannot be known is null.
    """
    if value is None or (isinstance(value, bool | str) and not isinstance(value, Enum)):
        return value
    if isinstance(value, Enum):
        return value.value
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {
            f.name: plain(getattr(value, f.name), f"{where}.{f.name}")
            for f in dataclasses.fields(value)
        }
    if isinstance(value, np.ndarray | np.generic):
        value = value.tolist()
        return plain(value, where)
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        if not math.isfinite(value):
            raise refuse(f"{where} is {value}", "a finite number, or null", "report this error")
        return value + 0.0  # no negative zero
    if isinstance(value, dict):
        items = [(str(plain(k, where)), v) for k, v in value.items()]
        return {k: plain(v, f"{where}.{k}") for k, v in sorted(items, key=_side_order)}
    if isinstance(value, tuple | list):
        return [plain(v, where) for v in value]
    raise refuse(f"{where} holds a {type(value).__name__}", "plain values", "report this error")


def _side_order(item: tuple[str, Any]) -> tuple[int, str]:
    return (0 if item[0] == "right" else 1 if item[0] == "left" else 2, item[0])


@cache
def _hints(kind: type) -> dict[str, Any]:
    return typing.get_type_hints(kind)


def build(kind: Any, value: Any, where: str, *, top: bool = False) -> Any:
    """Plain values turned into a model's types, field by field.

    Parameters
    ----------
    kind : type
    value : plain value
    where : str
        For messages; of a record's ``top`` it is not put before the names of its fields.

    Raises
    ------
    FieldRefused
    """
    if dataclasses.is_dataclass(kind) and isinstance(kind, type):
        return _dataclass(kind, value, where, top)
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
        return build(next(a for a in args if a is not type(None)), value, where)
    if origin is np.ndarray:
        return _array(value, where)
    if origin is tuple:
        if not isinstance(value, list) or len(value) > _MOST_ROWS:
            raise refuse(f"{where} is {shown(value)}", "a list")
        return tuple(build(args[0], item, where) for item in value)
    if origin is dict:
        if not isinstance(value, dict) or len(value) > _MOST_ROWS:
            raise refuse(f"{where} is {shown(value)}", "an object")
        return {
            build(args[0], k, where): build(args[1], v, f"{where}.{shown(k)}")
            for k, v in value.items()
        }
    return _scalar(kind, value, where)


def _dataclass(kind: type, value: Any, where: str, top: bool) -> Any:
    if not isinstance(value, dict):
        raise refuse(f"{where} is {shown(value)}", "an object")
    given = {}
    for f in dataclasses.fields(kind):
        needed = f.default is dataclasses.MISSING and f.default_factory is dataclasses.MISSING
        if f.name in value:
            name = f.name if top else f"{where}.{f.name}"
            given[f.name] = build(_hints(kind)[f.name], value[f.name], name)
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
