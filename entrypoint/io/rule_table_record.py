"""The record of a table of rules: as JSON and back, with its schema, and as CSV.

The CSV holds the same figures with the same precision, one line a rule and side. Lines that start
with ``#`` stand above its header: the caveat is the first of them.
"""

from __future__ import annotations

import csv
import dataclasses
import io
import re
from pathlib import Path
from typing import Any

from entrypoint.io.atomic import write_text
from entrypoint.io.record_kind import RecordKind
from entrypoint.io.schema import schema_of, text_of
from entrypoint.io.strict_json import refuse
from entrypoint.planning.rule_table_model import RuleRow, RuleTable

__all__ = [
    "RULES",
    "csv_of_rules",
    "dumps_rules",
    "loads_rules",
    "rules_schema",
    "rules_schema_text",
    "rules_to_dict",
    "write_rules",
]

RULES = RecordKind(
    name="entrypoint.rules",
    version=1,
    model=RuleTable,
    first=("caveat", "sides_note", "not_a_plan", "practice", "tool_version"),
    one="a record of rules",
    the="the record of rules",
    description="Figures over a grid of rules, for planning and teaching only. A row is no "
    "plan of its point. Positions are world RAS millimetres. Null means: not known. Fields "
    "that are not named here are to be ignored.",
)
PRACTICE = "PRACTICE HEAD, NOT A PATIENT"
_FIGURES = tuple(
    f.name
    for f in dataclasses.fields(RuleRow)
    if f.name not in ("charted", "note", "scalp_entry_mm", "findings")
)
_PLACE = ("entry_right_mm", "entry_anterior_mm", "entry_superior_mm")
_COLUMNS = ("side", *_FIGURES, *_PLACE, "charted", "findings", "note")
# A spreadsheet takes what starts with one of these for a formula.
_FORMULA = re.compile(r"^[=+\-@\t\r]")


def rules_to_dict(table: RuleTable) -> dict[str, Any]:
    """A table of rules as plain values.

    Raises
    ------
    FieldRefused
        When a number is NaN or infinite.
    """
    return RULES.to_dict(table)


def dumps_rules(table: RuleTable) -> str:
    """A table of rules as JSON text, ending in a line feed."""
    return RULES.dumps(table)


def loads_rules(text: str) -> RuleTable:
    """A table of rules from JSON text; fields that are not known are ignored.

    Raises
    ------
    FieldRefused

    Examples
    --------
    >>> loads_rules('{"record": "entrypoint.rules", "version": 2}')
    Traceback (most recent call last):
    ...
    entrypoint.errors.FieldRefused: The record of rules has version 2; expected version 1; use a \
newer version of this tool.
    """
    made = RULES.loads(text)
    if not made.sides:
        raise refuse(f"{RULES.the} tabulates no side", "at least one side")
    return made


def write_rules(table: RuleTable, path: str | Path, *, force: bool = False) -> Path:
    """Write the JSON record whole or not at all.

    Raises
    ------
    OutputRefused
    """
    return write_text(path, dumps_rules(table), force=force)


def rules_schema() -> dict[str, Any]:
    """The JSON Schema of the record of rules, made from its model."""
    return schema_of(RULES)


def rules_schema_text() -> str:
    """The schema as JSON text."""
    return text_of(RULES)


def csv_of_rules(table: RuleTable) -> str:
    """A table of rules as CSV: comma, full stop, LF; an empty cell is not known.

    Findings are written as ``level:code``, with a semicolon between them.
    """
    seat = table.rule.stop_seats_on
    notes = [
        table.caveat,
        table.sides_note,
        table.not_a_plan,
        "start_stop_mm: none was asked for"
        if seat is None
        else f"start_stop_mm: stop seated ON {seat.value.upper()}",
        f"input {table.input.name}, tool version {table.tool_version}",
    ]
    if table.practice:
        notes.insert(1, PRACTICE)
    out = io.StringIO()
    for note in notes:
        out.write(f"# {_remark(note)}\n")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(_COLUMNS)
    for side, found in table.sides.items():
        writer.writerows(_line(side.value, row) for row in found.rows)
    return out.getvalue()


def _line(side: str, row: RuleRow) -> list[str]:
    figures = [_number(getattr(row, name)) for name in _FIGURES]
    place = ["", "", ""]
    if row.scalp_entry_mm is not None:
        place = [_number(float(x)) for x in row.scalp_entry_mm]
    findings = "; ".join(f"{f.level.value}:{f.code}" for f in row.findings)
    charted = "yes" if row.charted else "no"
    return [side, *figures, *place, charted, _cell(findings), _cell(row.note)]


def _number(value: float | None) -> str:
    return "" if value is None else repr(float(value) + 0.0)


def _cell(text: str) -> str:
    """A text that no spreadsheet takes for a formula."""
    return "'" + text if _FORMULA.match(text) else text


def _remark(text: str) -> str:
    """A remark on one line, in which no cell can start that would be taken for a formula."""
    words = " ".join(text.split())
    return re.sub(r"(?<=[,;|])(\s*)(?=[=+\-@])", r"\1'", words)
