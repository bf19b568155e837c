"""Plate: the layers of scalp and skull on the path, as a section and as HU against depth."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from entrypoint.figures.profile import along_the_path
from entrypoint.figures.section import show_hu
from entrypoint.figures.style import Style
from entrypoint.figures.teach.head import TeachingHead
from entrypoint.figures.teach.lines import smooth_page
from entrypoint.figures.teach.model import Lesson
from entrypoint.figures.teach.page import NOTE_PT, TOP_IN, Plate
from entrypoint.figures.view import turned_to_path, views_along_path
from entrypoint.report.rounding import figure_mm

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["layers_of_the_skull"]

FloatArray = NDArray[np.float64]
NAME = "layers"
POINT = "Two dense tables with softer bone between: what a drill meets, in order"
QUESTION = "Name what a drill meets, in order"
_SECTION_IN = (2.35, 1.2, 4.3, 5.1)
_CURVE_IN = (7.0, 1.72, 3.6, 4.58)
_ABOVE_MM, _BELOW_MM = 3.5, 6.0
_PIXEL_MM = 0.1
_LEAST_HU = -1080.0
ROWS = ("scalp_frontal", "skull_frontal", "brain_hu", "fluid_hu")


def layers_of_the_skull(head: TeachingHead, style: Style, *, blank: bool = False) -> Lesson:
    """Draw scalp, tables, diploe and where the dura begins, each at its own depth.

    Depths and lengths are the plan's; the scan is only sampled along the path.
    """
    plate = Plate(head, style, blank=blank)
    plate.title(POINT, QUESTION,
                f"{head.words}: the path square to the skull, PATIENT'S {head.side.value.upper()}, "
                "and what the scan reads along it.")  # fmt: skip
    t = head.planned.thickness
    scalp, skull = t.scalp_mm or 0.0, t.skull_mm or 0.0
    edges = {"skin": 0.0, "outer": scalp, "inner": scalp + skull}
    split = t.outer_table_mm is not None and t.diploe_mm is not None
    if t.outer_table_mm is not None and t.diploe_mm is not None:
        edges["diploe"] = scalp + t.outer_table_mm
        edges["inner-table"] = edges["diploe"] + t.diploe_mm
    deepest = edges["inner"] + _BELOW_MM
    section = _section(plate, head, edges, deepest)
    hu = _curve(plate, head, edges, deepest)
    _names(plate, head, section, edges)
    plate.lay_callouts(low_in=_SECTION_IN[1], high_in=TOP_IN - 0.32)
    layers = (
        f"outer table {figure_mm(t.outer_table_mm)}, diploe {figure_mm(t.diploe_mm)}, inner table "
        f"{figure_mm(t.inner_table_mm)}"
        if split
        else "its two tables cannot be told apart on this scan"
    )
    caption = (
        f"Along the path this head has {figure_mm(scalp, t.scalp_sd_mm)} of scalp and "
        f"{figure_mm(skull, t.skull_sd_mm)} of skull: {layers}. A drill feels the outer table, "
        "gives in the diploe, and meets the inner table again before the dura, which begins where "
        f"the bone ends, {figure_mm(edges['inner'])} under the skin. Thin tables are blurred by "
        "the scan and read lower than they are, so that their edges are found by the shape of the "
        f"curve and not by a fixed level. The highest reading here is {np.nanmax(hu):.0f} HU. "
        "± is half of the 95 % interval of the measurement."
    )
    alt = (
        "On the left a magnified section through scalp and skull with the path straight down it; "
        "beside it, at the same depths, a curve of what the scan reads: near water in the scalp, "
        "high in the outer table, lower in the diploe, high in the inner table, and near water "
        f"below it. Scalp {figure_mm(scalp)}, {layers}."
    )
    return plate.finish(name=NAME, point=POINT, caption=caption, alt=alt, rows=ROWS)


def _section(plate: Plate, head: TeachingHead, edges: dict[str, float], deepest: float) -> Axes:
    lengthwise, _ = views_along_path(head.plan, head.side)
    view = turned_to_path(head.plan, head.side, lengthwise)
    axes = plate.view(_SECTION_IN, view.seen_from, title="The section, enlarged.", picture=True)
    height = deepest + _ABOVE_MM
    extent = plate.extent(axes, (0.0, 0.5 * height - deepest), height)
    show_hu(axes, head.plan, smooth_page(head, view, extent, _PIXEL_MM), extent)
    plate.edge_words(axes, view.left_edge, view.right_edge)
    plate.bar_below(axes, 10.0)
    plate.line(axes, [(0.0, extent[3]), (0.0, 0.0)], "before", gid="path-before")
    plate.line(axes, [(0.0, 0.0), (0.0, -edges["inner"])], "path")
    wide = 0.34 * (extent[1] - extent[0])
    for name, depth in edges.items():
        main = name in ("skin", "outer", "inner")
        plate.stroke(axes, [(-wide, -depth), (wide, -depth)], width=1.4 if main else 1.0,
                     dash="-" if main else (0, (3, 2)), gid=f"section-{name}")  # fmt: skip
    return axes


def _curve(
    plate: Plate, head: TeachingHead, edges: dict[str, float], deepest: float
) -> FloatArray:
    entry, inward = head.planned.scalp_entry_mm, head.planned.unit_inward
    assert entry is not None
    assert inward is not None
    # As deep as the section beside it, at the same height on the page.
    per_in = (deepest + _ABOVE_MM) / _SECTION_IN[3]
    foot = deepest - per_in * (_CURVE_IN[1] - _SECTION_IN[1])
    axes = plate.chart(_CURVE_IN)
    axes.set_ylim(foot, -_ABOVE_MM)
    depths = np.arange(-_ABOVE_MM, foot, 0.1)
    hu = along_the_path(head.volume, entry, inward, depths)
    top = max(1000.0, float(np.nanmax(hu)))
    axes.set_xlim(_LEAST_HU, top + 150.0)
    palette = plate.palette
    axes.axhspan(edges["outer"], edges["inner"], color=palette.faint, lw=0, zorder=0.5)
    for name, depth in edges.items():
        main = name in ("skin", "outer", "inner")
        plate.stroke(axes, [(_LEAST_HU, depth), (top + 150.0, depth)], width=1.1 if main else 0.8,
                     dash="-" if main else (0, (3, 2)), colour="ink" if main else "quiet",
                     gid=f"edge-{name}", zorder=3)  # fmt: skip
    axes.plot(hu, depths, color=palette.ink, lw=plate.pt(2.2), zorder=6, gid="profile")
    axes.set_xticks([-1000.0, 0.0, 1000.0], ["−1000", "0", "1000"])
    axes.set_yticks([])
    plate.ticks(axes)
    for name in ("left", "right", "top"):
        axes.spines[name].set_visible(False)
    axes.grid(axis="x", color=palette.faint, lw=plate.pt(1.0), zorder=0)
    axes.set_axisbelow(True)
    plate.axis_name(axes, "HU: air −1000, water 0")
    plate.write(_CURVE_IN[0], _CURVE_IN[1] + _CURVE_IN[3] + 0.07, "What the scan reads there.",
                va="bottom")  # fmt: skip
    t = head.planned.thickness
    parts = [("scalp", "skin", "outer", t.scalp_mm)]
    if "diploe" in edges:
        parts += [
            ("outer table", "outer", "diploe", t.outer_table_mm),
            ("diploe", "diploe", "inner-table", t.diploe_mm),
            ("inner table", "inner-table", "inner", t.inner_table_mm),
        ]
    else:
        parts += [("skull", "outer", "inner", t.skull_mm)]
    x = _CURVE_IN[0] + _CURVE_IN[2] + 0.12
    for layer, first, last, mm in parts:
        a, b = (plate.y_in(axes, (0.0, edges[e])) for e in (first, last))
        _bracket(plate, x, a, b)
        plate.write(x + 0.25, 0.5 * (a + b), plate.hidden(f"{layer} {figure_mm(mm)}"),
                    size=NOTE_PT, gid="length")  # fmt: skip
    return hu


def _bracket(plate: Plate, x_in: float, top_in: float, low_in: float) -> None:
    from matplotlib.lines import Line2D

    w, h = plate.size_in
    top, low = top_in - 0.03, low_in + 0.03
    xs, ys = np.array([x_in, x_in + 0.1, x_in + 0.1, x_in]), np.array([top, top, low, low])
    plate.figure.add_artist(Line2D(xs / w, ys / h, color=plate.palette.ink, lw=plate.pt(1.1),
                                   transform=plate.figure.transFigure, gid="bracket"))  # fmt: skip


def _names(plate: Plate, head: TeachingHead, axes: Axes, edges: dict[str, float]) -> None:
    left = axes.get_xlim()[0]
    x = 0.55 * left
    rows = [("skin", 0.0), ("scalp", 0.5 * edges["outer"])]
    if "diploe" in edges:
        rows += [
            ("outer table", 0.5 * (edges["outer"] + edges["diploe"])),
            ("diploe", 0.5 * (edges["diploe"] + edges["inner-table"])),
            ("inner table", 0.5 * (edges["inner-table"] + edges["inner"])),
        ]
    else:
        rows += [("skull", 0.5 * (edges["outer"] + edges["inner"]))]
    rows += [("the bone ends,\nthe dura begins", edges["inner"]),
             ("inside of the skull", edges["inner"] + 0.55 * _BELOW_MM)]  # fmt: skip
    for words, depth in rows:
        plate.callout(axes, (x, -depth), words, column="left", x_in=_SECTION_IN[0] - 0.12)
