"""Exercises that an educator writes: which heads, in which order, what is hidden, what passes.

One JSON file. Its schema is made from the models below, so that the two cannot differ::

    {"record": "entrypoint.session", "version": 1, "title": "Week 3",
     "heads": [{"head": "ladder:adult", "side": "right"}, {"head": "random:7", "side": "left"}],
     "hidden": ["tape-numbers"], "time_limit_s": 300,
     "pass_marks": {"entry_mm": 5, "tilt_deg": 5}}
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from entrypoint.io.landmarks import read_text
from entrypoint.io.record_kind import RecordKind
from entrypoint.io.strict_json import parse, refuse, shown
from entrypoint.planning.model import Seat, Side

if TYPE_CHECKING:
    from entrypoint.rehearsal.scoring import Score

__all__ = [
    "SESSION",
    "Hidden",
    "Order",
    "PassMarks",
    "Session",
    "SessionHead",
    "parse_session",
    "passed",
    "read_session",
    "session_schema_text",
]

_NEXT = "see entrypoint schema session"
_MOST_HEADS, _LONGEST = 100, 200
_TIME_S = (5, 86_400)


class Hidden(StrEnum):
    """What the page does not show."""

    TAPE_NUMBERS = "tape-numbers"
    SUTURE = "suture"
    MIDLINE = "midline"


class Order(StrEnum):
    """In which order the heads come."""

    AS_LISTED = "as-listed"
    SHUFFLED = "shuffled"


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionHead:
    """One exercise: a head and the side that is asked for."""

    head: str  # "ladder:adult", "random:7" or "volume" for the CT named on the command line
    side: Side
    seat: Seat | None = None  # what the stop is to seat on; null leaves it to the trainee
    text: str | None = None  # told before the exercise


@dataclass(frozen=True, slots=True, kw_only=True)
class PassMarks:
    """At most this far off; null is not judged. They never touch the judgement score."""

    nasion_mm: float | None = None
    entry_mm: float | None = None
    tilt_deg: float | None = None
    past_inner_mm: float = 3.0
    tip_error_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """A set of exercises."""

    title: str
    heads: tuple[SessionHead, ...]
    order: Order = Order.AS_LISTED
    seed: int = 0  # of a shuffled order
    hidden: tuple[Hidden, ...] = ()
    time_limit_s: int | None = None  # for each head; null is no limit
    pass_marks: PassMarks = field(default_factory=PassMarks)

    def heads_for(self, person: str) -> tuple[SessionHead, ...]:
        """The heads in the order in which one person meets them, whenever they come back."""
        if self.order is Order.AS_LISTED:
            return self.heads
        rng = np.random.default_rng([self.seed, *person.casefold().encode()])
        return tuple(self.heads[int(k)] for k in rng.permutation(len(self.heads)))

    def to_json(self) -> dict[str, Any]:
        """As plain values, in the form of the file."""
        return SESSION.to_dict(self)


SESSION: RecordKind[Session] = RecordKind(
    name="entrypoint.session",
    version=1,
    model=Session,
    first=(),
    one="a session file",
    the="the session file",
    description="A set of exercises for entrypoint rehearse. For teaching only.",
)


def read_session(path: str | Path) -> Session:
    """Read a session file.

    Raises
    ------
    FileRefused, FieldRefused
        With the name of what is wrong.
    """
    return parse_session(read_text(path, what="the session file"))


def parse_session(text: str) -> Session:
    """Parse the text of a session file.

    Raises
    ------
    FieldRefused

    Examples
    --------
    >>> parse_session('{"record": "entrypoint.session", "version": 1, "title": "A", "heads": []}')
    Traceback (most recent call last):
    ...
    entrypoint.errors.FieldRefused: The session holds 0 heads; expected 1 to 100; see entrypoint \
schema session.
    """
    made = SESSION.loads(text)
    # A misspelt limit would be left out in silence: unknown names are refused here.
    data = parse(text, what="the session file")
    _known(data, "the session", {*_names(Session), "record", "version"})
    _known(data.get("pass_marks"), "pass_marks", _names(PassMarks))
    for item in data["heads"]:
        _known(item, "a head", _names(SessionHead))
    _check(made)
    return made


def _names(model: Any) -> set[str]:
    return {f.name for f in dataclasses.fields(model)}


def _known(value: Any, where: str, names: set[str]) -> None:
    for name in value if isinstance(value, dict) else ():
        if name not in names:
            raise refuse(f"{where} holds {shown(name)}", ", ".join(sorted(names)), _NEXT)


def _check(session: Session) -> None:
    from entrypoint.rehearsal.keys import check_key

    if not 1 <= len(session.heads) <= _MOST_HEADS:
        raise refuse(
            f"the session holds {len(session.heads)} heads", f"1 to {_MOST_HEADS}", _NEXT
        )
    for text in (session.title, *(h.text for h in session.heads)):
        if text is not None and (
            not text.strip() or len(text) > _LONGEST or not text.isprintable()
        ):
            raise refuse(
                "a title or text is empty, too long or not plain", f"1 to {_LONGEST} characters",
                _NEXT,
            )  # fmt: skip
    for asked in session.heads:
        if asked.head != "volume":
            check_key(asked.head)
    if not 0 <= session.seed <= 2**31 - 1:
        raise refuse(f"seed is {session.seed}", "0 to 2147483647", _NEXT)
    limit = session.time_limit_s
    if limit is not None and not _TIME_S[0] <= limit <= _TIME_S[1]:
        raise refuse(f"time_limit_s is {limit}", f"{_TIME_S[0]} to {_TIME_S[1]}", _NEXT)
    if len(set(session.hidden)) != len(session.hidden):
        raise refuse("hidden names a thing twice", "each once", _NEXT)
    for name in PassMarks.__dataclass_fields__:
        mark = getattr(session.pass_marks, name)
        most = 90.0 if name.endswith("_deg") else 100.0
        if mark is not None and not 0.0 < mark <= most:
            raise refuse(f"pass_marks.{name} is {mark:g}", f"more than 0, at most {most:g}", _NEXT)


def session_schema_text() -> str:
    """The JSON Schema of a session file."""
    from entrypoint.io.schema import text_of

    return text_of(SESSION)


def passed(score: Score, marks: PassMarks) -> dict[str, bool | None]:
    """Whether each figure of the hand score lies within its pass mark.

    None where there is no pass mark, or no figure. The judgement score is not in it.
    """
    hand = score.hand
    figures = {
        "nasion_mm": None if hand.nasion is None else hand.nasion.along_scalp_mm,
        "entry_mm": hand.entry.along_scalp_mm,
        "tilt_deg": hand.tilt_deg,
        "past_inner_mm": hand.past_inner_mm,
        "tip_error_mm": None if hand.tip_error_mm is None else abs(hand.tip_error_mm),
    }
    out: dict[str, bool | None] = {}
    for name, figure in figures.items():
        limit = getattr(marks, name)
        out[name] = None if limit is None or figure is None else bool(figure <= limit)
    return out
