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
    AFTER = "after"
    LOG = "log"
    SESSION = "session"


def schema(
    record: Annotated[Record, typer.Argument(help="Which record.")] = Record.PLAN,
) -> None:
    """Print the JSON Schema of the plan record, or of another record that is named."""
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
    if record is Record.AFTER:
        from entrypoint.io.after_record import after_schema_text

        write_stdout(after_schema_text())
        return
    if record is Record.LOG:
        from entrypoint.io.log_lines import LOG
        from entrypoint.io.schema import text_of

        write_stdout(text_of(LOG))
        return
    if record is Record.SESSION:
        from entrypoint.rehearsal.session import session_schema_text

        write_stdout(session_schema_text())
        return
    from entrypoint.io.schema import schema_text

    write_stdout(schema_text())
