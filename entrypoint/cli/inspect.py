"""``entrypoint inspect``: what is in a volume file, before anything is computed."""

from __future__ import annotations

from typing import Annotated

import typer


def inspect(
    volume: Annotated[str, typer.Argument(metavar="VOLUME", help="A .nii or .nii.gz file.")],
    json: Annotated[
        str | None,
        typer.Option("--json", metavar="FILE|-", help="Write it as JSON; - prints only that."),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace an existing FILE.")] = False,
) -> None:
    """Say what a volume file holds: grid, orientation, HU, field of view, what is missing."""
    from entrypoint.cli.output import print_document, write_json
    from entrypoint.io.inspection import inspect_volume
    from entrypoint.report.inspect import inspection_dict, inspection_document

    if json is not None and json != "-":
        from entrypoint.io.atomic import check_target

        check_target(json, force=force)
    found = inspect_volume(volume)
    if json is not None:
        from json import dumps

        text = dumps(inspection_dict(found), indent=1, ensure_ascii=False, allow_nan=False)
        write_json(text + "\n", json, force=force)
    if json != "-":
        print_document(inspection_document(found))
