"""Every row by its name."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from entrypoint.errors import FieldRefused
from entrypoint.reference.heads import CRANIOMETRY, SIZE
from entrypoint.reference.kinds import Row
from entrypoint.reference.readers import DEFINITIONS, HAND
from entrypoint.reference.rules import LIMITS, RULE
from entrypoint.reference.tissue import CORRIDOR, SINUS, TISSUE

__all__ = ["ROWS", "row", "spread", "value"]

_ALL = (RULE, CRANIOMETRY, SIZE, TISSUE, SINUS, DEFINITIONS, HAND, LIMITS, CORRIDOR)
ROWS: Mapping[str, Row] = MappingProxyType({r.key: r for rows in _ALL for r in rows})


def row(key: str) -> Row:
    """Return the row of that name.

    Raises
    ------
    FieldRefused
        There is no such row.

    Examples
    --------
    >>> row("rule_midline_arc").value
    110.0
    >>> row("rule_midline")
    Traceback (most recent call last):
    ...
    entrypoint.errors.FieldRefused: No reference row is called 'rule_midline'; expected ...
    """
    found = ROWS.get(key)
    if found is None:
        near = sorted(k for k in ROWS if key.split("_")[0] in k)[:5] or sorted(ROWS)[:5]
        raise FieldRefused(
            found=f"no reference row is called {key!r}",
            expected="one of the names in entrypoint.reference.ROWS",
            next_step=f"try one of {', '.join(near)}",
        )
    return found


def value(key: str) -> float:
    """Return the value of a row."""
    return row(key).value


def spread(key: str) -> float:
    """Return the standard deviation of a row.

    Raises
    ------
    FieldRefused
        The row has none.
    """
    found = row(key).spread
    if found is None:
        raise FieldRefused(
            found=f"the reference row {key!r} has no spread",
            expected="a row with a standard deviation",
            next_step="use its value, or another row",
        )
    return found
