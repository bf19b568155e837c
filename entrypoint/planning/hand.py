"""What a hand adds to a plan: simulated placements, the same from any kind of input.

Each placement finds the nasion, judges the midline, lays both tapes, marks the skin, and holds
the drill, each with an error of its own; every figure's own spread, as the plan states it, is
drawn beside. A scan is asked by its chart, read once; without one, published heads stand in for
the suture, and nothing is said of bone.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from entrypoint.planning.hand_draws import Part, TapeEnds, lay_tapes, normal_table
from entrypoint.planning.hand_figures import bone_of, counted, point_of, stop_of, tilt_of, tip_of
from entrypoint.planning.hand_model import HandOptions, HandResult, HandStop
from entrypoint.planning.hand_scan import ScanPlaced, on_scan, scan_shows
from entrypoint.planning.model import InputKind, Plan, Seat, Side, SidePlan
from entrypoint.planning.site_chart import SiteChart
from entrypoint.planning.suture_odds import bow_mm
from entrypoint.reference import value

__all__ = ["hand_of_side", "with_hand"]

FloatArray = NDArray[np.float64]

_HAND = "the hand: nasion, midline, both tapes, mark on the skin, tilt and slip of the drill"
_MEASURED = (
    "what the scan's own measurement may be off: place of the point, plane, suture, thickness",
    "how far careful readers differ in nasion, plane, suture and bone",
)
_OWN_SPREADS = "what the plan's own figures may be off, and how far careful readers differ"
_POPULATION = (
    "the suture's place as it differs between published heads, and between careful readers"
)
_NO_CHART = "bone, sinus and the path inside: no chart of a scan shows this point"
_NO_SCAN = "bone, sinus and the path inside: NOT KNOWN WITHOUT A SCAN"
_NOT_INCLUDED = (
    "a swelling or thick hair under the tape",
    "a head that moves",
    "the wrong side or the wrong length of tape",
    "a drill that plunges, a bit that bends, a stop that gives or rests on its edge",
)


def with_hand(
    plan: Plan, options: HandOptions, charts: Mapping[Side, SiteChart] | None = None
) -> Plan:
    """The plan with what a hand adds to it, for each of its sides.

    Parameters
    ----------
    plan : Plan
    options : HandOptions
    charts : mapping of Side to SiteChart, optional
        What the scan shows round each entry; a side without one is treated as without a scan.

    Returns
    -------
    Plan
        With its seed, and ``hand`` on every side.
    """
    charts = charts or {}
    sides = {
        side: replace(found, hand=hand_of_side(plan, side, charts.get(side), options))
        for side, found in plan.sides.items()
    }
    return replace(plan, sides=sides, seed=options.seed)


def hand_of_side(
    plan: Plan, side: Side, chart: SiteChart | None, options: HandOptions
) -> HandResult:
    """Simulate placements on one side.

    Parameters
    ----------
    plan : Plan
    side : Side
        The patient's.
    chart : SiteChart or None
        Of that side; used where it shows the plan's own point.
    options : HandOptions

    Returns
    -------
    HandResult
        A placement where the chart shows nothing counts as broken in every margin.

    Raises
    ------
    FieldRefused
        Too few or too many draws, or a seed below 0.
    """
    found, spreads = plan.sides[side], options.spreads
    table = normal_table(options.draws, options.seed)
    tilt = np.radians(spreads.tilt_deg) * table[:, [Part.TILT_ALONG, Part.TILT_ACROSS]]
    bare = HandResult(
        draws=options.draws,
        seed=options.seed,
        spreads=spreads,
        outside_chart=0,
        included=(_HAND,),
        not_included=_NOT_INCLUDED,
        tilt=tilt_of(np.hypot(tilt[:, 0], tilt[:, 1])),
    )
    if found.tapes is None:
        return bare
    ends = lay_tapes(table, spreads, found.tapes.midline_taut_mm, found.tapes.lateral_taut_mm)
    shows = None if chart is None else scan_shows(plan, side, chart)
    if shows is None or plan.midsagittal_plane is None:
        return _without_scan(plan, found, ends, table, bare)
    placed = on_scan(plan, side, plan.midsagittal_plane, shows, ends, table, tilt, spreads)
    return _with_scan(plan, found, placed, options, bare)


def _with_scan(
    plan: Plan, found: SidePlan, placed: ScanPlaced, options: HandOptions, bare: HandResult
) -> HandResult:
    rule, outside = plan.rule, placed.outside
    # A comparison with NaN is false, so that what the scan does not show is broken.
    suture = outside | ~(placed.suture_mm >= rule.suture_margin_mm)
    behind = outside | ~(placed.suture_mm >= 0.0)
    midline = outside | ~(placed.midline_mm >= rule.midline_margin_mm)
    sinus = outside | ~(placed.sinus_mm >= rule.sinus_margin_mm)
    known = found.thickness.skull_mm is not None and found.sensor is not None
    tip = None
    if placed.tip_offset_mm is not None and found.sensor is not None:
        length = found.sensor.from_outer_table_mm or 0.0
        tip = tip_of(placed.tip_offset_mm, length - placed.skull_mm)
    return replace(
        bare,
        outside_chart=int(outside.sum()),
        included=(_HAND, *_MEASURED),
        suture=counted(suture),
        behind_suture=counted(behind),
        midline=counted(midline),
        sinus=counted(sinus),
        sound_bone=counted(placed.no_sound_bone),
        any_margin=counted(suture | midline | sinus | placed.no_sound_bone),
        point=point_of(placed.offset_mm, placed.hand_offset_mm),
        bone=bone_of(placed.skull_mm) if known else None,
        tip=tip,
        stop=_stop(plan, found, placed, options) if known else None,
    )


def _stop(plan: Plan, found: SidePlan, placed: ScanPlaced, options: HandOptions) -> HandStop | None:
    """For the one seat that was named, where the plan gives a length for it."""
    stop, seat = found.drill_stop, plan.rule.stop_seats_on
    if seat is Seat.BONE:
        start, through, way = stop.start_on_bone_mm, stop.on_bone_mm, placed.skull_mm
    elif seat is Seat.SCALP:
        start, through = stop.start_on_scalp_mm, stop.on_scalp_mm
        way = placed.scalp_mm + placed.skull_mm
    else:
        return None
    return None if start is None else stop_of(way, start, through, options.past_inner_mm)


def _without_scan(
    plan: Plan, found: SidePlan, ends: TapeEnds, table: FloatArray, bare: HandResult
) -> HandResult:
    """From tape distances alone: the plan's own figures, moved by the hand and spread.

    The suture's own spread already holds how the place of the entry is known, so that the
    plan's error of the point is drawn for the point alone.
    """
    rule, c, spreads = plan.rule, found.clearance, bare.spreads
    if found.tapes is None:
        return bare
    place = np.array([found.tapes.midline_taut_mm, found.tapes.lateral_taut_mm])
    mark = spreads.mark_mm * table[:, [Part.MARK_ALONG, Part.MARK_ACROSS]]
    # To the side meridians run together: a longer midline tape moves the point by less.
    nearer = np.cos(min(place[1] / value("scalp_sphere_radius"), 1.2))
    midline_arc = ends.midline_arc_mm + mark[:, 0] / nearer
    lateral_arc = ends.lateral_arc_mm + mark[:, 1]
    by_hand = np.stack([(midline_arc - place[0]) * nearer, lateral_arc - place[1]], axis=1)

    tape_only = plan.input.kind is InputKind.TAPE
    own = np.zeros(2)
    if not tape_only:  # there the plan's spread of the point is the hand itself
        own = np.array(
            [found.scalp_entry_sd_along_mm or 0.0, found.scalp_entry_sd_across_mm or 0.0]
        )
    base = c.suture_mm if c.suture_nearest_mm is None else c.suture_nearest_mm
    suture = behind = None
    if base is not None:
        sd = c.suture_sd_mm or 0.0
        if tape_only and plan.population is not None:
            sd = plan.population.bregma_arc_sd_mm
        there = (
            base
            - (midline_arc - place[0])
            - (_bow_mm(lateral_arc) - bow_mm(float(place[1])))
            + sd * table[:, Part.SUTURE]
            + (c.suture_definition_sd_mm or 0.0) * table[:, Part.SUTURE_READERS]
        )
        suture, behind = there < rule.suture_margin_mm, there < 0.0
    radius = value("scalp_radius_lateral")
    straight = _straight_mm(np.array([place[1]]), radius)[0]
    away = (
        (straight if c.midline_scalp_mm is None else c.midline_scalp_mm)
        + _straight_mm(lateral_arc, radius)
        - straight
        + (c.midline_sd_mm or 0.0) * table[:, Part.MIDLINE]
        + (c.midline_definition_sd_mm or 0.0) * table[:, Part.MIDLINE_READERS]
    )
    midline = away < rule.midline_margin_mm
    return replace(
        bare,
        included=(_HAND, _OWN_SPREADS if plan.population is None else _POPULATION),
        not_included=(
            _NO_CHART if plan.input.kind is InputKind.CT else _NO_SCAN,
            *_NOT_INCLUDED,
        ),
        suture=None if suture is None else counted(suture),
        behind_suture=None if behind is None else counted(behind),
        midline=counted(midline),
        any_margin=counted(midline if suture is None else midline | suture),
        point=point_of(by_hand + own * table[:, [Part.ENTRY_ALONG, Part.ENTRY_ACROSS]], by_hand),
    )


def _bow_mm(lateral_arc_mm: FloatArray) -> FloatArray:
    """How far the suture lies in front of bregma at many lateral arcs."""
    at = np.arange(0.0, 121.0, 10.0)  # the published rows, and the last slope beyond them
    return np.interp(np.abs(lateral_arc_mm), at, [bow_mm(float(x)) for x in at])


def _straight_mm(lateral_arc_mm: FloatArray, radius_mm: float) -> FloatArray:
    """Straight distance from the midline of a lateral arc; at most at the side of the head."""
    quarter = 0.5 * np.pi
    return radius_mm * np.sin(np.clip(lateral_arc_mm / radius_mm, -quarter, quarter))
