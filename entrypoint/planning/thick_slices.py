"""Whether slices are so thick that errors are wide, asked in one way by all who ask."""

from __future__ import annotations

from entrypoint.reference import value

_SLACK_MM = 1e-6  # a matrix of rotated 2.5 mm slices may say 2.5000000000000004


def thicker_than(slice_mm: float, limit: str) -> bool:
    """Whether slices are thicker than a limit of the reference table, by its key."""
    return slice_mm > value(limit) + _SLACK_MM


def are_thick(slice_mm: float) -> bool:
    """Whether errors are wide with slices of this thickness.

    Examples
    --------
    >>> are_thick(2.5), are_thick(3.0)
    (False, True)
    """
    return thicker_than(slice_mm, "slice_thick_limit")
