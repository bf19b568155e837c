"""Who rehearses: so many places, taken by whoever types a name or a number first."""

from __future__ import annotations

import threading
from collections.abc import Iterable

from entrypoint.errors import FieldRefused
from entrypoint.rehearsal.marks import person_name


class Roster:
    """The trainees of one run of the page.

    Parameters
    ----------
    places : int
        How many different trainees may rehearse. One place needs no name.
    before : iterable of str
        Names that are kept from earlier runs: who comes back may type theirs in another case.
    """

    def __init__(self, places: int, before: Iterable[str] = ()) -> None:
        self.places = places
        self._before = {name.casefold(): name for name in before}
        self._taken: dict[str, str] = {}  # names as they were typed, by their plain form
        self._lock = threading.Lock()

    @property
    def suggested(self) -> tuple[str, ...]:
        """Names to begin with, for who has none to type."""
        return tuple(f"Trainee {n}" for n in range(1, self.places + 1))

    @property
    def taken(self) -> tuple[str, ...]:
        """Who has begun on a head, in that order."""
        with self._lock:
            return tuple(self._taken.values())

    def known(self, given: object) -> str:
        """A name as it is kept; it takes no place.

        Raises
        ------
        FieldRefused
            No name at all, or another one where there is one place.
        """
        name = person_name(self.suggested[0] if given is None else given)
        if self.places == 1 and name != self.suggested[0]:
            raise FieldRefused(
                found=f"{name!r} does not rehearse here",
                expected="one trainee, who is asked no name",
                next_step="start the page with --people for several",
            )
        with self._lock:
            return self._taken.get(name.casefold()) or self._before.get(name.casefold(), name)

    def begins(self, given: object) -> str:
        """A name as it is kept; it takes a place.

        Raises
        ------
        FieldRefused
            As :meth:`known`, and where every place is taken by others.
        """
        name = self.known(given)
        with self._lock:
            if name.casefold() not in self._taken and len(self._taken) >= self.places:
                raise FieldRefused(
                    found=f"every place is taken: {', '.join(self._taken.values())}",
                    expected=f"{self.places} trainees",
                    next_step="type one of these names, or start the page with more --people",
                )
            return self._taken.setdefault(name.casefold(), name)
