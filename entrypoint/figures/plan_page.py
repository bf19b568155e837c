"""The page of a plan: one HTML file that needs nothing else, and asks nobody for anything.

Words and figures come from ``report``, pictures from their own modules; here they are put
together. Every field goes through the template's escaping, so that markup in a record is text.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cache, partial
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from entrypoint.errors import EntrypointError, FieldRefused
from entrypoint.figures import sheet_words
from entrypoint.figures.head import head_bodies, head_picture, head_with_tapes
from entrypoint.figures.inline_svg import Styles, inline_svg, smaller_png
from entrypoint.figures.pictures import pictures
from entrypoint.figures.plan_page_words import Sources, blocks_told, side_told
from entrypoint.figures.save import to_bytes
from entrypoint.figures.sheet import record_code
from entrypoint.figures.site import Site, read_sites
from entrypoint.figures.style import Ground
from entrypoint.planning.model import DrillStop, InputKind, Plan, Seat, Side
from entrypoint.report import page_rows, page_words
from entrypoint.report.comparison_text import comparison_blocks
from entrypoint.report.plain import held
from entrypoint.report.text import population_rows
from entrypoint.report.wording import (
    DEVICE_FIRST,
    PRACTICE_BANNER,
    SIDE_WORDS,
)

if TYPE_CHECKING:
    from entrypoint.figures.sheet_words import Person
    from entrypoint.volume.volume import Volume

__all__ = ["plan_page"]

_OF_A_SIDE = ("section", "profile", "square-on")
_OF_BOTH = ("tape", "map")
_DPI, _STILL_DPI, _STILL_COLOURS = 120.0, 100.0, 96
# The midline's colour of the pictures, in hues that nobody reads as leave to go ahead.
_SWAPPED = {"#3f958f": "#1f7a9c", "#58f0b4": "#ffe699"}
_KICKER = "Frontal cranial entry point: geometry with its uncertainty"
_NO_VOLUME = (
    "It needs the volume that the plan was made from: make the page again with --volume."
)
_NOT_A_SCAN = "The plan was made from an input without a scan."


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    """What of the volume several pictures share."""

    volume: Volume | None
    bodies: dict[str, Any] | None
    sites: dict[Side, Site] | None


def plan_page(
    plan: Plan, volume: Volume | None = None, *, sides: Iterable[Side] | None = None,
    person: Person | None = None, seat: Seat | None = None,
) -> str:  # fmt: skip
    """The page of a plan.

    Parameters
    ----------
    plan : Plan
    volume : Volume, optional
        The plan's own (see ``pictures.check_match``); without it, only the tapes are drawn.
    sides : of the patient, optional
        All of the plan's without it. A page of both sides shows no stop length.
    person : Person, optional
        Whose head it is, where the plan does not state it. For a child: geometry alone.
    seat : Seat, optional
        What the drill stop seats on, where the plan does not name it.

    Returns
    -------
    str
        HTML; the same each time.

    Raises
    ------
    FieldRefused
        A side that the plan does not hold, or something typed that differs from the plan.
    """
    code = record_code(plan)
    plan = _of_sides(sheet_words.as_stated(plan, person, seat, what="the page"), sides)
    drawn = plan
    if len(plan.sides) > 1:
        # A page shows one stop length at most: not even a picture of it holds two.
        bare = {s: replace(found, drill_stop=DrillStop()) for s, found in plan.sides.items()}
        drawn = replace(plan, sides=bare)
    seen = _look(drawn, volume)
    heads = _heads(drawn, seen)  # drawn in processes of their own while the rest is
    styles, sources = Styles(_SWAPPED), Sources()
    one_sided = {view: _drawings(drawn, seen, view, styles) for view in _OF_A_SIDE}
    shared = [one for view in _OF_BOTH for one in _drawings(drawn, seen, view, styles).values()]
    turn, no_turn = _turn(drawn, seen)
    told_sides = [side_told(plan, side, one_sided, sources) for side in plan.sides]
    head_findings = page_words.explained(plan.findings)
    marks = [sources.row(row) for row in page_rows.landmark_rows(plan)]
    parameters = [sources.row(row) for row in page_words.rule_rows(plan)]
    css = _css(styles, practice=plan.practice)
    script = _part("head.js")
    return str(
        _template().render(
            plan=plan, practice=PRACTICE_BANNER, kicker=_KICKER,
            title=page_words.title(plan), subtitle=page_words.subtitle(plan),
            rule_sentence=page_words.rule_sentence(plan),
            policy=_policy(css, script), css=_raw(css), script=_raw(script),
            parts=_parts(told_sides), looked_at=page_words.looked_at_rows(plan),
            sides=told_sides, head_findings=head_findings, turn=turn, no_turn=no_turn,
            stills=_stills(drawn, seen, heads, always=turn is None), shared=shared,
            population=population_rows(plan.population) if plan.population else None,
            comparison=blocks_told(comparison_blocks(plan)),
            landmarks={"title": "Where they are from", "rows": marks} if marks else None,
            points=page_rows.point_rows(plan, plan.sides), parameters=parameters,
            provenance=page_words.provenance_rows(plan, code), device_first=DEVICE_FIRST,
            spreads=page_words.SPREADS_IN_COLUMNS,
            sources=[page_words.source_text(key) for key in sources.keys],
        )
    )  # fmt: skip


def _of_sides(plan: Plan, sides: Iterable[Side] | None) -> Plan:
    """The plan with the wanted sides alone, the patient's right first."""
    wanted = set(plan.sides) if sides is None else set(sides)
    for side in wanted - set(plan.sides):
        raise FieldRefused(
            found=f"no {SIDE_WORDS[side]} in this plan",
            expected="a side that was planned",
            next_step="plan that side, or name the other one",
        )
    kept = {side: plan.sides[side] for side in Side if side in wanted}
    comparison = plan.comparison if len(kept) > 1 else None
    return replace(plan, sides=kept, comparison=comparison)


# --- pictures ---


def _look(plan: Plan, volume: Volume | None) -> _Seen:
    """Read once what several pictures need; what cannot be read, each of them says itself."""
    bodies, sites = None, None
    if volume is not None:
        try:
            sites = read_sites(plan, volume, tuple(plan.sides))
        except EntrypointError:
            sites = None
        if plan.midsagittal_plane is not None:
            bodies = head_bodies(plan, volume)
    return _Seen(volume=volume, bodies=bodies, sites=sites)


def _drawings(
    plan: Plan, seen: _Seen, view: str, styles: Styles
) -> dict[Side | None, dict[str, Any]]:
    """One view of every side, each on both grounds in one drawing."""
    grounds = [
        list(
            pictures(
                plan, seen.volume, views=(view,), sides=tuple(plan.sides), ground=ground,
                sites=seen.sites,
            )
        )
        for ground in (Ground.LIGHT, Ground.DARK)
    ]  # fmt: skip
    out: dict[Side | None, dict[str, Any]] = {}
    for light, dark in zip(*grounds, strict=True):
        told: dict[str, Any] = {"title": page_words.VIEW_NAMES[view], "svg": None}
        told["refused"] = ""
        out[light.side] = told
        if light.figure is None or dark.figure is None:
            told["refused"] = str(light.refused) if seen.volume is not None else _why_none(plan)
            continue
        told["caption"] = page_words.caption(view, light.side)
        _without_scan(dark.figure)
        told["svg"] = _raw(
            inline_svg(
                to_bytes(light.figure, "svg", dpi=_DPI), to_bytes(dark.figure, "svg", dpi=_DPI),
                styles, name=light.name, title=told["title"],
                says=page_words.alt_text(view, light.side),
            )
        )  # fmt: skip
    return out


def _without_scan(figure: Any) -> None:
    """Of the second ground only the colours are wanted: its scan is drawn as one dot."""
    from matplotlib.image import AxesImage

    for image in figure.findobj(AxesImage):
        image.set_data([[0.0]])


def _why_none(plan: Plan) -> str:
    return _NO_VOLUME if plan.input.kind is InputKind.CT else _NOT_A_SCAN


def _turn(plan: Plan, seen: _Seen) -> tuple[dict[str, Any] | None, str]:
    """The head that turns, or why there is none."""
    if seen.volume is None:
        return None, _why_none(plan)
    from entrypoint.figures.turning_head import turning_head

    try:
        made = turning_head(plan, seen.volume, tuple(plan.sides), seen.bodies)
    except EntrypointError as error:
        return None, str(error)
    # Markup in a name must not end the element that holds it.
    scene = json.dumps(made.scene, ensure_ascii=True, separators=(",", ":")).replace("<", "\\u003c")
    return {
        "scene": _raw(scene), "packed": made.packed,
        "views": [view["name"] for view in made.scene["views"]],
        "says": page_words.TURN_SAYS, "caption": page_words.TURN_CAPTION,
    }, ""  # fmt: skip


def _heads(plan: Plan, seen: _Seen) -> dict[Side, Future[Any]]:
    """Pictures in three dimensions, to come."""
    if seen.volume is None or seen.bodies is None:
        return {}
    with_bodies = partial(head_picture, plan, seen.volume, bodies=seen.bodies)
    workers = ThreadPoolExecutor(max_workers=1)
    made = {side: workers.submit(with_bodies, side) for side in plan.sides}
    workers.shutdown(wait=False)
    return made


def _stills(
    plan: Plan, seen: _Seen, heads: dict[Side, Future[Any]], *, always: bool
) -> list[dict[str, Any]]:
    """A still picture of the head for each side, for where nothing turns, and for paper."""
    if seen.volume is None:
        return []
    out = []
    for side in plan.sides:
        told: dict[str, Any] = {
            "title": f"{page_words.VIEW_NAMES['head']}, {SIDE_WORDS[side]}", "always": always,
            "caption": page_words.caption("head", side), "png": None,
            "says": page_words.alt_text("head", side),
        }  # fmt: skip
        try:
            picture = heads[side].result() if side in heads else None
            figure = head_with_tapes(plan, seen.volume, side, picture=picture)
            content = smaller_png(
                to_bytes(figure, "png", dpi=_STILL_DPI), colours=_STILL_COLOURS
            )
            width, height = (round(inches * _STILL_DPI) for inches in figure.get_size_inches())
            packed = base64.b64encode(content).decode()
            told |= {"png": f"data:image/png;base64,{packed}", "width": width, "height": height}
        except EntrypointError as error:
            told["refused"] = str(error)
        out.append(told)
    return out


def _parts(sides: list[dict[str, Any]]) -> list[tuple[str, str]]:
    return [
        ("looked-at", "What was looked at"), ("findings", "Findings"), ("head", "The head"),
        *((one["anchor"], one["words"]) for one in sides), ("tapes", "Tapes and site"),
        ("landmarks", "Landmarks"), ("origin", "Where it comes from"),
    ]  # fmt: skip


# --- the file ---


@cache
def _template() -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    made = Environment(
        loader=PackageLoader("entrypoint.figures", "html"), autoescape=True,
        undefined=StrictUndefined,
    )  # fmt: skip
    made.filters["held"] = held
    return made.get_template("page.html")


def _raw(text: str) -> Any:
    """Made here and not taken from a record: it goes into the page as it is."""
    from markupsafe import Markup

    return Markup(text)


def _part(name: str) -> str:
    return files("entrypoint.figures").joinpath("html", name).read_text(encoding="utf-8")


def _css(styles: Styles, *, practice: bool) -> str:
    light, dark = styles.rules()
    if practice:  # on every sheet of paper
        top = f'@top-center {{ content: "{PRACTICE_BANNER}"; font: bold 9pt sans-serif; }}'
        light += f"\n@page {{ {top} }}"
    within = f"@media screen and (prefers-color-scheme: dark) {{\n{dark}\n}}"
    return f"{_part('page.css')}\n{light}\n{within}\n"


def _policy(css: str, script: str) -> str:
    """Nothing from outside, no connection, and no style or script but these two."""
    def hashed(text: str) -> str:
        digest = hashlib.sha256(text.encode()).digest()
        return f"'sha256-{base64.b64encode(digest).decode()}'"

    return (
        f"default-src 'none'; script-src {hashed(script)}; style-src {hashed(css)}; "
        "img-src data:; base-uri 'none'; form-action 'none'"
    )
