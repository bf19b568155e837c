"""The record of a scan after placement: as JSON and back, with its schema."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from entrypoint.io.atomic import write_text
from entrypoint.io.record_kind import RecordKind
from entrypoint.io.schema import schema_of, text_of
from entrypoint.planning.after_model import AfterPlacement

__all__ = [
    "AFTER",
    "after_schema",
    "after_schema_text",
    "after_to_dict",
    "dumps_after",
    "loads_after",
    "write_after",
]

AFTER = RecordKind(
    name="entrypoint.after",
    version=1,
    model=AfterPlacement,
    first=("caveat", "sides_note", "side_planned", "side_found", "practice", "not_a_reading"),
    one="a record of a scan after placement",
    the="the record of the scan after placement",
    description="A scan after placement against its plan, for planning and teaching only. "
    "Positions are world RAS millimetres of the scan after placement. Null means: cannot be "
    "judged. Fields that are not named here are to be ignored.",
)


def after_to_dict(made: AfterPlacement) -> dict[str, Any]:
    """A record as plain values.

    Raises
    ------
    FieldRefused
        When a number is NaN or infinite.
    """
    return AFTER.to_dict(made)


def dumps_after(made: AfterPlacement) -> str:
    """A record as JSON text, ending in a line feed."""
    return AFTER.dumps(made)


def loads_after(text: str) -> AfterPlacement:
    """A record from JSON text; fields that are not known are ignored.

    Raises
    ------
    FieldRefused

    Examples
    --------
    >>> loads_after('{"record": "entrypoint.after", "version": 2}')
    Traceback (most recent call last):
    ...
    entrypoint.errors.FieldRefused: The record of the scan after placement has version 2; expected \
version 1; use a newer version of this tool.
    """
    return AFTER.loads(text)


def write_after(made: AfterPlacement, path: str | Path, *, force: bool = False) -> Path:
    """Write the record whole or not at all.

    Raises
    ------
    OutputRefused
    """
    return write_text(path, dumps_after(made), force=force)


def after_schema() -> dict[str, Any]:
    """The JSON Schema of the record, made from its model."""
    return schema_of(AFTER)


def after_schema_text() -> str:
    """The schema as JSON text."""
    return text_of(AFTER)
