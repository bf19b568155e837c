"""Names of practice heads: ``ladder:adult``, ``random:7``."""

from __future__ import annotations

from entrypoint.errors import FieldRefused
from entrypoint.rehearsal.ladder import LADDER, LadderStep

__all__ = ["check_key"]

_MOST_SEED = 2**31 - 1


def check_key(key: object) -> LadderStep | int:
    """The step of the ladder or the seed that a key names.

    Raises
    ------
    FieldRefused
        For a key that names no head.

    Examples
    --------
    >>> check_key("random:7")
    7
    >>> check_key("ladder:adult").title
    "An adult's head"
    """
    kind, _, name = key.partition(":") if isinstance(key, str) else ("", "", "")
    if kind == "ladder":
        for step in LADDER:
            if step.key == name:
                return step
    if kind == "random" and name.isascii() and name.isdigit() and len(name) <= 10:
        seed = int(name)
        if seed <= _MOST_SEED:
            return seed
    raise FieldRefused(
        found=f"there is no practice head {str(key)[:40]!r}",
        expected="ladder: with one of "
        + ", ".join(step.key for step in LADDER)
        + f", or random: with a seed from 0 to {_MOST_SEED}",
        next_step="choose one of them",
    )
