"""The within-margins area of one side: how large, where its middle is, how rules fall in it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from entrypoint.planning.chart_lookup import look_up
from entrypoint.planning.map_margins import (
    MARGINS,
    HandSpread,
    MarginField,
    Spreads,
    limits_of,
    margin_field,
)
from entrypoint.planning.model import Finding, How, LateralBy, Rule
from entrypoint.planning.regions import LIMIT, Edges, area_mm2, edges_of, signed_distances_mm
from entrypoint.planning.site_chart import SiteChart
from entrypoint.planning.site_map_model import (
    OWN_RULE,
    HandPlace,
    MapArea,
    MapCentre,
    MapLimit,
    MapPoint,
    Margin,
    SideMap,
)
from entrypoint.reference import value

__all__ = ["label_of", "rules_in_use", "side_map"]

FloatArray = NDArray[np.float64]
_NO_EDGE_MM = 1e3


def rules_in_use(rule: Rule) -> tuple[tuple[str, Rule], ...]:
    """The rules that textbooks teach, as points (check row 1.1), with the margins of ``rule``.

    Parameters
    ----------
    rule : Rule
        Its interpupillary distance, where known; otherwise the published mean stands in.
    """
    usual, longer = value("rule_midline_arc"), value("rule_midline_arc_long")
    near, mid, far = (value(f"rule_lateral_arc{which}") for which in ("_short", "", "_long"))
    pupils = rule.interpupillary_mm
    average = 0.5 * (value("interpupillary_men") + value("interpupillary_women"))
    named = "mid-pupillary" if pupils is not None else "mid-pupillary of the published mean"
    out = [
        (f"{m / 10:g} cm and {s / 10:g} cm", replace(rule, midline_arc_mm=m, lateral_arc_mm=s,
                                                     lateral_by=LateralBy.ARC))
        for m, s in ((usual, near), (usual, mid), (longer, near), (longer, mid), (longer, far))
    ]  # fmt: skip
    by_pupil = replace(
        rule,
        midline_arc_mm=usual,
        lateral_by=LateralBy.MID_PUPILLARY,
        interpupillary_mm=pupils if pupils is not None else average,
    )
    out.insert(2, (f"{usual / 10:g} cm and {named}", by_pupil))
    return tuple(out)


def side_map(
    chart: SiteChart,
    rule: Rule,
    spreads: Spreads,
    suture: How,
    *,
    hand: HandSpread | None = None,
    findings: tuple[Finding, ...] = (),
) -> tuple[SideMap, MarginField]:
    """What one side's chart says of the margins.

    Parameters
    ----------
    chart : SiteChart
    rule : Rule
    spreads : Spreads
    suture : How
        Whether the suture of that side was seen.
    hand : callable, optional
        See ``map_margins.HandSpread``.
    findings : tuple of Finding
        Of the plan at the rule's point.

    Returns
    -------
    SideMap, MarginField
    """
    field = margin_field(chart, rule, spreads, hand)
    kept = value("probability_kept")
    scores = {
        "best": (field.best_mm, field.worst),
        "kept": ((1.0 - kept) - field.p_any, field.likeliest),
    }
    edges = {
        name: edges_of(field.scalp_entry_mm, score, cause, closed=False)
        for name, (score, cause) in scores.items()
    }

    def at(name: str, one: Rule) -> MapPoint:
        return _point(name, one, chart, field, scores, edges)

    limits = limits_of(rule)
    skull = chart.skull_mm[np.isfinite(chart.skull_mm)]
    place = None
    own = at(OWN_RULE, rule)
    if hand is not None and own.lateral_arc_mm is not None:
        sds = hand(np.array([own.midline_arc_mm]), np.array([own.lateral_arc_mm]))
        place = HandPlace(sd_along_mm=float(sds[0][0]), sd_across_mm=float(sds[1][0]))
    made = SideMap(
        suture=suture,
        limits=tuple(
            MapLimit(
                margin=margin,
                limit_mm=limits[margin],
                share_broken=float(np.mean(~(field.excess_mm[k] >= 0.0))),
            )
            for k, margin in enumerate(MARGINS)
        ),
        best=_area(field, *scores["best"]),
        kept=_area(field, *scores["kept"]),
        rule_point=own,
        rules=tuple(at(name, one) for name, one in rules_in_use(rule)),
        hand=place,
        scalp_sd_mm=_finite(chart.scalp_sd_mm),
        skull_sd_mm=_finite(chart.skull_sd_mm),
        skull_least_mm=float(skull.min()) if skull.size else None,
        skull_median_mm=float(np.median(skull)) if skull.size else None,
        skull_most_mm=float(skull.max()) if skull.size else None,
        share_without_sound_bone=float(np.mean(chart.no_sound_bone)),
        findings=findings,
    )
    return made, field


def _area(field: MarginField, score: FloatArray, cause: NDArray[np.intp]) -> MapArea:
    from scipy import ndimage

    inside = score >= 0.0
    border = inside[[0, -1], :].any() or inside[:, [0, -1]].any()
    _, parts = ndimage.label(inside)
    return MapArea(
        area_mm2=area_mm2(field.scalp_entry_mm, score),
        parts=int(parts),
        reaches_end_of_map=bool(border),
        centre=_centre(field, score, cause),
    )


def _centre(field: MarginField, score: FloatArray, cause: NDArray[np.intp]) -> MapCentre | None:
    """The place farthest from every edge, among those that are offered at all."""
    rows = field.midline_arc_mm >= value("foremost_arc") - 1e-9
    columns = field.lateral_arc_mm <= value("farthest_lateral_arc") + 1e-9
    at = np.ix_(rows, columns)
    part, where = score[at], field.scalp_entry_mm[at]
    if part.size == 0 or min(part.shape) < 2 or not (part >= 0.0).any():
        return None
    edges = edges_of(where, part, cause[at], closed=True)
    inside = (part >= 0.0).ravel()
    away, what = signed_distances_mm(edges, where.reshape(-1, 3), inside)
    k = int(np.argmax(np.where(inside & np.isfinite(away), away, -np.inf)))
    i, j = np.unravel_index(k, part.shape)
    return MapCentre(
        midline_arc_mm=float(field.midline_arc_mm[rows][i]),
        lateral_arc_mm=float(field.lateral_arc_mm[columns][j]),
        position_mm=where[i, j],
        edge_mm=float(away[k]),
        edge_is=_name(int(what[k])),
    )


def _name(cause: int) -> Margin:
    return Margin.MAP if cause == LIMIT else MARGINS[cause]


def _point(
    name: str,
    rule: Rule,
    chart: SiteChart,
    field: MarginField,
    scores: dict[str, tuple[FloatArray, NDArray[np.intp]]],
    edges: dict[str, Edges],
) -> MapPoint:
    lateral = _lateral_arc(rule, chart)
    off = MapPoint(
        name=name, midline_arc_mm=rule.midline_arc_mm, lateral_arc_mm=lateral, in_map=False
    )
    if lateral is None:
        return off
    got = look_up(chart, rule.midline_arc_mm, lateral)
    if not np.isfinite(got.scalp_entry_mm).all():
        return off
    interpolated = _interpolate(field, rule.midline_arc_mm, lateral)
    p_any = interpolated(field.p_any)
    signed: dict[str, tuple[float | None, Margin | None]] = {}
    within = {"best": interpolated(scores["best"][0]) >= 0.0, "kept": False}
    within["kept"] = interpolated(scores["kept"][0]) >= 0.0
    for which, of in edges.items():
        away, cause = signed_distances_mm(of, got.scalp_entry_mm, np.array([within[which]]))
        known = bool(np.isfinite(away[0]))
        signed[which] = (float(away[0]), _name(int(cause[0]))) if known else (None, None)
    broken = tuple(
        margin
        for margin, excess in zip(MARGINS, field.excess_mm, strict=True)
        if not interpolated(np.where(np.isfinite(excess), excess, -_NO_EDGE_MM)) >= 0.0
    )
    return replace(
        off,
        in_map=True,
        within_best=within["best"],
        within_kept=within["kept"],
        p_margin_broken=p_any,
        edge_best_mm=signed["best"][0],
        edge_best_is=signed["best"][1],
        edge_kept_mm=signed["kept"][0],
        edge_kept_is=signed["kept"][1],
        suture_nearest_mm=_finite(got.suture_nearest_mm[0]),
        midline_scalp_mm=_finite(got.midline_scalp_mm[0]),
        sinus_mm=_finite(got.sinus_mm[0]),
        scalp_mm=_finite(got.scalp_mm[0]),
        skull_mm=_finite(got.skull_mm[0]),
        slope_deg=_finite(got.slope_deg[0]),
        broken=broken,
    )


def _interpolate(
    field: MarginField, midline: float, lateral: float
) -> Callable[[FloatArray], float]:
    """Bilinear value of any array of the field at one place."""
    a = (midline - field.midline_arc_mm[0]) / (field.midline_arc_mm[1] - field.midline_arc_mm[0])
    b = (lateral - field.lateral_arc_mm[0]) / (field.lateral_arc_mm[1] - field.lateral_arc_mm[0])
    i = min(max(int(a), 0), len(field.midline_arc_mm) - 2)
    j = min(max(int(b), 0), len(field.lateral_arc_mm) - 2)
    a, b = a - i, b - j

    def value_of(values: FloatArray) -> float:
        near = (1 - b) * values[i, j] + b * values[i, j + 1]
        far = (1 - b) * values[i + 1, j] + b * values[i + 1, j + 1]
        return float((1 - a) * near + a * far)

    return value_of


def _lateral_arc(rule: Rule, chart: SiteChart) -> float | None:
    """The rule's lateral arc; None where the mid-pupillary line does not lie on the chart."""
    if rule.lateral_by is LateralBy.ARC:
        return rule.lateral_arc_mm
    if rule.interpupillary_mm is None:
        return None
    arcs = chart.lateral_arc_mm
    got = look_up(chart, np.full(len(arcs), rule.midline_arc_mm), arcs).midline_scalp_mm
    wanted = 0.5 * rule.interpupillary_mm
    past = np.flatnonzero((got[1:] >= wanted) & (got[:-1] < wanted))
    if not past.size:
        return None
    k = int(past[0])
    share = (wanted - got[k]) / (got[k + 1] - got[k])
    return float(arcs[k] + share * (arcs[k + 1] - arcs[k]))


def _finite(number: float) -> float | None:
    return float(number) if np.isfinite(number) else None


def label_of(field: MarginField) -> NDArray[np.uint8]:
    """2 where every margin holds with the stated probability, 1 at the best estimate, else 0."""
    kept = (1.0 - value("probability_kept")) - field.p_any >= 0.0
    best = field.best_mm >= 0.0
    return np.where(best & kept, 2, np.where(best, 1, 0)).astype(np.uint8)
