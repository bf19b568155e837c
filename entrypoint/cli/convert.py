"""``entrypoint convert``: a DICOM series to a NIfTI volume."""

from __future__ import annotations

from typing import Annotated

import typer

from entrypoint.cli.options import Force, Series, not_an_input


def convert(
    source: Annotated[
        str, typer.Argument(metavar="SERIES", help="A DICOM folder, zip or file; or a .nii(.gz).")
    ],
    out: Annotated[str, typer.Argument(metavar="OUT", help="Where to: .nii or .nii.gz.")],
    series: Series = None,
    force: Force = False,
) -> None:
    """Write a CT series as NIfTI: its voxels as stored, its matrix, and no text of its header.

    The volume has the hash of the series, and plans the same. For planning and teaching only.
    """
    if not out.lower().endswith((".nii", ".nii.gz")):
        raise typer.BadParameter(
            f"{out!r} does not end in .nii or .nii.gz.", param_hint="OUT"
        )
    from entrypoint.io.atomic import check_target

    check_target(out, force=force)
    not_an_input(out, source)
    from entrypoint.cli.output import print_document
    from entrypoint.io.nifti_write import write_nifti
    from entrypoint.io.volume_file import read_volume_file
    from entrypoint.report.inspect import conversion_document

    loaded = read_volume_file(source, series)
    write_nifti(out, loaded, force=force)
    print_document(conversion_document(loaded.code, loaded.volume.grid, loaded.facts))
