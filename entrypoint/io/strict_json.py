"""JSON read strictly: bounded, no duplicate keys, no NaN or Infinity, no control characters."""

from __future__ import annotations

import json
import math
from typing import Any

from entrypoint.errors import FieldRefused

LARGEST_JSON_BYTES = 16 * 2**20
_LONGEST_STRING = 20_000
_DEEPEST = 40


def parse(text: str, *, what: str) -> Any:
    """Parse JSON.

    Parameters
    ----------
    text : str
    what : str
        Name of the thing for messages, e.g. ``"the landmark file"``.

    Raises
    ------
    FieldRefused

    Examples
    --------
    >>> parse('{"a": 1, "a": 2}', what="the record")
    Traceback (most recent call last):
    ...
    entrypoint.errors.FieldRefused: The record holds 'a' twice; expected each name once; correct \
the file.
    """
    if len(text) > LARGEST_JSON_BYTES:
        raise refuse(f"{what} is {len(text)} characters long", f"at most {LARGEST_JSON_BYTES}")

    def pairs(items: list[tuple[str, Any]]) -> dict[str, Any]:
        result = dict(items)
        if len(result) != len(items):
            seen: set[str] = set()
            for name, _ in items:
                if name in seen:
                    raise refuse(f"{what} holds {shown(name)} twice", "each name once")
                seen.add(name)
        return result

    def constant(word: str) -> Any:
        raise refuse(f"{what} holds {word}", "finite numbers")

    try:
        value = json.loads(text, object_pairs_hook=pairs, parse_constant=constant)
    except RecursionError:
        raise refuse(f"{what} is nested too deeply", "a plain record") from None
    except FieldRefused:
        raise
    except ValueError as error:
        place = getattr(error, "lineno", None)
        where = f" (line {place})" if place else ""
        raise refuse(f"{what} is not valid JSON{where}", "JSON text") from None
    _check(value, what, 0)
    return value


def _check(value: Any, what: str, depth: int) -> None:
    if depth > _DEEPEST:
        raise refuse(f"{what} is nested too deeply", "a plain record")
    if isinstance(value, dict):
        for name, item in value.items():
            _check(name, what, depth + 1)
            _check(item, what, depth + 1)
    elif isinstance(value, list):
        for item in value:
            _check(item, what, depth + 1)
    elif isinstance(value, float):
        if not math.isfinite(value):
            raise refuse(f"{what} holds a number that is not finite", "finite numbers")
    elif isinstance(value, int):
        if abs(value) > 10**300:
            raise refuse(f"{what} holds a number that is far too large", "plain numbers")
    elif isinstance(value, str):
        if len(value) > _LONGEST_STRING:
            raise refuse(f"{what} holds a text of {len(value)} characters", "short texts")
        if not clean(value):
            raise refuse(f"{what} holds control characters", "plain text")


def clean(text: str) -> bool:
    """Whether a text holds no control characters (terminal commands among them)."""
    return all(c in "\n\t" or (c.isprintable() or c == "\u00a0") for c in text)


def shown(value: Any) -> str:
    """A value for a message: short, printable, on one line."""
    text = ascii(value)
    return text if len(text) <= 60 else text[:57] + "..."


def refuse(found: str, expected: str, next_step: str = "correct the file") -> FieldRefused:
    """A named refusal of a field."""
    return FieldRefused(found=found, expected=expected, next_step=next_step)
