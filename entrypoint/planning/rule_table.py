"""Every figure over a grid of rules on a head CT, from charts that are read once.

What a full plan looks at round its own point only (swelling under the tapes, frontal sinus, the
corridor) is not in it, and said not to be.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import FieldRefused, MeasurementError
from entrypoint.planning.chart_lookup import ChartPoints, look_up
from entrypoint.planning.chart_read import LATERAL_ARCS_MM, MIDLINE_ARCS_MM, read_chart
from entrypoint.planning.ct_parts import CtParts
from entrypoint.planning.model import How, LookedAt, Plan, Rule, Side
from entrypoint.planning.rule_rows import side_rules
from entrypoint.planning.rule_table_model import MOST_RULES, RuleTable, SideRules
from entrypoint.planning.site_chart import SiteChart

__all__ = ["grid_of", "rule_table"]


FloatArray = NDArray[np.float64]
# The range of the site map at about twice its spacing: 0.1 mm off it, in less time.
_MIDLINE_ARCS_MM: FloatArray = np.linspace(MIDLINE_ARCS_MM[0], MIDLINE_ARCS_MM[-1], 31)
_LATERAL_ARCS_MM: FloatArray = np.linspace(LATERAL_ARCS_MM[0], LATERAL_ARCS_MM[-1], 21)


def grid_of(
    midline_arcs_mm: Iterable[float], lateral_arcs_mm: Iterable[float]
) -> tuple[FloatArray, FloatArray]:
    """Both arcs of every rule of a grid, midline arc by midline arc, rising.

    Raises
    ------
    FieldRefused
        No arc, one that is not a number, or more than ``MOST_RULES`` rules.
    """
    axes = []
    for name, arcs in (("midline", midline_arcs_mm), ("lateral", lateral_arcs_mm)):
        # No more than can be asked for: a range of a thousand million is refused, not counted.
        axis = np.unique(np.asarray(list(islice(arcs, MOST_RULES + 1)), dtype=float))
        if not axis.size or not np.isfinite(axis).all():
            raise FieldRefused(
                found=f"{name} arcs that are none, or not numbers",
                expected="one or more lengths in mm",
                next_step="give them as 100:130:5, or as 100,110,120",
            )
        axes.append(axis)
    if axes[0].size * axes[1].size > MOST_RULES:
        raise FieldRefused(
            found="too many rules",
            expected=f"at most {MOST_RULES}, each a midline arc with a lateral arc",
            next_step="take a larger step, or a shorter range",
        )
    midline, lateral = np.meshgrid(axes[0], axes[1], indexing="ij")
    return midline.ravel(), lateral.ravel()


def rule_table(
    plan: Plan,
    parts: CtParts,
    midline_arcs_mm: Iterable[float],
    lateral_arcs_mm: Iterable[float],
    *,
    progress: Callable[[str], None] | None = None,
) -> RuleTable:
    """Tabulate every figure over a grid of rules.

    Parameters
    ----------
    plan : Plan
        Of the same volume; its sides are tabulated, and its findings about the head are kept.
    parts : CtParts
    midline_arcs_mm, lateral_arcs_mm : iterable of float
        The grid.
    progress : callable, optional

    Returns
    -------
    RuleTable

    Raises
    ------
    FieldRefused
        See :func:`grid_of`.
    MeasurementError
        No side can be charted.
    """
    midline, lateral = grid_of(midline_arcs_mm, lateral_arcs_mm)
    (progress or (lambda _: None))("reading the chart of rules")
    # The other side's scalp too: a swelling shows against it.
    charts = _charts(parts)
    child = plan.rule.person == "child" or any(f.code == "child-suspected" for f in plan.findings)
    points = {side: look_up(chart, midline, lateral) for side, chart in charts.items()}
    sides: dict[Side, SideRules] = {}
    for side, found in plan.sides.items():
        if side not in charts or found.scalp_entry_mm is None:
            continue
        other = points.get(Side.LEFT if side is Side.RIGHT else Side.RIGHT)
        rows = side_rules(
            charts[side],
            points[side],
            midline,
            lateral,
            found,
            plan.rule,
            plane_sd_mm=_plane_sd_mm(parts, points[side]),
            how=parts.suture.how[side],
            dense=parts.suture.dense[side],
            other_scalp_mm=None if other is None else _seen_scalp_mm(other),
            tip_inside=_tip_inside(parts, points[side], plan.rule),
            geometry_only=child,
        )
        sides[side] = SideRules(suture=parts.suture.how[side], rows=rows)
    if not sides:
        raise MeasurementError(
            found="no side that can be charted",
            expected="a side whose point can be planned",
            next_step="see what a plan of this scan finds",
        )
    chart = charts[next(iter(sides))]
    return RuleTable(
        tool_version=plan.tool_version,
        input=plan.input,
        rule=plan.rule,
        midline_arc_first_mm=float(chart.midline_arc_mm[0]),
        midline_arc_last_mm=float(chart.midline_arc_mm[-1]),
        lateral_arc_first_mm=float(chart.lateral_arc_mm[0]),
        lateral_arc_last_mm=float(chart.lateral_arc_mm[-1]),
        sides=sides,
        findings=plan.findings,
        looked_at=_looked_at(plan, sides),
        quality=plan.quality,
        practice=plan.practice,
    )


def _charts(parts: CtParts) -> dict[Side, SiteChart]:
    """Charts of the sides that can be charted, read once for every row."""
    charts = {}
    for side in parts.sites:
        with suppress(MeasurementError):
            charts[side] = read_chart(
                parts.head, parts.tape, parts.midsagittal, parts.suture, parts.rule, side,
                _MIDLINE_ARCS_MM, _LATERAL_ARCS_MM,
            )  # fmt: skip
    return charts


def _seen_scalp_mm(points: ChartPoints) -> FloatArray:
    """Scalp where bone under it is sound: over a bridged surface it is none."""
    return np.where(points.no_sound_bone, np.nan, points.scalp_mm)


def _plane_sd_mm(parts: CtParts, points: ChartPoints) -> FloatArray:
    """Spread of the plane along the path's way in: the larger of scalp and outer table."""
    head = parts.head
    return np.fmax(head.plane_sd_mm(points.scalp_entry_mm), head.plane_sd_mm(points.outer_table_mm))


def _tip_inside(parts: CtParts, points: ChartPoints, rule: Rule) -> dict[int, bool]:
    """Whether each tip lies in the head's tissue; rows that cannot be told are left out."""
    depth = points.skull_mm + rule.sensor_depth_mm
    tip = points.outer_table_mm + depth[:, None] * points.unit_inward
    rows = np.flatnonzero(np.isfinite(tip).all(axis=1))
    if not rows.size:
        return {}
    hu = parts.head.volume.sample_hu(tip[rows])
    outside = parts.head.coarse.is_exterior(tip[rows])
    return {
        int(k): not bool(out)
        for k, seen, out in zip(rows, np.isfinite(hu), outside, strict=True)
        if seen
    }


def _looked_at(plan: Plan, sides: Mapping[Side, SideRules]) -> LookedAt:
    names = " and ".join(f"PATIENT'S {side.value.upper()}" for side in sides)
    unseen = [
        f"the coronal suture, PATIENT'S {side.value.upper()} (not seen: estimated)"
        for side, found in sides.items()
        if found.suture is How.ESTIMATED
    ]
    refused = [
        f"anything on the PATIENT'S {side.value.upper()}"
        for side in plan.sides
        if side not in sides
    ]
    return LookedAt(
        checked=(
            f"distances to the midline and to the published sinus envelope at each point, {names}",
            f"distance to the coronal suture at each point, {names}",
            f"scalp and skull along square paths, missing bone, cracks and metal within 8 mm, "
            f"{names}",
            "scalp at the point against the other side",
        ),
        not_checked=(
            "what only a plan looks at round its own point: swelling under the tapes, frontal "
            "sinus, what lies along the path",
            *plan.looked_at.not_checked,
        ),
        could_not_be_checked=(*unseen, *refused),
    )
