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
    SESSION = "session"


def schema(
    record: Annotated[Record, typer.Argument(help="Which record.")] = Record.PLAN,
) -> None:
    """Print the JSON Schema of the plan record, the map's, that of rules, or a session file."""
    from entrypoint.cli.output import write_stdout

    if record is Record.MAP:
        from entrypoint.io.site_map_record import map_schema_text

        write_stdout(map_schema_text())
        return
    if record is Record.RULES:
        from entrypoint.io.rule_table_record import rules_schema_text

        write_stdout(rules_schema_text())
        return
    if record is Record.SESSION:
        from entrypoint.rehearsal.session import session_schema_text

        write_stdout(session_schema_text())
        return
    from entrypoint.io.schema import schema_text

    write_stdout(schema_text())
