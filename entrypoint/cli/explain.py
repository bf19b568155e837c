"""``entrypoint explain``: what a finding means, what to do, and where its limit comes from."""

from __future__ import annotations

from typing import Annotated

import typer


def explain(
    code: Annotated[
        str | None,
        typer.Argument(metavar="CODE", help="Code of a finding; none for a list of all."),
    ] = None,
) -> None:
    """Say what a finding means, what to do, and where its limit comes from."""
    from entrypoint.cli.output import print_document
    from entrypoint.errors import FieldRefused
    from entrypoint.report.explain import explain_document, list_document

    try:
        document = list_document() if code is None else explain_document(code)
    except FieldRefused as error:
        raise typer.BadParameter(str(error), param_hint="CODE") from None
    print_document(document)
