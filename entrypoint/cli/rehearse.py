"""``entrypoint rehearse``: practice heads on a page, and marks collected elsewhere scored."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from entrypoint.cli.options import Force, Label, SeatOn

if TYPE_CHECKING:
    from collections.abc import Sequence

    from entrypoint.rehearsal.heads import StageHead
    from entrypoint.rehearsal.marks_file import MarkedSet, Scored

_MOST_PEOPLE = 40
_ENDINGS = (".svg", ".png", ".pdf")


def rehearse(
    volume: Annotated[
        str | None,
        typer.Option("--volume", metavar="CT", help="A CT of one's own to practise on."),
    ] = None,
    label: Label = None,
    session: Annotated[
        str | None,
        typer.Option("--session", metavar="FILE", help="Exercises: see entrypoint schema session."),
    ] = None,
    people: Annotated[
        int,
        typer.Option("--people", min=1, max=_MOST_PEOPLE, help="How many trainees take turns."),
    ] = 1,
    score: Annotated[
        str | None,
        typer.Option("--score", metavar="FILE", help="Score marks in a CSV file, without a page."),
    ] = None,
    head: Annotated[
        str | None,
        typer.Option("--head", metavar="KEY", help="With --score: ladder:NAME or random:SEED."),
    ] = None,
    side: Annotated[
        str | None,
        typer.Option("--side", metavar="right|left", help="With --score: the side asked for."),
    ] = None,
    stop_seats_on: Annotated[
        SeatOn | None, typer.Option(help="With --score: the seat asked for.")
    ] = None,
    json: Annotated[
        str | None, typer.Option("--json", metavar="FILE", help="With --score: all of it as JSON.")
    ] = None,
    csv: Annotated[
        str | None, typer.Option("--csv", metavar="FILE", help="With --score: a row an attempt.")
    ] = None,
    plot: Annotated[
        str | None,
        typer.Option("--plot", metavar="FILE", help="With --score: the marks (.svg, .png, .pdf)."),
    ] = None,
    host: Annotated[
        str, typer.Option("--host", metavar="ADDR", help="Where the page listens.")
    ] = "127.0.0.1",
    port: Annotated[
        int, typer.Option("--port", min=0, max=65535, help="0 takes any that is free.")
    ] = 0,
    allow_network: Annotated[
        bool, typer.Option("--allow-network", help="Let other machines reach the page.")
    ] = False,
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Print the page's address and open nothing.")
    ] = False,
    force: Force = False,
) -> None:
    """Rehearse landmarks, entry, drill and depth on practice heads, or on a CT of one's own.

    It teaches no palpation and shows no competence. Attempts are kept on this machine.
    """
    _fitting(
        score is not None,
        {"--head": head, "--side": side, "--stop-seats-on": stop_seats_on, "--json": json,
         "--csv": csv, "--plot": plot},
        {"--session": session},
    )  # fmt: skip
    if score is not None:
        _score(score, volume, label, head, side, stop_seats_on, json, csv, plot, force=force)
        return
    from entrypoint.rehearsal.session import read_session

    told = None if session is None else read_session(session)
    from entrypoint.rehearsal.server import serve

    serve(
        volume=volume,
        label=label,
        session=told,
        people=people,
        host=host,
        port=port,
        allow_network=allow_network,
        open_browser=not no_browser,
    )


def _fitting(scoring: bool, with_it: dict[str, object], without: dict[str, object]) -> None:
    """Refuse options that would be left unused."""
    for name, given in (without if scoring else with_it).items():
        if given is not None:
            raise typer.BadParameter(
                "It is not used with --score." if scoring else "It is used with --score alone.",
                param_hint=name,
            )


def _score(
    path: str,
    volume: str | None,
    label: str | None,
    key: str | None,
    side: str | None,
    seat: SeatOn | None,
    json: str | None,
    csv: str | None,
    plot: str | None,
    *,
    force: bool,
) -> None:
    from entrypoint.cli.options import not_an_input
    from entrypoint.cli.output import print_document, write_json
    from entrypoint.io.atomic import check_target
    from entrypoint.planning.model import Seat, Side
    from entrypoint.rehearsal.marks_file import read_marked, score_all

    if side is not None and side not in ("right", "left"):
        raise typer.BadParameter(f"{side!r} is neither right nor left.", param_hint="--side")
    if plot is not None and not plot.lower().endswith(_ENDINGS):
        raise typer.BadParameter(
            f"{plot!r} ends in none of {', '.join(_ENDINGS)}.", param_hint="--plot"
        )
    for target in (json, csv, plot):
        if target is not None and target != "-":
            not_an_input(target, path, volume)
            check_target(target, force=force)
    marked = read_marked(path)
    on = _head(marked, volume, label, key)
    from entrypoint.rehearsal.table import scores_csv, scores_document, scores_json

    scored = score_all(
        on,
        marked,
        asked_side=None if side is None else Side(side),
        asked_seat=None if seat is None else Seat(seat.value),
    )
    if json is not None:
        write_json(scores_json(on, scored), json, force=force)
    if csv is not None:
        write_json(scores_csv(on, scored), csv, force=force)
    if plot is not None:
        _plot(on, scored, plot, force=force)
    if "-" not in (json, csv):
        print_document(scores_document(on, scored))
    if all(one.score is None for one in scored):
        raise typer.Exit(3)


def _head(
    marked: MarkedSet, volume: str | None, label: str | None, key: str | None
) -> StageHead:
    from entrypoint.errors import FieldRefused
    from entrypoint.rehearsal.heads import stage_head, stage_volume

    if volume is not None:
        if key is not None:
            raise typer.BadParameter("Give one of --head and --volume.", param_hint="--head")
        return stage_volume(volume, label)
    if key is not None and marked.head is not None and key != marked.head:
        raise FieldRefused(
            found=f"the file of marks is of {marked.head[:40]!r}, and --head says {key[:40]!r}",
            expected="one head",
            next_step="give the head on which the marks were made",
        )
    named = key or marked.head
    if named is None:
        raise typer.BadParameter(
            "Say on which head the marks were made, with --head or --volume.", param_hint="--head"
        )
    from entrypoint.rehearsal.store import default_cache

    return stage_head(named, cache=default_cache())


def _plot(on: StageHead, scored: Sequence[Scored], plot: str, *, force: bool) -> None:
    """One picture, or one a side where marks lie on both."""
    from pathlib import Path

    from entrypoint.figures.save import to_bytes
    from entrypoint.io.atomic import write_bytes
    from entrypoint.rehearsal.dot_plot import dot_plot

    path = Path(plot)
    sides = sorted({one.score.side for one in scored if one.score is not None})
    for side in sides:
        name = path if len(sides) == 1 else path.with_stem(f"{path.stem}-{side.value}")
        made = dot_plot(on, scored, side)
        write_bytes(name, to_bytes(made, path.suffix.lower()[1:]), force=force)
