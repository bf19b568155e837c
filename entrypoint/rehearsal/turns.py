"""Who is on which head: heads put on stage once for all browsers, and the turns taken on them."""

from __future__ import annotations

import secrets
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from entrypoint.errors import FieldRefused
from entrypoint.planning.model import Seat
from entrypoint.rehearsal.heads import StageHead, stage_head
from entrypoint.rehearsal.wire import mesh_bytes

__all__ = ["Shown", "StagedHead", "Stages", "Turn", "Turns"]

_HEADS_KEPT = 4  # a head is some 30 MB of voxels; one's own scan can be 200
_TURNS_KEPT = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """What a level of practice shows before the truth."""

    numbers: bool  # centimetres on the tape
    midline: bool
    suture: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class StagedHead:
    """A head with its mesh as bytes for the browser."""

    head: StageHead
    mesh: bytes


@dataclass(slots=True, kw_only=True)
class Turn:
    """One trainee on one head, from choosing it to the reveal; the answer is given once."""

    code: str
    key: str
    person: str
    side_asked: str
    shown: Shown
    seat_asked: Seat | None = None
    told: str | None = None  # by whoever wrote the session
    number: int | None = None  # of the head in a session, from 1
    answer: dict[str, Any] | None = None
    lock: threading.Lock = field(default_factory=threading.Lock)


class Stages:
    """Heads on stage, made when they are first asked for and shared by all browsers.

    Parameters
    ----------
    cache : Path or None
        Folder in which made volumes are kept between runs.
    own : callable, optional
        Puts the user's own scan on stage; asked for under the key ``volume``.
    """

    def __init__(self, cache: Path | None, own: Callable[[], StageHead] | None = None) -> None:
        self._cache = cache
        self._own = own
        self._lock = threading.Lock()
        self._locks: dict[str, threading.Lock] = {}
        self._heads: OrderedDict[str, StagedHead] = OrderedDict()

    def get(self, key: str) -> StagedHead:
        """A head by its key.

        Raises
        ------
        FieldRefused, InputError, MeasurementError
        """
        with self._lock:
            if key in self._heads:
                self._heads.move_to_end(key)
                return self._heads[key]
            lock = self._locks.setdefault(key, threading.Lock())
        try:
            with lock:  # two browsers that ask for one head wait for the same one
                with self._lock:
                    if key in self._heads:
                        return self._heads[key]
                if key == "volume" and self._own is not None:
                    head = self._own()
                else:
                    head = stage_head(key, cache=self._cache)
                staged = StagedHead(head=head, mesh=mesh_bytes(head.points_mm, head.faces))
                with self._lock:
                    self._heads[key] = staged
                    while len(self._heads) > _HEADS_KEPT:
                        self._heads.popitem(last=False)
                return staged
        finally:
            with self._lock:
                self._locks.pop(key, None)


class Turns:
    """Turns that are under way or were just revealed, the oldest forgotten first."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._turns: OrderedDict[str, Turn] = OrderedDict()

    def begin(self, **of: Any) -> Turn:
        """A new turn; arguments as of :class:`Turn`, without its code."""
        turn = Turn(code=secrets.token_urlsafe(9), **of)
        with self._lock:
            self._turns[turn.code] = turn
            while len(self._turns) > _TURNS_KEPT:
                self._turns.popitem(last=False)
        return turn

    def get(self, code: str) -> Turn:
        """A turn by its code.

        Raises
        ------
        FieldRefused
            Unknown here, for example after the command was started again.
        """
        with self._lock:
            turn = self._turns.get(code)
        if turn is None:
            raise FieldRefused(
                found="this turn is not known here",
                expected="a head that was chosen since the command was started",
                next_step="choose the head again; what was revealed before is kept",
            )
        return turn
