"""Rows of a table of rules: figures of the chart, judged as a plan judges its own."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from entrypoint.planning import findings as judge
from entrypoint.planning import thickness_findings as layers
from entrypoint.planning.chart_lookup import ChartPoints
from entrypoint.planning.ct_side import _MIDLINE_SD_MM
from entrypoint.planning.depths import drill_stop, sensor_depth
from entrypoint.planning.finding_kinds import make
from entrypoint.planning.model import (
    Clearance,
    Finding,
    How,
    Level,
    Rule,
    Seat,
    SidePlan,
    Thickness,
)
from entrypoint.planning.odds import combined_sd, probability_below
from entrypoint.planning.path_findings import tip_outside_skull
from entrypoint.planning.rule_table_model import RowFinding, RuleRow
from entrypoint.planning.site_chart import SiteChart
from entrypoint.reference import spread, value

__all__ = ["BLURRED", "NEAR_EDGE", "NOT_SHOWN", "NO_BONE", "OUTSIDE", "side_rules"]

FloatArray = NDArray[np.float64]
_CHART_MM = 0.2  # a chart's skull against a plan's own: a start length is to be no longer
OUTSIDE = "outside the charted range"
NOT_SHOWN = "scalp or bone out of view"
NO_BONE = f"no sound bone within {value('bone_missing_radius'):g} mm"
BLURRED = "the bone's surfaces are too blurred"
NEAR_EDGE = f"no stop: within {value('stop_near_radius'):g} mm of the end of the charted range"


def side_rules(
    chart: SiteChart,
    points: ChartPoints,
    midline_arc_mm: FloatArray,
    lateral_arc_mm: FloatArray,
    plan: SidePlan,
    rule: Rule,
    *,
    plane_sd_mm: FloatArray,
    how: How,
    dense: bool = False,
    other_scalp_mm: FloatArray | None = None,
    tip_inside: Mapping[int, bool] | None = None,
    geometry_only: bool = False,
) -> tuple[RuleRow, ...]:
    """Rows of one side.

    Parameters
    ----------
    chart : SiteChart
    points : ChartPoints
        The chart at the k rules.
    midline_arc_mm, lateral_arc_mm : (k,) arrays
    plan : SidePlan
        Of the rule's own point: the suture's spread is taken from it.
    rule : Rule
    plane_sd_mm : (k,) array
        Spread of the midsagittal plane at each point.
    how : How
        How the suture was found on this side.
    dense : bool
        It was followed by its dense seam.
    other_scalp_mm : (k,) array, optional
        Scalp at the same rules on the other side; NaN where it is not known.
    tip_inside : mapping of row to bool, optional
        Whether the tip lies inside the skull, where that can be told.
    geometry_only : bool
        A child: no stop and no depths.

    Returns
    -------
    tuple of RuleRow
    """
    charted = _in_chart(chart, midline_arc_mm, lateral_arc_mm)
    thinnest = _thinnest_mm(chart, points)
    near_edge = charted & ~_in_chart(
        chart, midline_arc_mm, lateral_arc_mm, value("stop_near_radius")
    )
    inside = tip_inside or {}
    c = plan.clearance
    rows = []
    for k in range(len(midline_arc_mm)):
        midline, lateral = float(midline_arc_mm[k]), float(lateral_arc_mm[k])
        if not charted[k] or not np.isfinite(points.midline_scalp_mm[k]):
            note = NOT_SHOWN if charted[k] else OUTSIDE
            rows.append(
                RuleRow(
                    midline_arc_mm=midline,
                    lateral_arc_mm=lateral,
                    charted=bool(charted[k]),
                    note=note,
                )
            )
            continue
        note = ""
        sound = not points.no_sound_bone[k] and math.isfinite(points.skull_mm[k])
        if not sound:
            note = NO_BONE if points.no_sound_bone[k] else BLURRED
        thickness = Thickness(scalp_other_side_mm=_at(other_scalp_mm, k))
        if sound:
            thickness = Thickness(
                scalp_mm=_at(points.scalp_mm, k),
                skull_mm=_at(points.skull_mm, k),
                scalp_sd_mm=chart.scalp_sd_mm,
                skull_sd_mm=chart.skull_sd_mm,
                scalp_other_side_mm=_at(other_scalp_mm, k),
                thinnest_near_mm=_at(thinnest, k),
            )
        child = geometry_only or layers.child_of_bone(thickness, rule)
        sd = combined_sd(float(plane_sd_mm[k]), _MIDLINE_SD_MM)
        nearest = _at(points.suture_nearest_mm, k)
        odds = _odds(nearest, c, rule)
        clearance = Clearance(
            midline_scalp_mm=_at(points.midline_scalp_mm, k),
            midline_inner_table_mm=_at(points.midline_inner_table_mm, k) if sound else None,
            midline_tip_mm=_at(points.midline_tip_mm, k) if sound and not child else None,
            midline_sd_mm=sd,
            midline_definition_sd_mm=spread("plane_definition"),
            sinus_mm=_at(points.sinus_mm, k),
            sinus_sd_mm=float(plane_sd_mm[k]),
            suture_nearest_mm=nearest,
            suture_sd_mm=c.suture_sd_mm,
            suture_definition_sd_mm=c.suture_definition_sd_mm,
            p_suture_below_margin=odds[0],
            p_behind_suture=odds[1],
        )
        sinus = judge.sinus_envelope(clearance, rule, chart.side)
        stopped = any(f.level is Level.STOP for f in sinus)
        stop = None
        if rule.stop_seats_on is not None and sound and near_edge[k]:
            note = NEAR_EDGE
        elif rule.stop_seats_on is not None:
            both = drill_stop(thickness, rule, geometry_only=child or stopped)
            on_bone = rule.stop_seats_on is Seat.BONE
            stop = both.start_on_bone_mm if on_bone else both.start_on_scalp_mm
        sensor = sensor_depth(thickness, rule, geometry_only=child)
        found: list[Finding] = [
            *judge.suture_margin(clearance, rule),
            *layers.suture_in_path(clearance, thickness, how, dense=dense),
            *judge.midline_margin(clearance, rule),
            *sinus,
            *layers.skull_thickness(thickness, rule),
            *layers.swelling(thickness),
            *layers.drill_stop_withheld(thickness),
            *layers.engagement_too_deep(thickness, rule),
            *judge.dense_seam(chart.side, dense),
            *judge.estimated_suture(chart.side, how, c.suture_sd_mm or 0.0, why="on this side"),
        ]
        if points.no_sound_bone[k]:
            found.append(make("bone-missing", Level.STOP, NO_BONE))
        elif not sound:
            found.append(make("coarse-slices", Level.CAUTION, BLURRED))
        elif not child:
            found += tip_outside_skull(inside.get(k), rule.sensor_depth_mm)
        rows.append(
            RuleRow(
                midline_arc_mm=midline,
                lateral_arc_mm=lateral,
                charted=True,
                note=note,
                scalp_entry_mm=points.scalp_entry_mm[k],
                scalp_mm=thickness.scalp_mm,
                scalp_sd_mm=thickness.scalp_sd_mm,
                skull_mm=thickness.skull_mm,
                skull_sd_mm=thickness.skull_sd_mm,
                slope_deg=_at(points.slope_deg, k),
                midline_scalp_mm=clearance.midline_scalp_mm,
                midline_inner_table_mm=clearance.midline_inner_table_mm,
                midline_tip_mm=clearance.midline_tip_mm,
                midline_sd_mm=clearance.midline_sd_mm,
                sinus_mm=clearance.sinus_mm,
                sinus_sd_mm=clearance.sinus_sd_mm,
                suture_nearest_mm=nearest,
                suture_sd_mm=None if nearest is None else c.suture_sd_mm,
                suture_definition_sd_mm=None if nearest is None else c.suture_definition_sd_mm,
                p_suture_below_margin=odds[0],
                p_behind_suture=odds[1],
                start_stop_mm=stop,
                sensor_from_scalp_mm=None if sensor is None else sensor.from_scalp_mm,
                findings=tuple(
                    RowFinding(code=f.code, level=f.level) for f in judge.ordered(found)
                ),
            )
        )
    return tuple(rows)


def _at(values: FloatArray | None, k: int) -> float | None:
    if values is None or not math.isfinite(values[k]):
        return None
    return float(values[k])


def _odds(
    nearest: float | None, clearance: Clearance, rule: Rule
) -> tuple[float | None, float | None]:
    if nearest is None or clearance.suture_sd_mm is None:
        return None, None
    sd, readers = clearance.suture_sd_mm, clearance.suture_definition_sd_mm
    return (
        probability_below(rule.suture_margin_mm, nearest, sd, readers),
        probability_below(0.0, nearest, sd, readers),
    )


def _in_chart(
    chart: SiteChart, midline: FloatArray, lateral: FloatArray, inside_mm: float = 0.0
) -> NDArray[np.bool_]:
    """Whether rules lie in the chart, by more than some distance from its ends."""
    kept = np.ones(len(midline), dtype=bool)
    for arcs, wanted in ((chart.midline_arc_mm, midline), (chart.lateral_arc_mm, lateral)):
        away = np.minimum(wanted - arcs[0], arcs[-1] - wanted)
        kept &= (away > inside_mm - 1e-9) if inside_mm else (away >= -1e-9)
    return kept


def _thinnest_mm(chart: SiteChart, points: ChartPoints) -> FloatArray:
    """Thinnest bone round each point, less what a chart may be off; NaN where none is known.

    Paths 4 degrees off the perpendicular end less than a millimetre farther on, and are hardly
    longer: the charted square paths over that wider disc stand for them.
    """
    from scipy.spatial import cKDTree

    radius = value("stop_near_radius") + 1.0
    place, skull = chart.outer_table_mm.reshape(-1, 3), chart.skull_mm.ravel()
    known = np.isfinite(place).all(axis=1) & np.isfinite(skull) & ~chart.no_sound_bone.ravel()
    out = np.full(len(points.skull_mm), np.nan)
    asked = np.isfinite(points.outer_table_mm).all(axis=1)
    if not known.any() or not asked.any():
        return out
    thick = skull[known]
    near = cKDTree(place[known]).query_ball_point(points.outer_table_mm[asked], radius)
    out[asked] = [thick[list(found)].min() if found else np.nan for found in near]
    return np.maximum(out - _CHART_MM, 0.0)
