"""The ground of plates that show a section across the head through the path."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from entrypoint.figures.section import bare
from entrypoint.figures.teach.head import TeachingHead
from entrypoint.figures.teach.lines import Surfaces, surfaces_on
from entrypoint.figures.teach.page import Plate
from entrypoint.figures.view import View, views_along_path

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["coronal_ground", "draw_layers"]

FloatArray = NDArray[np.float64]
Rect = tuple[float, float, float, float]


def coronal_ground(
    plate: Plate, head: TeachingHead, rect_in: Rect, *, title: str, wide_mm: float,
    above_mm: float, shift_mm: float = 0.0,
) -> tuple[Axes, View, FloatArray, FloatArray]:  # fmt: skip
    """Skin and bone across the head round the path, with both edges named and a bar.

    Parameters
    ----------
    rect_in : left, bottom, width, height
    wide_mm : float
        Of the page.
    above_mm : float
        Room over the entry.
    shift_mm : float
        The middle of the page, from the foot away from the midline.

    Returns
    -------
    axes, view
        Across the page every distance is one to the midline, the patient's right to the right.
    foot, onwards : (2,) arrays
        Where the path meets the bone, and the direction in which it goes on, on the page.
    """
    _, view = views_along_path(head.plan, head.side)
    assert head.planned.scalp_entry_mm is not None
    assert head.planned.outer_table_mm is not None
    assert head.planned.unit_inward is not None
    entry = view.page_from_world(head.planned.scalp_entry_mm)
    foot = view.page_from_world(head.planned.outer_table_mm)
    onwards = foot - entry
    onwards = onwards / np.linalg.norm(onwards)
    axes = plate.view(rect_in, view.seen_from, title=title)
    height = wide_mm * rect_in[3] / rect_in[2]
    middle = (float(foot[0]) + head.sign * shift_mm, float(entry[1]) + above_mm - 0.5 * height)
    extent = plate.extent(axes, middle, height)
    bare(axes, extent)
    # Followed beyond the page, so that no smoothing ends on it.
    wider = (extent[0] - 9.0, extent[1] + 9.0, extent[2] - 20.0, extent[3])
    draw_layers(plate, axes, surfaces_on(head, view, wider), low_mm=extent[2] + 0.1 * height)
    plate.edge_words(axes, view.left_edge, view.right_edge)
    plate.bar_below(axes, 20.0, up_pt=20.0)
    return axes, view, foot, onwards


def draw_layers(plate: Plate, axes: Axes, found: Surfaces, *, low_mm: float) -> None:
    """Skin as a line, bone as a tinted band between two lines, down to a height of the page."""
    from matplotlib.patches import Rectangle

    left, right = axes.get_xlim()
    window = Rectangle((left, low_mm), right - left, axes.get_ylim()[1] - low_mm,
                       transform=axes.transData)  # fmt: skip
    ink = plate.palette.ink
    outer, inner, skin = (found.line(name) for name in ("outer", "inner", "skin"))
    (bone,) = axes.fill(*np.vstack([outer, inner[::-1]]).T, facecolor=plate.palette.faint, lw=0,
                        zorder=1)  # fmt: skip
    bone.set_clip_path(window)
    for line, gid, width in (
        (skin, "skin", 1.9), (outer, "bone-outer", 1.2), (inner, "bone-inner", 1.2)
    ):  # fmt: skip
        (drawn,) = axes.plot(*line.T, color=ink, lw=plate.pt(width), zorder=3, gid=gid)
        drawn.set_clip_path(window)
