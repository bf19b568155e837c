"""``entrypoint map``: where every margin holds round the site, and how rules fall in it."""

from __future__ import annotations

from typing import Annotated

import typer

from entrypoint.cli.plan import Number, Sides, _not_an_input, _rule


def map_(
    volume: Annotated[str, typer.Argument(metavar="VOLUME", help="A CT volume (.nii, .nii.gz).")],
    landmarks: Annotated[
        str | None,
        typer.Option(metavar="FILE", help="Landmarks, JSON or CSV: override what is found."),
    ] = None,
    side: Annotated[Sides, typer.Option(help="The PATIENT'S side; both by default.")] = Sides.BOTH,
    midline_arc_mm: Annotated[
        Number, typer.Option(help="Tape of the rule, from the nasion backwards. [110]")
    ] = None,
    lateral_arc_mm: Annotated[
        Number, typer.Option(help="Tape of the rule to the side. [30]")
    ] = None,
    lateral: Annotated[
        str | None,
        typer.Option(metavar="mid-pupillary|MM", help="The same, or half the pupils' distance."),
    ] = None,
    suture_margin_mm: Annotated[
        Number, typer.Option(help="Least distance in front of the coronal suture. [10]")
    ] = None,
    midline_margin_mm: Annotated[
        Number, typer.Option(help="Least distance to the midline plane. [10]")
    ] = None,
    sensor_depth_mm: Annotated[
        Number, typer.Option(help="Sensor tip below the inner table. [15]")
    ] = None,
    engagement_mm: Annotated[
        Number, typer.Option(help="How deep the bolt engages: bone must be as thick.")
    ] = None,
    interpupillary_mm: Annotated[
        Number, typer.Option(help="Straight distance between the pupils.")
    ] = None,
    adult: Annotated[bool, typer.Option("--adult", help="The head is an adult's.")] = False,
    child: Annotated[bool, typer.Option("--child", help="The head is a child's.")] = False,
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
    force: Annotated[bool, typer.Option("--force", help="Replace existing files.")] = False,
    label: Annotated[
        str | None, typer.Option(help="A short name for the outputs; never a person's.")
    ] = None,
    quiet: Annotated[
        bool, typer.Option("--quiet", help="No progress and no notes: findings that ask for more.")
    ] = False,
) -> None:
    """Map the site on a head CT: thickness, clearances, and the area within margins.

    Prints what was looked at, then for each side the area in which every margin holds and how the
    rules in use fall in it. For planning and teaching only.
    """
    typed = {"stop_seats_on": None, "source": volume, **locals()}
    rule = _rule(typed)
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
    loaded = api.read_volume(volume)
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
    _not_an_input(path, volume, landmarks)


map_.__name__ = "map"
