"""``entrypoint convert``: a DICOM series to a NIfTI volume, a practice head to a series."""

from __future__ import annotations

from typing import Annotated

import typer

from entrypoint.cli.options import Force, Series, not_an_input


def convert(
    source: Annotated[
        str, typer.Argument(metavar="SERIES", help="A DICOM folder, zip or file; or a .nii(.gz).")
    ],
    out: Annotated[
        str,
        typer.Argument(metavar="OUT", help="Where to: .nii or .nii.gz; a folder with --dicom."),
    ],
    series: Series = None,
    dicom: Annotated[
        bool,
        typer.Option("--dicom", help="The other way, for practice heads only: to a folder."),
    ] = False,
    force: Force = False,
) -> None:
    """Write a CT series as NIfTI: its voxels as stored, its matrix, and no text of its header.

    The volume has the hash of the series, and plans the same. For planning and teaching only.
    """
    if dicom:
        _to_series(source, out, series, force)
        return
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


def _to_series(source: str, out: str, series: str | None, force: bool) -> None:
    """A practice head as a DICOM series; a volume that is not marked as one is refused."""
    from entrypoint.cli.output import write_stdout
    from entrypoint.io.dicom_write import check_folder, series_files, write_series
    from entrypoint.io.volume_file import read_volume_file

    check_folder(out, force=force)
    files = series_files(read_volume_file(source, series))
    write_series(out, files, force=force)
    write_stdout(f"{len(files)} slices: PRACTICE HEAD, NOT A PATIENT\n")
