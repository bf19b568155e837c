"""Every figure of a chart at any tape distances: bilinear, for many points at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from entrypoint.planning.site_chart import SiteChart

__all__ = ["ChartPoints", "look_up"]

FloatArray = NDArray[np.float64]
_PLACES = ("scalp_entry_mm", "outer_table_mm")
_DIRECTIONS = ("unit_inward", "unit_along", "unit_across")
_FIGURES = (
    "scalp_mm",
    "skull_mm",
    "outer_layer_mm",
    "diploe_mm",
    "inner_layer_mm",
    "slope_deg",
    "midline_scalp_mm",
    "midline_inner_table_mm",
    "midline_tip_mm",
    "sinus_mm",
    "suture_nearest_mm",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartPoints:
    """Figures at k points, as in the chart; NaN outside it and beside what it does not show."""

    scalp_entry_mm: FloatArray  # (k, 3)
    outer_table_mm: FloatArray  # (k, 3)
    unit_inward: FloatArray  # (k, 3)
    unit_along: FloatArray  # (k, 3)
    unit_across: FloatArray  # (k, 3)
    scalp_mm: FloatArray
    skull_mm: FloatArray
    outer_layer_mm: FloatArray
    diploe_mm: FloatArray
    inner_layer_mm: FloatArray
    slope_deg: FloatArray
    midline_scalp_mm: FloatArray
    midline_inner_table_mm: FloatArray
    midline_tip_mm: FloatArray
    sinus_mm: FloatArray
    suture_nearest_mm: FloatArray
    no_sound_bone: NDArray[np.bool_]  # at any corner of the cell; true outside the chart


def look_up(chart: SiteChart, midline_arc_mm: ArrayLike, lateral_arc_mm: ArrayLike) -> ChartPoints:
    """Interpolate in a chart.

    Parameters
    ----------
    chart : SiteChart
        Its arcs evenly spaced.
    midline_arc_mm, lateral_arc_mm : array_like, shape (k,)

    Returns
    -------
    ChartPoints
    """
    midline = np.atleast_1d(np.asarray(midline_arc_mm, dtype=float))
    lateral = np.atleast_1d(np.asarray(lateral_arc_mm, dtype=float))
    midline, lateral = np.broadcast_arrays(midline, lateral)
    i, a, in_a = _cell(chart.midline_arc_mm, midline)
    j, b, in_b = _cell(chart.lateral_arc_mm, lateral)
    inside = in_a & in_b
    m = len(chart.lateral_arc_mm)
    names = (*_PLACES, *_DIRECTIONS, *_FIGURES)
    stack = np.concatenate(
        [getattr(chart, name).reshape(len(chart.midline_arc_mm) * m, -1) for name in names], axis=1
    )
    corners = (i * m + j, i * m + j + 1, (i + 1) * m + j, (i + 1) * m + j + 1)
    weights = ((1 - a) * (1 - b), (1 - a) * b, a * (1 - b), a * b)
    total = np.zeros((len(midline), stack.shape[1]))
    unsound = ~inside
    flags = chart.no_sound_bone.ravel()
    for corner, weight in zip(corners, weights, strict=True):
        # A corner without weight says nothing: a grid point beside a gap keeps its figure.
        used = weight > 1e-9
        part = stack[corner] * weight[:, None]
        total += part if bool(used.all()) else np.where(used[:, None], part, 0.0)
        unsound = unsound | (flags[corner] & used)
    total[~inside] = np.nan
    found: dict[str, FloatArray] = {}
    at = 0
    for name in names:
        if name in _PLACES or name in _DIRECTIONS:
            vectors = total[:, at : at + 3]
            if name in _DIRECTIONS:
                size = np.sqrt(np.einsum("ij,ij->i", vectors, vectors))
                vectors = vectors / size[:, None]
            found[name] = vectors
            at += 3
        else:
            found[name] = total[:, at]
            at += 1
    return ChartPoints(**found, no_sound_bone=unsound)


def _cell(
    arcs: FloatArray, wanted: FloatArray
) -> tuple[NDArray[np.intp], FloatArray, NDArray[np.bool_]]:
    """Lower corner, share of the way to the upper one, and whether the arc is in the chart."""
    step = (arcs[-1] - arcs[0]) / (len(arcs) - 1)
    at = (wanted - arcs[0]) / step
    inside = (at >= -1e-9) & (at <= len(arcs) - 1 + 1e-9)
    at = np.clip(np.where(np.isfinite(at), at, 0.0), 0.0, len(arcs) - 1.0)
    low = np.minimum(at.astype(np.intp), len(arcs) - 2)
    return low, at - low, inside
