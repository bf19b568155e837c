"""Every margin over the map: what it keeps at the best estimate, and how likely it is broken.

Errors are taken as normal. What moves the point along the midline (nasion, tape, hand) enters by
how fast a margin changes there. Suture, sound bone and thickness are taken as independent of the
plane; midline and sinus move with that one plane, so that the worse of the two counts.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from entrypoint.planning.chart_lookup import ChartPoints, look_up
from entrypoint.planning.model import Rule, SidePlan
from entrypoint.planning.odds import combined_sd
from entrypoint.planning.regions import edges_of, signed_distances_mm
from entrypoint.planning.site_chart import SiteChart
from entrypoint.planning.site_map_model import Margin
from entrypoint.reference import spread, value

__all__ = ["MARGINS", "HandSpread", "MarginField", "Spreads", "limits_of", "margin_field"]

FloatArray = NDArray[np.float64]
HandSpread = Callable[[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]
"""(midline arcs, lateral arcs), (k,) each, to the hand's standard deviations along and across
the midline on the scalp there, (k,) each, mm."""

MARGINS = (Margin.SUTURE, Margin.MIDLINE, Margin.SINUS, Margin.BONE, Margin.THICKNESS)
FINE_MM = 0.5
_LEAST_P, _FAR_MM = 1e-6, 1e3


@dataclass(frozen=True, slots=True, kw_only=True)
class Spreads:
    """Standard deviations of the margins of one side, measurement and readers together."""

    suture_mm: float
    midline_mm: float
    sinus_mm: float
    along_mm: float
    across_mm: float

    @classmethod
    def of_plan(cls, plan: SidePlan) -> Spreads:
        """Those that a plan states at its own point."""
        c = plan.clearance
        readers = spread("plane_definition")
        return cls(
            suture_mm=combined_sd(c.suture_sd_mm, c.suture_definition_sd_mm),
            midline_mm=combined_sd(c.midline_sd_mm, readers),
            sinus_mm=combined_sd(c.sinus_sd_mm, readers),
            along_mm=combined_sd(
                plan.scalp_entry_sd_along_mm, plan.scalp_entry_definition_sd_along_mm
            ),
            across_mm=combined_sd(plan.scalp_entry_sd_across_mm, readers),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class MarginField:
    """Margins on a grid of half-millimetre arcs, (n, m); ``excess`` in the order of ``MARGINS``.

    Attributes
    ----------
    excess_mm : (5, n, m) array
        What each margin has over its limit; NaN where it is not known.
    p_broken : (5, n, m) array
    best_mm : (n, m) array
        The least excess; negative where any margin is broken or not known.
    worst : (n, m) array
        Which margin that is.
    p_any : (n, m) array
        Probability that some margin is broken.
    likeliest : (n, m) array
        Which margin is broken most likely.
    """

    midline_arc_mm: FloatArray
    lateral_arc_mm: FloatArray
    points: ChartPoints
    scalp_entry_mm: FloatArray
    excess_mm: FloatArray
    p_broken: FloatArray
    best_mm: FloatArray
    worst: NDArray[np.intp]
    p_any: FloatArray
    likeliest: NDArray[np.intp]


def limits_of(rule: Rule) -> dict[Margin, float]:
    """What each margin must keep, mm."""
    return {
        Margin.SUTURE: rule.suture_margin_mm,
        Margin.MIDLINE: rule.midline_margin_mm,
        Margin.SINUS: rule.sinus_margin_mm,
        Margin.BONE: value("bone_missing_radius"),
        Margin.THICKNESS: max(value("skull_child_limit"), rule.engagement_mm or 0.0),
    }


def margin_field(
    chart: SiteChart, rule: Rule, spreads: Spreads, hand: HandSpread | None = None
) -> MarginField:
    """Judge every margin over the chart.

    Parameters
    ----------
    chart : SiteChart
    rule : Rule
        Its margins.
    spreads : Spreads
    hand : callable, optional
        See ``HandSpread``; without it only the scan's and the readers' spreads count.

    Returns
    -------
    MarginField
    """
    midline, lateral = _fine(chart.midline_arc_mm), _fine(chart.lateral_arc_mm)
    shape = (len(midline), len(lateral))
    mm, ll = (a.ravel() for a in np.meshgrid(midline, lateral, indexing="ij"))
    points = look_up(chart, mm, ll)
    entry = points.scalp_entry_mm.reshape(*shape, 3)
    hand_along, hand_across = (np.zeros(shape), np.zeros(shape))
    if hand is not None:
        hand_along, hand_across = (np.asarray(a).reshape(shape) for a in hand(mm, ll))
    limits = limits_of(rule)
    values = {
        Margin.SUTURE: points.suture_nearest_mm,
        Margin.MIDLINE: points.midline_scalp_mm,
        Margin.SINUS: points.sinus_mm,
        Margin.THICKNESS: points.skull_mm,
    }
    along, across = _per_mm(entry, midline, lateral)

    def by_place(figure: FloatArray, sd_along: FloatArray, sd_across: FloatArray) -> FloatArray:
        by_midline, by_lateral = np.gradient(figure, midline, lateral)
        variance = np.square(by_midline * along * sd_along)
        variance += np.square(by_lateral * across * sd_across)
        return np.asarray(np.where(np.isfinite(variance), variance, 0.0))  # beside what is unseen

    own = {
        Margin.SUTURE: spreads.suture_mm,
        Margin.MIDLINE: spreads.midline_mm,
        Margin.SINUS: spreads.sinus_mm,
    }
    placed_along = np.hypot(spreads.along_mm, hand_along)
    placed_across = np.hypot(spreads.across_mm, hand_across)
    excess, broken = [], []
    for margin in MARGINS:
        if margin is Margin.BONE:
            away = _from_unsound(entry, points.no_sound_bone.reshape(shape))
            sd = np.sqrt(0.5 * (np.square(placed_along) + np.square(placed_across)))
        else:
            figure = values[margin].reshape(shape)
            away = figure - limits[margin]
            if margin is Margin.THICKNESS:
                # Without sound bone there is no thickness to judge: that margin is the one before.
                away = np.where(points.no_sound_bone.reshape(shape), _FAR_MM, away)
                bone = combined_sd(chart.skull_sd_mm, spread("skull_definition"))
                sd = np.sqrt(bone**2 + by_place(figure, placed_along, placed_across))
            else:
                sd = np.sqrt(own[margin] ** 2 + by_place(figure, hand_along, hand_across))
        excess.append(away)
        broken.append(_below_zero(away, sd))
    all_excess, p = np.array(excess), np.array(broken)
    known = np.where(np.isfinite(all_excess), all_excess, -_FAR_MM)
    suture, mid, sinus, bone_p, thin = p
    kept = (1.0 - suture) * (1.0 - np.maximum(mid, sinus)) * (1.0 - bone_p) * (1.0 - thin)
    p_any = np.clip(1.0 - kept, _LEAST_P, 1.0 - _LEAST_P)
    return MarginField(
        midline_arc_mm=midline,
        lateral_arc_mm=lateral,
        points=points,
        scalp_entry_mm=entry,
        excess_mm=all_excess,
        p_broken=p,
        best_mm=known.min(axis=0),
        worst=np.argmin(known, axis=0),
        p_any=p_any,
        likeliest=np.argmax(p, axis=0),
    )


def _fine(arcs: FloatArray) -> FloatArray:
    steps = max(1, round((arcs[-1] - arcs[0]) / FINE_MM))
    return np.linspace(arcs[0], arcs[-1], steps + 1)


def _per_mm(
    entry: FloatArray, midline: FloatArray, lateral: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """How many mm of each arc move the point by 1 mm on the scalp, (n, m) each."""
    by_midline, by_lateral = np.gradient(entry, midline, lateral, axis=(0, 1))
    with np.errstate(divide="ignore"):
        return (
            np.asarray(1.0 / np.linalg.norm(by_midline, axis=-1)),
            np.asarray(1.0 / np.linalg.norm(by_lateral, axis=-1)),
        )


def _from_unsound(entry: FloatArray, unsound: NDArray[np.bool_]) -> FloatArray:
    """Signed distance on the scalp to where no sound bone lies near, positive away from it."""
    field = np.where(unsound, -0.5, 0.5)
    if not unsound.any():
        return np.full(unsound.shape, _FAR_MM)
    edges = edges_of(entry, field, np.zeros(unsound.shape, dtype=np.intp), closed=False)
    away, _ = signed_distances_mm(edges, entry.reshape(-1, 3), ~unsound.ravel())
    away = np.where(np.isfinite(away), away, -_FAR_MM)
    return np.asarray(away.reshape(unsound.shape))


def _below_zero(away_mm: FloatArray, sd_mm: FloatArray) -> FloatArray:
    """Probability that a figure with a normal error is below 0; 1 where it is not known."""
    from scipy.special import ndtr

    with np.errstate(invalid="ignore", divide="ignore"):
        p = ndtr(-away_mm / np.maximum(sd_mm, 1e-9))
    return np.asarray(np.where(np.isfinite(away_mm) & np.isfinite(p), p, 1.0))
