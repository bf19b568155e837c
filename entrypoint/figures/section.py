"""Two sections through the planned path, along and across the head, and the path enlarged."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from entrypoint.figures.page import Page
from entrypoint.figures.section_marks import (
    across_the_midline,
    layers_along_the_path,
    path_marks,
    skin_and_tables,
    suture_marks,
)
from entrypoint.figures.style import UNSEEN, Style
from entrypoint.figures.view import View, turned_to_path, views_along_path
from entrypoint.planning.model import LateralBy, Plan, Side
from entrypoint.report.rounding import tape

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from entrypoint.volume.volume import Volume

__all__ = ["rule_words", "section_along_path", "show_hu"]

FloatArray = NDArray[np.float64]
Extent = tuple[float, float, float, float]
Rect = tuple[float, float, float, float]
SIZE_IN = (12.0, 8.6)
_ALONG_IN: Rect = (0.2, 0.75, 6.3, 6.75)
_ACROSS_IN: Rect = (6.75, 4.28, 5.05, 3.22)
_ENLARGED_IN: Rect = (6.75, 0.75, 5.05, 3.2)
_STEP_MM, _FINE_STEP_MM = 0.4, 0.15
# Shown round soft tissue's own level: wide enough for bone to keep its layers.
_LABEL = 20
_DARKEST_HU, _LIGHTEST_HU = -420.0, 1350.0


def section_along_path(
    plan: Plan, volume: Volume, side: Side, style: Style | None = None
) -> Figure:
    """Sections along and across the head that hold the path of one side, and the path enlarged.

    Parameters
    ----------
    plan : Plan
        From the same CT.
    volume : Volume
    side : Side
        The patient's.
    style : Style, optional

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
    along, across = views_along_path(plan, side)
    page = Page(plan, style or Style(), SIZE_IN)
    page.heading(side, "the path in section", rule_words(plan))
    _along(page, plan, volume, side, along)
    _across(page, plan, volume, side, across)
    _enlarged(page, plan, volume, side, along)
    page.foot()
    return page.figure


def rule_words(plan: Plan) -> str:
    """The rule in a line, and what ± means."""
    rule = plan.rule
    if plan.given_path is not None:
        return (
            f"Given path {shorten(plan.given_path)}: {tape(rule.midline_arc_mm)} behind the nasion,"
            f" {tape(rule.lateral_arc_mm)} to the side by tape{_tilted(plan)}. ± is half of 95 %."
        )
    by_arc = rule.lateral_by is LateralBy.ARC
    lateral = tape(rule.lateral_arc_mm) if by_arc else "half the pupils' distance"
    return (
        f"Rule: {tape(rule.midline_arc_mm)} behind the nasion and {lateral} to the side by tape, "
        "square to the skull. ± is half of the 95 % interval."
    )


def _tilted(plan: Plan) -> str:
    """The tilt of a plan's one given path."""
    tilts = [side.tilt_deg for side in plan.sides.values() if side.tilt_deg is not None]
    return f", tilt {tilts[0]:.1f} degrees" if tilts else ""


def shorten(label: str) -> str:
    """A label that leaves a heading its room."""
    return label if len(label) <= _LABEL else label[: _LABEL - 1] + "…"


def show_hu(axes: Axes, plan: Plan, hu: FloatArray, extent: Extent) -> None:
    """Show HU on a page in greys, bone with its layers, and bare of ticks."""
    from matplotlib import colormaps

    soft = plan.quality.soft_hu if plan.quality and plan.quality.soft_hu is not None else 40.0
    axes.imshow(
        np.ma.masked_invalid(hu), cmap=colormaps["gray"].with_extremes(bad=UNSEEN),
        vmin=soft + _DARKEST_HU, vmax=soft + _LIGHTEST_HU, extent=extent,
        interpolation="bilinear", aspect="equal",
    )  # fmt: skip
    bare(axes, extent)


def bare(axes: Axes, extent: Extent) -> None:
    """Set a page's limits in mm, with no ticks and no frame."""
    axes.set_xlim(extent[0], extent[1])
    axes.set_ylim(extent[2], extent[3])
    axes.set_aspect("equal")
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_visible(False)


def _picture(
    page: Page, plan: Plan, volume: Volume, view: View, rect: Rect, centre: FloatArray,
    height_mm: float, title: str, step_mm: float,
) -> tuple[Axes, FloatArray, Extent]:  # fmt: skip
    """A panel full of CT round a place of the view's page."""
    axes = page.panel(rect, seen_from=view.seen_from, picture=True, title=title)
    extent = page.extent(axes, centre, height_mm)
    hu = view.resample(volume, extent, step_mm)
    show_hu(axes, plan, hu, extent)
    page.edges(axes, view.left_edge, view.right_edge)
    return axes, hu, extent


def _along(page: Page, plan: Plan, volume: Volume, side: Side, view: View) -> None:
    front = 1.0 if side is Side.RIGHT else -1.0  # towards the face on this page
    axes, hu, extent = _picture(
        page, plan, volume, view, _ALONG_IN, np.array([-30.0 * front, -37.0]), 154.0,
        "Along the head.", _STEP_MM,
    )  # fmt: skip
    page.scale_bar(axes, (extent[0] + 14.0, extent[2] + 7.0), 50.0)
    _say_unseen(page, axes, hu, extent)
    at = path_marks(page, axes, plan, side, view)
    suture_marks(page, axes, plan, volume, side, view, at)
    page.label(axes, at["entry"], "entry on the scalp", "E", towards=[(front, 0.6), (front, 0.2)])
    if "tip" in at:
        page.label(axes, at["tip"], "sensor tip", "T", towards=[(0, -1), (-front, -0.8)])


def _say_unseen(page: Page, axes: Axes, hu: FloatArray, extent: Extent) -> None:
    """Name the part of the page that the scan does not show, where it is more than a rim."""
    unseen = ~np.isfinite(hu)
    if unseen.mean() < 0.01:
        return
    rows, columns = np.nonzero(unseen)
    top = rows < 0.12 * len(hu)
    if not top.any():
        return
    # In the corner where most of it lies.
    on_left = float(np.median(columns[top])) < 0.5 * hu.shape[1]
    x = extent[0] + 17.0 if on_left else extent[1] - 17.0
    page.label(axes, (x, extent[3] - 1.0), "not in the scan", towards=[(0, -1)], reach=(4.0, 20.0),
               leader=False)  # fmt: skip


def _across(page: Page, plan: Plan, volume: Volume, side: Side, view: View) -> None:
    centre, height = _deep_enough(plan, side, view, above_mm=26.0, below_mm=30.0)
    centre[0] = 0.0
    axes, _, extent = _picture(
        page, plan, volume, view, _ACROSS_IN, centre, height, "Across the head.", _STEP_MM
    )
    page.scale_bar(axes, (extent[0] + 10.0, extent[2] + 6.0), 20.0)
    at = path_marks(page, axes, plan, side, view)
    across_the_midline(page, axes, plan, side, view, at, extent)


def _deep_enough(
    plan: Plan, side: Side, view: View, *, above_mm: float, below_mm: float
) -> tuple[FloatArray, float]:
    """Middle and height of the part of the page that holds the path with some room."""
    planned = plan.sides[side]
    ends = [planned.scalp_entry_mm, planned.sensor_tip_mm, planned.inner_table_mm]
    spots = [view.page_from_world(end) for end in ends if end is not None]
    y = [float(spot[1]) for spot in spots]
    bottom, top = min([*y, y[0] - 28.0]) - below_mm, y[0] + above_mm
    return np.array([float(spots[0][0]), 0.5 * (bottom + top)]), top - bottom


def _enlarged(page: Page, plan: Plan, volume: Volume, side: Side, along: View) -> None:
    view = turned_to_path(plan, side, along)
    centre, height = _deep_enough(plan, side, view, above_mm=7.0, below_mm=4.0)
    axes, hu, extent = _picture(
        page, plan, volume, view, _ENLARGED_IN, centre, height, "The path enlarged.", _FINE_STEP_MM
    )
    page.scale_bar(axes, (extent[0] + 4.5, extent[2] + 2.2), 10.0)
    skin_and_tables(page, axes, plan, side, view, hu, extent)
    at = path_marks(page, axes, plan, side, view)
    layers_along_the_path(page, axes, plan, side, at)
