"""The site map of a head CT: both charts, judged."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from entrypoint.errors import MeasurementError
from entrypoint.planning.chart_read import LATERAL_ARCS_MM, MIDLINE_ARCS_MM, read_chart
from entrypoint.planning.ct_parts import CtParts
from entrypoint.planning.hand_model import HandOptions
from entrypoint.planning.map_margins import HandSpread, MarginField, Spreads
from entrypoint.planning.model import LookedAt, Plan, Side
from entrypoint.planning.site_chart import SiteChart
from entrypoint.planning.site_map import side_map
from entrypoint.planning.site_map_model import SideMap, SiteMap
from entrypoint.reference import value

__all__ = ["MapOnCt", "map_on_ct"]


@dataclass(frozen=True, slots=True, kw_only=True)
class MapOnCt:
    """A site map with the charts and fields that it was made from."""

    map: SiteMap
    charts: dict[Side, SiteChart]
    fields: dict[Side, MarginField]


def map_on_ct(
    plan: Plan,
    parts: CtParts,
    *,
    hand: HandOptions | None = None,
    charts: Mapping[Side, SiteChart] | None = None,
    progress: Callable[[str], None] | None = None,
) -> MapOnCt:
    """Map the sites of the plan's sides.

    Parameters
    ----------
    plan : Plan
        Of the same volume; its findings, and its spreads at the rule's point, are the map's.
    parts : CtParts
    hand : HandOptions, optional
        Simulate a hand at the rule's point; its spread there is taken for the whole map.
    charts : mapping of Side to SiteChart, optional
        Read already.
    progress : callable, optional

    Returns
    -------
    MapOnCt

    Raises
    ------
    MeasurementError
        No side can be mapped.
    """
    say = progress or (lambda _: None)
    say("mapping the site on both sides")
    read: dict[Side, SiteChart] = {}
    sides: dict[Side, SideMap] = {}
    fields: dict[Side, MarginField] = {}
    refused: list[str] = []
    last: MeasurementError | None = None
    for side, found in plan.sides.items():
        try:
            if found.scalp_entry_mm is None:
                raise MeasurementError(
                    found="no plan of this side",
                    expected="a side whose point can be planned",
                    next_step="see the plan's findings",
                )
            chart = (charts or {}).get(side) or read_chart(
                parts.head, parts.tape, parts.midsagittal, parts.suture, parts.rule, side
            )
        except MeasurementError as error:
            refused.append(f"the PATIENT'S {side.value.upper()} ({error.found})")
            last = error
            continue
        sides[side], fields[side] = side_map(
            chart,
            parts.rule,
            Spreads.of_plan(found),
            parts.suture.how[side],
            hand=None if hand is None else _hand_spread(plan, side, chart, hand),
            findings=found.findings,
        )
        read[side] = chart
    if not sides:
        raise last or MeasurementError(
            found="no side to map", expected="a side", next_step="name a side"
        )
    first = next(iter(read.values()))
    made = SiteMap(
        tool_version=plan.tool_version,
        input=plan.input,
        rule=parts.rule,
        midline_arc_first_mm=float(MIDLINE_ARCS_MM[0]),
        midline_arc_last_mm=float(MIDLINE_ARCS_MM[-1]),
        lateral_arc_first_mm=float(LATERAL_ARCS_MM[0]),
        lateral_arc_last_mm=float(LATERAL_ARCS_MM[-1]),
        step_mm=float(first.midline_arc_mm[1] - first.midline_arc_mm[0]),
        p_kept=value("probability_kept"),
        sides=sides,
        findings=plan.findings,
        looked_at=_looked_at(plan, sides, refused, hand is not None),
        quality=plan.quality,
        practice=plan.practice,
    )
    return MapOnCt(map=made, charts=read, fields=fields)


def _hand_spread(
    plan: Plan, side: Side, chart: SiteChart, options: HandOptions
) -> HandSpread | None:
    """The hand's own spread on the scalp at the rule's point, the same all over the map."""
    from entrypoint.planning.hand import hand_of_side

    point = hand_of_side(plan, side, chart, options).point
    if point is None:
        return None
    along, across = point.hand_sd_along_mm, point.hand_sd_across_mm
    return lambda midline, lateral: (
        np.full(midline.shape, along),
        np.full(lateral.shape, across),
    )


def _looked_at(
    plan: Plan, sides: dict[Side, SideMap], refused: list[str], with_hand: bool
) -> LookedAt:
    names = " and ".join(f"PATIENT'S {side.value.upper()}" for side in sides)
    checked = (
        f"distances to the midline and to the published sinus envelope over the map, {names}",
        f"distance to the coronal suture over the map, {names}",
        f"scalp and skull along square paths, missing bone, cracks and metal within 8 mm, {names}",
        *(("what a hand adds to the place of the mark",) if with_hand else ()),
    )
    not_checked = plan.looked_at.not_checked
    if not with_hand:
        not_checked = ("what a hand adds: palpation, tape, mark, drill", *not_checked)
    unseen = tuple(
        f"the coronal suture, PATIENT'S {side.value.upper()} (not seen: estimated)"
        for side, found in sides.items()
        if found.suture.value == "estimated"
    )
    return LookedAt(
        checked=checked,
        not_checked=not_checked,
        could_not_be_checked=(*unseen, *refused),
    )
