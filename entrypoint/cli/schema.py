"""``entrypoint schema``."""

from __future__ import annotations


def schema() -> None:
    """Print the JSON Schema of the plan record."""
    from entrypoint.cli.output import write_stdout
    from entrypoint.io.schema import schema_text

    write_stdout(schema_text())
