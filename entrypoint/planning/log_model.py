"""The log of what was done: fixed fields, roles, no free text, no person.

Each entry is one line of the log. It carries the hash of the entry before it, so that a change of
an earlier entry shows; a correction is a new entry that names the old one.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, fields
from enum import StrEnum

from entrypoint.planning.model import CAVEAT, Seat, Side

__all__ = [
    "DEVICE_PATTERN",
    "FIRST",
    "Complication",
    "Done",
    "LogEntry",
    "Role",
    "Torn",
    "is_device_reference",
]

FIRST = "0" * 64  # stands for the entry before the first
# Capital letters, digits, full stops, strokes and hyphens, at least three digits: a catalogue or
# lot number, and no place for a name.
DEVICE_PATTERN = re.compile(r"(?=(?:[^0-9]*[0-9]){3})[A-Z0-9][A-Z0-9./-]{2,23}")


class Role(StrEnum):
    """Who did it, or wrote it down: a role, never a person."""

    OPERATOR = "operator"
    SUPERVISOR = "supervisor"
    ASSISTANT = "assistant"
    NURSE = "nurse"
    SECOND_CHECKER = "second-checker"
    RECORDER = "recorder"


class Complication(StrEnum):
    """What was noticed, by name; never a diagnosis made here."""

    NONE_NOTED = "none-noted"
    SCALP_BLEEDING = "scalp-bleeding"
    BLEEDING_THROUGH_BOLT = "bleeding-through-bolt"
    FLUID_THROUGH_BOLT = "fluid-through-bolt"
    DRILL_PAST_STOP = "drill-past-stop"
    DURA_NOT_OPENED = "dura-not-opened"
    SENSOR_DID_NOT_PASS = "sensor-did-not-pass"
    SENSOR_MOVED = "sensor-moved"
    BOLT_LOOSE = "bolt-loose"
    NO_SIGNAL = "no-signal"
    DEVICE_FAULT = "device-fault"
    WRONG_SIDE = "wrong-side"
    SECOND_HOLE = "second-hole"
    ABANDONED = "abandoned"
    INFECTION_SUSPECTED = "infection-suspected"


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """What an entry says was done or read; null: not said."""

    drill_depth_mm: float | None = None  # as the stop was set
    stop_seat: Seat | None = None
    sensor_depth_mm: float | None = None  # below the inner table, as intended by the operator
    sensor_from_bolt_top_mm: float | None = None
    engagement_mm: float | None = None
    half_turns: float | None = None
    device_reference: str | None = None
    zero_reference_mmhg: float | None = None
    first_reading_mmhg: float | None = None
    complications: tuple[Complication, ...] = ()

    def says_nothing(self) -> bool:
        """Whether every field is empty."""
        return all(getattr(self, f.name) in (None, ()) for f in fields(self))


@dataclass(frozen=True, slots=True, kw_only=True)
class Torn:
    """A line before this entry that was never finished: kept, and named by its hash."""

    n_bytes: int
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LogEntry:
    """One line of the log: the record ``entrypoint.log``, version 1."""

    number: int
    written: str  # time of writing, by the clock of this computer, UTC
    done_at: str  # time of what was done, as typed, UTC
    plan_sha256: str  # of the plan record's text
    plan_name: str  # the plan's short code or label
    side: Side
    role: Role
    done: Done
    previous: str  # hash of the entry before, or 64 noughts
    sha256: str  # of this entry without this field
    corrects: int | None = None  # number of the entry that this one stands for
    torn: Torn | None = None
    practice: bool = False
    tool_version: str = ""
    caveat: str = CAVEAT


def is_device_reference(text: str) -> bool:
    """Whether a text has the form of a device's reference number.

    Examples
    --------
    >>> is_device_reference("LOT-2201-7"), is_device_reference("SMITH"), is_device_reference("a12")
    (True, False, False)
    """
    return DEVICE_PATTERN.fullmatch(text) is not None
