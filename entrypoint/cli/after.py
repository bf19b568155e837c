"""``entrypoint after``: a scan after placement against its plan."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

import typer

from entrypoint.cli.options import Force, Label, Quiet, not_an_input


class PlannedSide(StrEnum):
    """The side of the patient that was planned."""

    RIGHT = "right"
    LEFT = "left"


def after(
    scan: Annotated[
        str, typer.Argument(metavar="SCAN", help="The CT after placement (.nii, .nii.gz).")
    ],
    plan: Annotated[str, typer.Option(metavar="PLAN", help="The plan record (plan --json).")],
    side: Annotated[
        PlannedSide, typer.Option(help="The PATIENT'S side that was planned; no default.")
    ],
    before: Annotated[
        str | None,
        typer.Option(
            metavar="SCAN",
            help="The CT that the plan was made on: compared by the skull, not by landmarks.",
        ),
    ] = None,
    json: Annotated[
        str | None,
        typer.Option("--json", metavar="FILE|-", help="Write the record; - prints only it."),
    ] = None,
    force: Force = False,
    label: Label = None,
    quiet: Quiet = False,
) -> None:
    """Find the bolt and the sensor in a scan after placement, and compare with the plan.

    The side found against the side planned first, then the entry in tape terms, tilt, depth of
    the tip, clearances as achieved and distances from the plan, each with its error. It never
    says that a sensor reads rightly. For planning and teaching only.
    """
    if json is not None and json != "-":
        from entrypoint.io.atomic import check_target

        check_target(json, force=force)
        not_an_input(json, scan, plan, before)
    from entrypoint import api
    from entrypoint.cli.output import print_document, progress_shown, write_json
    from entrypoint.planning.model import Level

    with progress_shown(quiet=quiet) as progress:
        made = api.after_ct(
            scan, plan, side=side.value, before=before, label=label, progress=progress
        )
    if json is not None:
        from entrypoint.io.after_record import dumps_after

        write_json(dumps_after(made), json, force=force)
    if json != "-":
        from entrypoint.report.after_text import after_document

        print_document(after_document(made, brief=quiet))
    if any(f.level is Level.STOP for f in made.findings):
        raise typer.Exit(1)
