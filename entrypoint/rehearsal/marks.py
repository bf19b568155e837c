"""What a trainee marks and types on one head, read strictly."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import FieldRefused
from entrypoint.io.strict_json import parse, refuse, shown
from entrypoint.planning.model import Seat, Side

__all__ = ["Decision", "Marks", "marks_json", "parse_marks", "person_name"]

FloatArray = NDArray[np.float64]
_FARTHEST_MM = 5000.0  # farther from the origin than any scanner's bed
_STOP_MM, _DEPTH_MM = (0.0, 60.0), (0.0, 120.0)
_UNIT_SLACK = 0.02  # of a direction's length
_MOST_STEPS, _LONGEST_STEP_S, _LONGEST_NAME = 40, 86_400.0, 40
_KNOWN = (
    "side", "nasion_mm", "by_eye_mm", "entry_mm", "unit_inward", "stop_mm", "seat",
    "sensor_depth_mm", "decision", "seconds",
)  # fmt: skip
_NEXT = "mark or type it again"


class Decision(StrEnum):
    """What the trainee would do with this head."""

    GO = "go"
    CHANGE = "change"
    STOP = "stop"


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks:
    """One attempt on one head; points in world RAS mm.

    Parameters
    ----------
    side : Side
        The one that was chosen, the patient's.
    nasion_mm, by_eye_mm : (3,) arrays or None
        The touched nasion; the entry as guessed before any tape was laid.
    entry_mm : (3,) array
        The entry on the scalp.
    unit_inward : (3,) array or None
        Direction of the drill, into the head.
    stop_mm : float or None
        Free length of bit, from the stop's face to its very point.
    seat : Seat or None
        What the stop seats on; the sensor's depth is counted from the same surface.
    sensor_depth_mm : float or None
        Length of the sensor from that surface to its tip, along the path.
    decision : Decision or None
    seconds : mapping of step to s
    """

    side: Side
    entry_mm: FloatArray
    nasion_mm: FloatArray | None = None
    by_eye_mm: FloatArray | None = None
    unit_inward: FloatArray | None = None
    stop_mm: float | None = None
    seat: Seat | None = None
    sensor_depth_mm: float | None = None
    decision: Decision | None = None
    seconds: Mapping[str, float] = field(default_factory=dict)


def parse_marks(given: str | bytes | Mapping[str, Any], *, complete: bool = True) -> Marks:
    """Read marks from JSON.

    Parameters
    ----------
    given : JSON text, or its object
    complete : bool
        Whether nasion, direction and decision must be there, as on the page; marks collected
        elsewhere may lack them.

    Raises
    ------
    FieldRefused
        By the name of what is missing or cannot be meant.

    Examples
    --------
    >>> parse_marks('{"side": "up", "entry_mm": [0, 0, 0]}')
    Traceback (most recent call last):
    ...
    entrypoint.errors.FieldRefused: Side is 'up'; expected "right" or "left", the patient's; mark \
or type it again.
    """
    if isinstance(given, bytes):
        try:
            given = given.decode("utf-8")
        except UnicodeDecodeError:
            raise refuse("the marks are not UTF-8 text", "JSON text", _NEXT) from None
    data = parse(given, what="the marks") if isinstance(given, str) else given
    if not isinstance(data, Mapping):
        raise refuse("the marks are no object", "an object with named entries", _NEXT)
    for name in data:
        if name not in _KNOWN:
            raise refuse(f"the marks hold {shown(name)}", "one of " + ", ".join(_KNOWN), _NEXT)
    side = _choice(data.get("side"), "side", Side, '"right" or "left", the patient\'s')
    if side is None:
        raise refuse("side is missing", '"right" or "left", the patient\'s', _NEXT)
    entry = _point(data.get("entry_mm"), "entry_mm")
    if entry is None:
        raise refuse("entry_mm is missing", "a point on the scalp", _NEXT)
    seat = _choice(data.get("seat"), "seat", Seat, '"bone" or "scalp"')
    stop = _length(data.get("stop_mm"), "stop_mm", _STOP_MM)
    depth = _length(data.get("sensor_depth_mm"), "sensor_depth_mm", _DEPTH_MM)
    if seat is None and (stop is not None or depth is not None):
        raise refuse(
            "a length was typed without the surface that it starts from",
            'a seat, "bone" or "scalp"',
            "name the seat",
        )
    made = Marks(
        side=side,
        entry_mm=entry,
        nasion_mm=_point(data.get("nasion_mm"), "nasion_mm"),
        by_eye_mm=_point(data.get("by_eye_mm"), "by_eye_mm"),
        unit_inward=_direction(data.get("unit_inward")),
        stop_mm=stop,
        seat=seat,
        sensor_depth_mm=depth,
        decision=_choice(
            data.get("decision"), "decision", Decision, '"go", "change" or "stop"'
        ),
        seconds=_seconds(data.get("seconds")),
    )
    if complete:
        for name in ("nasion_mm", "unit_inward", "decision"):
            if getattr(made, name) is None:
                raise refuse(f"{name} is missing", "every step of the exercise", _NEXT)
    return made


def marks_json(marks: Marks) -> dict[str, Any]:
    """Marks as plain values, to keep or to send."""

    def listed(p: FloatArray | None) -> list[float] | None:
        return None if p is None else [float(v) for v in p]

    return {
        "side": marks.side.value,
        "nasion_mm": listed(marks.nasion_mm),
        "by_eye_mm": listed(marks.by_eye_mm),
        "entry_mm": listed(marks.entry_mm),
        "unit_inward": listed(marks.unit_inward),
        "stop_mm": marks.stop_mm,
        "seat": None if marks.seat is None else marks.seat.value,
        "sensor_depth_mm": marks.sensor_depth_mm,
        "decision": None if marks.decision is None else marks.decision.value,
        "seconds": {k: float(v) for k, v in marks.seconds.items()},
    }


def person_name(given: object) -> str:
    """A name or a number that a trainee types, in one line.

    Raises
    ------
    FieldRefused

    Examples
    --------
    >>> person_name("  No.  7 ")
    'No. 7'
    """
    plain = isinstance(given, str | int) and not isinstance(given, bool)
    text = " ".join(str(given).split()) if plain else ""
    if not text or len(text) > _LONGEST_NAME or not text.isprintable():
        raise FieldRefused(
            found="the name is empty, too long or not plain text",
            expected=f"1 to {_LONGEST_NAME} printable characters",
            next_step="type a short name or a number",
        )
    return text


def _choice(value: Any, name: str, kind: Any, words: str) -> Any:
    if value is None:
        return None
    try:
        return kind(value) if isinstance(value, str) else kind[""]
    except (ValueError, KeyError):
        raise refuse(f"{name} is {shown(value)}", words, _NEXT) from None


def _number(value: Any, name: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise refuse(f"{name} is {shown(value)}", "a number", _NEXT)
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise refuse(f"{name} is not finite", "a finite number", _NEXT)
    return number


def _length(value: Any, name: str, limits: tuple[float, float]) -> float | None:
    if value is None:
        return None
    number = _number(value, name)
    if not limits[0] <= number <= limits[1]:
        raise refuse(
            f"{name} is {number:.4g}", f"{limits[0]:.0f} to {limits[1]:.0f} mm", _NEXT
        )
    return number


def _point(value: Any, name: str) -> FloatArray | None:
    if value is None:
        return None
    if isinstance(value, np.ndarray):
        value = value.tolist()
    if not isinstance(value, list | tuple) or len(value) != 3:
        raise refuse(f"{name} is {shown(value)}", "three numbers", _NEXT)
    point = np.array([_number(v, name) for v in value])
    if float(np.abs(point).max()) > _FARTHEST_MM:
        raise refuse(f"{name} lies {np.abs(point).max():.4g} mm away", "a point of a head", _NEXT)
    return point


def _direction(value: Any) -> FloatArray | None:
    vector = _point(value, "unit_inward")
    if vector is None:
        return None
    size = float(np.linalg.norm(vector))
    if abs(size - 1.0) > _UNIT_SLACK:
        raise refuse(
            f"unit_inward has a length of {size:.4g}", "a direction of length 1", _NEXT
        )
    return np.asarray(vector / size)


def _seconds(value: Any) -> dict[str, float]:
    if value is None:
        return {}
    if not isinstance(value, Mapping) or len(value) > _MOST_STEPS:
        raise refuse(f"seconds is {shown(value)}", "seconds by the name of a step", _NEXT)
    out = {}
    for step, spent in value.items():
        if not isinstance(step, str) or not 0 < len(step) <= _LONGEST_NAME or not (
            step.isprintable()
        ):
            raise refuse("seconds holds a step without a plain name", "short names", _NEXT)
        number = _number(spent, "seconds")
        if not 0.0 <= number <= _LONGEST_STEP_S:
            raise refuse(f"seconds holds {number:.4g}", "0 to one day", _NEXT)
        out[step] = number
    return out
