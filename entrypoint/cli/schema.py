"""``entrypoint schema``."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

import typer


class Record(StrEnum):
    """Which record."""

    PLAN = "plan"
    MAP = "map"
    RULES = "rules"
    CHECK = "check"
    PATHS = "paths"


def schema(
    record: Annotated[Record, typer.Argument(help="Which record.")] = Record.PLAN,
) -> None:
    """Print the JSON Schema of a record: of plans, maps, rules, checked paths, paths to check."""
    from entrypoint.cli.output import write_stdout

    if record is Record.MAP:
        from entrypoint.io.site_map_record import map_schema_text

        write_stdout(map_schema_text())
        return
    if record is Record.RULES:
        from entrypoint.io.rule_table_record import rules_schema_text

        write_stdout(rules_schema_text())
        return
    if record in (Record.CHECK, Record.PATHS):
        from entrypoint.io.check_record import check_schema_text, paths_schema_text

        write_stdout(check_schema_text() if record is Record.CHECK else paths_schema_text())
        return
    from entrypoint.io.schema import schema_text

    write_stdout(schema_text())
