"""The plan record: a plan as JSON, and back."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from entrypoint.io.atomic import write_text
from entrypoint.io.record_kind import RecordKind
from entrypoint.io.strict_json import refuse
from entrypoint.planning.model import Plan

PLAN = RecordKind(
    name="entrypoint.plan",
    version=1,
    model=Plan,
    # The order that the published form of the record gives.
    first=(
        "caveat", "sides_note", "practice", "tool_version", "input", "rule", "findings",
        "looked_at", "landmarks", "midsagittal_plane", "coronal_suture", "sides",
    ),
    one="a plan record",
    the="the plan record",
    description="A cranial entry plan, for planning and teaching only. Positions are world "
    "RAS millimetres. Null means: cannot be known from this input. Fields that are not named "
    "here may be present and are to be ignored.",
)  # fmt: skip


def plan_to_dict(plan: Plan) -> dict[str, Any]:
    """A plan as plain values, in the record's order.

    Raises
    ------
    FieldRefused
        When a number is NaN or infinite: what cannot be known is null.
    """
    return PLAN.to_dict(plan)


def dumps(plan: Plan) -> str:
    """A plan as JSON text, ending in a line feed; lists of numbers stay on one line."""
    # A line feed inside a string is escaped, so a real one after a bracket is only layout.
    return re.sub(
        r"\[\n\s+(-?[0-9][^\[\]\"{}]*?)\n\s+\]",
        lambda m: "[" + re.sub(r"\s+", " ", m.group(1)) + "]",
        PLAN.dumps(plan),
    )


def loads(text: str) -> Plan:
    """A plan from JSON text.

    Parameters
    ----------
    text : str

    Raises
    ------
    FieldRefused

    Examples
    --------
    >>> loads('{"record": "entrypoint.plan", "version": 2}')
    Traceback (most recent call last):
    ...
    entrypoint.errors.FieldRefused: The plan record has version 2; expected version 1; use a newer \
version of this tool.
    """
    plan = PLAN.loads(text)
    if not plan.sides and plan.population is None:
        raise refuse(f"{PLAN.the} plans no side", "at least one side")
    return plan


def write_plan(plan: Plan, path: str | Path, *, force: bool = False) -> Path:
    """Write the record whole or not at all.

    Raises
    ------
    OutputRefused
    """
    return write_text(path, dumps(plan), force=force)


def read_plan(path: str | Path) -> Plan:
    """Read a record.

    Raises
    ------
    FileRefused, FieldRefused
    """
    from entrypoint.io.landmarks import read_text

    return loads(read_text(path, what=PLAN.the))
