"""``entrypoint inspect``: what is in a volume file, before anything is computed."""

from __future__ import annotations

from typing import Annotated

import typer

from entrypoint.cli.options import Series, Volume


def inspect(
    volume: Volume,
    series: Series = None,
    json: Annotated[
        str | None,
        typer.Option("--json", metavar="FILE|-", help="Write it as JSON; - prints only that."),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace an existing FILE.")] = False,
) -> None:
    """Say what a volume holds: grid, orientation, HU, field of view, what is missing.

    Of a DICOM folder or archive every series is listed first.
    """
    from entrypoint.cli.output import print_document, write_json
    from entrypoint.io.inspection import inspect_volume, list_series
    from entrypoint.report.inspect import inspection_dict, inspection_document, listing_document

    if json is not None and json != "-":
        from entrypoint.io.atomic import check_target

        check_target(json, force=force)
    listing = list_series(volume)
    if listing is not None and json != "-":
        # Before anything is refused: the list is what a choice is made from.
        print_document(listing_document(listing))
    found = inspect_volume(volume, series)
    if json is not None:
        from json import dumps

        text = dumps(inspection_dict(found, listing), indent=1, ensure_ascii=False, allow_nan=False)
        write_json(text + "\n", json, force=force)
    if json != "-":
        print_document(inspection_document(found))
