"""Two sections through the planned path, and the path enlarged."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from entrypoint.figures import marks
from entrypoint.figures.section_marks import (
    across_the_midline,
    layers_along_the_path,
    path_marks,
    suture_marks,
)
from entrypoint.figures.view import View, turned_to_path, views_along_path
from entrypoint.planning.model import LateralBy, Plan, Side
from entrypoint.report.rounding import tape
from entrypoint.report.wording import SIDE_WORDS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from entrypoint.volume.volume import Volume

__all__ = ["section_along_path"]

FloatArray = NDArray[np.float64]
Extent = tuple[float, float, float, float]
_SMALL_PANEL = 1.267  # width over height
_STEP_MM = 0.4
_FINE_STEP_MM = 0.2
# Shown round soft tissue's own level: wide enough for bone to keep its layers.
_DARKEST_HU, _LIGHTEST_HU = -420.0, 1350.0


def section_along_path(plan: Plan, volume: Volume, side: Side) -> Figure:
    """Sections along and across the head that hold the path of one side, and the path enlarged.

    Parameters
    ----------
    plan : Plan
        From the same CT.
    volume : Volume
    side : Side
        The patient's.

    Returns
    -------
    matplotlib Figure
        Not saved and not shown; it carries the planning-only statement, where each part is seen
        from, a bar in centimetres, and the practice banner where the head is no patient's.

    Raises
    ------
    MeasurementError
        When the plan holds no path on that side.
    """
    from matplotlib.figure import Figure  # late: most runs draw nothing

    along, across = views_along_path(plan, side)
    figure = Figure(figsize=(11.0, 8.1), facecolor=marks.PAPER)
    grid = figure.add_gridspec(
        2, 2, left=0.02, right=0.98, bottom=0.085, top=0.87, wspace=0.03, hspace=0.14,
        width_ratios=(1.6, 1.0),
    )  # fmt: skip
    _heading(figure, plan, side)
    _along(figure.add_subplot(grid[:, 0]), plan, volume, side, along)
    _across(figure.add_subplot(grid[0, 1]), plan, volume, side, across)
    _enlarged(figure.add_subplot(grid[1, 1]), plan, volume, side, along)
    marks.caveat(figure, plan)
    return figure


def _heading(figure: Figure, plan: Plan, side: Side) -> None:
    rule = plan.rule
    by_arc = rule.lateral_by is LateralBy.ARC
    lateral = tape(rule.lateral_arc_mm) if by_arc else "half the pupils' distance"
    figure.text(
        0.02, 0.966, f"Frontal entry, {SIDE_WORDS[side]}: the path in section", fontsize=15,
        fontweight="bold", va="center", color=marks.INK,
    )  # fmt: skip
    figure.text(
        0.02, 0.929,
        f"Rule: {tape(rule.midline_arc_mm)} behind the nasion and {lateral} to the side by tape, "
        "square to the skull. ± is half of the 95 % interval of the measurement.",
        fontsize=9.5, va="center", color=marks.INK,
    )  # fmt: skip


def _picture(
    axes: Axes, plan: Plan, volume: Volume, view: View, extent: Extent, title: str, step_mm: float,
    *, say_unseen: bool = False,
) -> None:  # fmt: skip
    from matplotlib import colormaps

    hu = view.resample(volume, extent, step_mm)
    soft = plan.quality.soft_hu if plan.quality and plan.quality.soft_hu is not None else 40.0
    grey = colormaps["gray"].with_extremes(bad=marks.UNSEEN)
    axes.imshow(
        np.ma.masked_invalid(hu), cmap=grey, vmin=soft + _DARKEST_HU, vmax=soft + _LIGHTEST_HU,
        extent=extent, interpolation="bilinear", aspect="equal",
    )  # fmt: skip
    axes.set_xlim(extent[0], extent[1])
    axes.set_ylim(extent[2], extent[3])
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_visible(False)
    axes.set_title(
        f"{title} Seen from {view.seen_from}.", fontsize=9.5, loc="left", color=marks.INK, pad=4
    )
    marks.edges(axes, view.left_edge, view.right_edge)
    if say_unseen:
        _say_unseen(axes, hu, extent)


def _say_unseen(axes: Axes, hu: FloatArray, extent: Extent) -> None:
    """Name the part of the page that the scan does not show, where it is more than a rim."""
    unseen = ~np.isfinite(hu)
    if unseen.mean() < 0.01:
        return
    rows, columns = np.nonzero(unseen)
    top = rows < 0.12 * len(hu)
    if not top.any():
        return
    column = float(np.median(columns[top]))
    x = extent[0] + (column + 0.5) / hu.shape[1] * (extent[1] - extent[0])
    axes.text(x, extent[3] - 3.0, "not in the scan", fontsize=8.0, color=marks.INK, ha="center",
              va="top", style="italic", zorder=6)  # fmt: skip


def _along(axes: Axes, plan: Plan, volume: Volume, side: Side, view: View) -> None:
    front = 1.0 if side is Side.RIGHT else -1.0  # towards the face on this page
    x = sorted((-118.0 * front, 52.0 * front))
    extent = (x[0], x[1], -135.0, 44.0)
    _picture(axes, plan, volume, view, extent, "Along the head.", _STEP_MM, say_unseen=True)
    at = path_marks(axes, plan, side, view)
    marks.label(
        axes, "entry on the scalp", at["entry"], at["entry"] + np.array([front * 14.0, 15.0]),
        ha="left" if front > 0 else "right",
    )  # fmt: skip
    if "tip" in at:
        marks.label(
            axes, "sensor tip", at["tip"], at["tip"] + np.array([-front * 6.0, -20.0]), ha="center"
        )
    suture_marks(axes, plan, volume, side, view, at)
    marks.scale_bar(axes, (extent[0] + 14.0, extent[2] + 7.0), 50.0)
    marks.across_it(axes, plan, at=(0.46, 0.27), size=21.0, turn=26.0)


def _across(axes: Axes, plan: Plan, volume: Volume, side: Side, view: View) -> None:
    extent = _deep_enough(plan, side, view, above_mm=26.0, below_mm=36.0)
    _picture(axes, plan, volume, view, extent, "Across the head.", _STEP_MM)
    at = path_marks(axes, plan, side, view)
    across_the_midline(axes, plan, side, view, at, extent)
    marks.scale_bar(axes, (extent[0] + 9.0, extent[2] + 10.0), 20.0)
    marks.across_it(axes, plan, at=(0.5, 0.055), size=11.5, turn=0.0)


def _deep_enough(
    plan: Plan, side: Side, view: View, *, above_mm: float, below_mm: float
) -> Extent:
    """The part of the page that holds the path with some room, in the small panels' own shape."""
    planned = plan.sides[side]
    ends = [planned.scalp_entry_mm, planned.sensor_tip_mm, planned.inner_table_mm]
    y = [float(view.page_from_world(end)[1]) for end in ends if end is not None]
    bottom, top = min([*y, y[0] - 28.0]) - below_mm, y[0] + above_mm
    half = 0.5 * _SMALL_PANEL * (top - bottom)
    return (-half, half, bottom, top)


def _enlarged(axes: Axes, plan: Plan, volume: Volume, side: Side, along: View) -> None:
    view = turned_to_path(plan, side, along)
    extent = _deep_enough(plan, side, view, above_mm=10.0, below_mm=9.0)
    _picture(axes, plan, volume, view, extent, "The path enlarged.", _FINE_STEP_MM)
    at = path_marks(axes, plan, side, view)
    layers_along_the_path(axes, plan, side, at)
    marks.scale_bar(axes, (extent[0] + 5.0, extent[2] + 5.5), 10.0)
    marks.across_it(axes, plan, at=(0.5, 0.055), size=11.5, turn=0.0)
