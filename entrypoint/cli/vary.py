"""``entrypoint vary``: every figure over a grid of rules."""

from __future__ import annotations

import math
from typing import Annotated

import typer

from entrypoint.cli.options import (
    Adult,
    Child,
    Engagement,
    Force,
    Label,
    Landmarks,
    MidlineMargin,
    OfSide,
    Quiet,
    Seated,
    SensorDepth,
    Series,
    Sides,
    SutureMargin,
    Volume,
    not_an_input,
    rule_of,
)

_EXAMPLES = "A:B:STEP as in 100:130:5, or a list as in 100,110,120"


def vary(
    volume: Volume,
    midline_arc: Annotated[
        str, typer.Option(metavar="A:B:STEP|LIST", help="Midline arcs, mm: a range or a list.")
    ] = "100:130:5",
    lateral: Annotated[
        str, typer.Option(metavar="A:B:STEP|LIST", help="Lateral arcs, mm: the same.")
    ] = "20:40:5",
    series: Series = None,
    landmarks: Landmarks = None,
    side: OfSide = Sides.BOTH,
    suture_margin_mm: SutureMargin = None,
    midline_margin_mm: MidlineMargin = None,
    sensor_depth_mm: SensorDepth = None,
    engagement_mm: Engagement = None,
    stop_seats_on: Seated = None,
    adult: Adult = False,
    child: Child = False,
    json: Annotated[
        str | None,
        typer.Option("--json", metavar="FILE|-", help="Write the record; - prints only it."),
    ] = None,
    csv: Annotated[
        str | None,
        typer.Option("--csv", metavar="FILE|-", help="Write the rows as CSV; - prints only them."),
    ] = None,
    force: Force = False,
    label: Label = None,
    quiet: Quiet = False,
) -> None:
    """Tabulate every figure on a head CT over a grid of rules.

    One line a rule and side, read from a chart of the scan that is made once; a line is no plan of
    its point. For planning and teaching only.
    """
    typed = {
        **locals(), "source": volume, "lateral": None, "lateral_arc_mm": None,
        "interpupillary_mm": None,
    }  # fmt: skip
    rule = rule_of(typed)
    midline_arcs = arcs_of(midline_arc, "midline_arc_mm", "--midline-arc")
    lateral_arcs = arcs_of(lateral, "lateral_arc_mm", "--lateral")
    from entrypoint.planning.rule_table_model import MOST_RULES

    if len(midline_arcs) * len(lateral_arcs) > MOST_RULES:
        raise typer.BadParameter(
            f"{len(midline_arcs) * len(lateral_arcs)} rules are asked for; expected at most "
            f"{MOST_RULES}.",
            param_hint="--midline-arc and --lateral",
        )
    if json == "-" and csv == "-":
        raise typer.BadParameter("Only one of them can go to standard output.", param_hint="--csv")
    from entrypoint.io.atomic import check_target

    for target in (json, csv):
        if target is not None and target != "-":
            check_target(target, force=force)
            not_an_input(target, volume, landmarks)
    from entrypoint import api
    from entrypoint.cli.output import print_document, progress_shown, write_json
    from entrypoint.planning.model import Level, Side

    sides = api.BOTH_SIDES if side is Sides.BOTH else (Side(side.value),)
    with progress_shown(quiet=quiet) as progress:
        made = api.vary_ct(
            volume, series=series, midline_arcs_mm=midline_arcs, lateral_arcs_mm=lateral_arcs,
            landmarks=landmarks, rule=rule, sides=sides, label=label, progress=progress,
        )  # fmt: skip
    from entrypoint.io.rule_table_record import csv_of_rules, dumps_rules

    if json is not None:
        write_json(dumps_rules(made), json, force=force)
    if csv is not None:
        write_json(csv_of_rules(made), csv, force=force)
    if "-" not in (json, csv):
        from entrypoint.report.rule_table_text import rules_document

        print_document(rules_document(made, brief=quiet))
    # A stop at one of many points is in its row; one about the head is about all of them.
    if any(f.level is Level.STOP for f in made.findings):
        raise typer.Exit(1)


def arcs_of(text: str, name: str, flag: str) -> list[float]:
    """Arcs from what was typed, rising.

    Parameters
    ----------
    text : str
        ``A:B:STEP`` with both ends in it, or numbers with commas between them.
    name : str
        Of the rule, for the range within which an arc can be meant.
    flag : str
        For messages.

    Raises
    ------
    typer.BadParameter
    """
    from entrypoint.io.limits import out_of_range
    from entrypoint.planning.rule_table_model import MOST_RULES

    if ":" in text:
        parts = text.split(":")
        if len(parts) != 3:
            raise typer.BadParameter(f"{text!r} is not {_EXAMPLES}.", param_hint=flag)
        first, last, step = (_number(part, flag) for part in parts)
        if step <= 0.0:
            raise typer.BadParameter(f"A step of {step:g} leads nowhere.", param_hint=flag)
        if last < first:
            raise typer.BadParameter(
                f"The range ends at {last:g} before it begins at {first:g}.", param_hint=flag
            )
        steps = (last - first) / step
        if not steps < MOST_RULES:
            raise typer.BadParameter(
                f"{text!r} asks for more than {MOST_RULES} arcs; expected no more rules than that.",
                param_hint=flag,
            )
        arcs = [first + k * step for k in range(math.floor(steps + 1e-9) + 1)]
    else:
        words = text.split(",")
        if len(words) > MOST_RULES:
            raise typer.BadParameter(
                f"{len(words)} arcs are asked for; expected at most {MOST_RULES}.", param_hint=flag
            )
        arcs = sorted({_number(word, flag) for word in words})
    for arc in (arcs[0], arcs[-1]):
        wrong = out_of_range(name, arc)
        if wrong is not None:
            raise typer.BadParameter(
                f"{wrong[0]} cannot be meant; expected {wrong[1]}.", param_hint=flag
            )
    return arcs


def _number(word: str, flag: str) -> float:
    try:
        found = float(word)
    except ValueError:
        found = math.nan
    if not math.isfinite(found):
        raise typer.BadParameter(
            f"{word.strip()!r} is no length in mm; expected {_EXAMPLES}.", param_hint=flag
        )
    return found
