"""Everything that the command line does, in a few lines of Python.

Each function reads or plans one thing; planning itself is in :mod:`entrypoint.planning`.
"""

from __future__ import annotations

from collections.abc import Iterator
from importlib import import_module
from typing import Any

from entrypoint.api.after import after_ct
from entrypoint.api.check import check_ct, check_text, read_plan_or_path
from entrypoint.api.common import BOTH_SIDES, plan_text, read_surface, read_volume
from entrypoint.api.on_ct import map_ct, plan_ct, plan_ct_with_parts, vary_ct
from entrypoint.api.page import report
from entrypoint.api.without_bone import plan_landmarks, plan_scalp, plan_tape
from entrypoint.io.landmarks import read_landmarks
from entrypoint.io.record import read_plan, write_plan

__all__ = [
    "BOTH_SIDES",
    "after_ct",
    "check_ct",
    "check_text",
    "draw",
    "map_ct",
    "plan_ct",
    "plan_ct_with_parts",
    "plan_landmarks",
    "plan_scalp",
    "plan_tape",
    "plan_text",
    "read_landmarks",
    "read_plan",
    "read_plan_or_path",
    "read_surface",
    "read_volume",
    "report",
    "teach",
    "vary_ct",
    "write_plan",
]


def teach(*given: Any, **options: Any) -> Iterator[Any]:
    """Draw teaching figures: :func:`entrypoint.figures.teach.plates.teach`, loaded late."""
    made: Iterator[Any] = import_module("entrypoint.figures.teach.plates").teach(*given, **options)
    return made


def draw(*given: Any, **options: Any) -> Iterator[Any]:
    """Draw the pictures of a plan: :func:`entrypoint.figures.pictures.draw`, loaded late."""
    drawn: Iterator[Any] = import_module("entrypoint.figures.pictures").draw(*given, **options)
    return drawn
