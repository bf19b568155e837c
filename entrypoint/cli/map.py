"""``entrypoint map``: where every margin holds round the site, and how rules fall in it."""

from __future__ import annotations

from typing import Annotated

import typer

from entrypoint.cli.options import (
    Adult,
    Child,
    Engagement,
    Force,
    Label,
    Landmarks,
    Lateral,
    LateralArc,
    MidlineArc,
    MidlineMargin,
    OfSide,
    Pupils,
    Quiet,
    SensorDepth,
    Series,
    Sides,
    SutureMargin,
    Volume,
    not_an_input,
    rule_of,
)


def map_(
    volume: Volume,
    series: Series = None,
    landmarks: Landmarks = None,
    side: OfSide = Sides.BOTH,
    midline_arc_mm: MidlineArc = None,
    lateral_arc_mm: LateralArc = None,
    lateral: Lateral = None,
    suture_margin_mm: SutureMargin = None,
    midline_margin_mm: MidlineMargin = None,
    sensor_depth_mm: SensorDepth = None,
    engagement_mm: Engagement = None,
    interpupillary_mm: Pupils = None,
    adult: Adult = False,
    child: Child = False,
    hand: Annotated[
        bool, typer.Option("--hand", help="Add what simulated hands add to the mark's place.")
    ] = False,
    json: Annotated[
        str | None,
        typer.Option("--json", metavar="FILE|-", help="Write the map record; - prints only it."),
    ] = None,
    arrays: Annotated[
        str | None, typer.Option(metavar="FILE.npz", help="Write every grid of the map.")
    ] = None,
    labels: Annotated[
        str | None,
        typer.Option(
            metavar="FILE.nii.gz", help="Write the areas as labels on the input's own voxels."
        ),
    ] = None,
    force: Force = False,
    label: Label = None,
    quiet: Quiet = False,
) -> None:
    """Map the site on a head CT: thickness, clearances, and the area within margins.

    Prints what was looked at, then for each side the area in which every margin holds and how the
    rules in use fall in it. For planning and teaching only.
    """
    typed = {"stop_seats_on": None, "source": volume, **locals()}
    rule = rule_of(typed)
    targets = [(json, ()), (arrays, (".npz",)), (labels, (".nii", ".nii.gz"))]
    for target, endings in targets:
        if target is not None and not (target == "-" and target is json):
            _target(target, endings, force, volume, landmarks)
    from entrypoint import api
    from entrypoint.cli.output import print_document, progress_shown, write_json
    from entrypoint.io.site_map_record import dumps_map, write_arrays, write_labels
    from entrypoint.planning.model import Level, Side

    sides = api.BOTH_SIDES if side is Sides.BOTH else (Side(side.value),)
    options = None
    if hand:
        from entrypoint.planning.hand_model import HandOptions

        options = HandOptions()
    loaded = api.read_volume(volume, series=series)
    with progress_shown(quiet=quiet) as progress:
        made = api.map_ct(
            loaded, landmarks=landmarks, rule=rule, sides=sides, label=label, hand=options,
            progress=progress,
        )  # fmt: skip
    if arrays is not None:
        write_arrays(arrays, made.charts, made.fields, force=force)
    if labels is not None:
        grid = loaded.volume.grid
        write_labels(labels, grid, made.charts, made.fields, practice=made.map.practice,
                     force=force)  # fmt: skip
    if json is not None:
        write_json(dumps_map(made.map), json, force=force)
    if json != "-":
        from entrypoint.report.site_map_text import map_document

        print_document(map_document(made.map, brief=quiet))
    found = [*made.map.findings, *(f for s in made.map.sides.values() for f in s.findings)]
    if any(f.level is Level.STOP for f in found):
        raise typer.Exit(1)


def _target(
    path: str, endings: tuple[str, ...], force: bool, volume: str, landmarks: str | None
) -> None:
    """Refuse an output that could not be written, before the work is done."""
    from entrypoint.io.atomic import check_target

    if endings and not path.lower().endswith(endings):
        raise typer.BadParameter(
            f"{path!r} does not end in {' or '.join(endings)}.",
            param_hint="--arrays" if ".npz" in endings else "--labels",
        )
    check_target(path, force=force)
    not_an_input(path, volume, landmarks)


map_.__name__ = "map"
