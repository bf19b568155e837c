"""Plate: a path square to the skull comes nearer to the midline as it deepens."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from entrypoint.figures.style import Style
from entrypoint.figures.teach.head import TeachingHead
from entrypoint.figures.teach.model import Lesson
from entrypoint.figures.teach.page import Plate, columns
from entrypoint.figures.teach.section import coronal_ground
from entrypoint.reference import row
from entrypoint.report.rounding import figure_mm

__all__ = ["converging_path"]

FloatArray = NDArray[np.float64]
NAME = "converging-path"
POINT = "A path square to the skull comes nearer to the midline as it deepens"
QUESTION = "How far from the midline is the path at each depth?"
_PANEL_IN = (3.35, 1.2, 6.1, 5.1)
ROWS = ("rule_lateral_arc", "rule_sensor_depth", "rule_midline_margin", "calvarial_slope",
        "plane_definition")  # fmt: skip


def converging_path(head: TeachingHead, style: Style, *, blank: bool = False) -> Lesson:
    """Draw the distances to the midline at scalp, outer table, inner table and tip."""
    plate = Plate(head, style, blank=blank)
    plate.title(POINT, QUESTION,
                f"{head.words}: a section through the path, PATIENT'S {head.side.value.upper()}. "
                "Arrows are distances to the midline.")  # fmt: skip
    planned, clear = head.planned, head.planned.clearance
    assert planned.sensor_tip_mm is not None
    assert planned.scalp_entry_mm is not None
    assert planned.outer_table_mm is not None
    assert planned.inner_table_mm is not None
    assert clear.midline_scalp_mm is not None
    sign = head.sign
    wide = clear.midline_scalp_mm + 44.0
    foot_away = float(clear.midline_outer_table_mm or 0.0)
    axes, view, _, _ = coronal_ground(
        plate, head, _PANEL_IN, title="Across the head.", wide_mm=wide, above_mm=14.0,
        shift_mm=0.5 * wide - foot_away - 17.0,
    )  # fmt: skip
    depths = (
        ("scalp", "at the scalp", planned.scalp_entry_mm, clear.midline_scalp_mm),
        ("outer", "at the outer table", planned.outer_table_mm, clear.midline_outer_table_mm),
        ("inner", "at the inner table", planned.inner_table_mm, clear.midline_inner_table_mm),
        ("tip", "at the tip", planned.sensor_tip_mm, clear.midline_tip_mm),
    )
    at = {name: view.page_from_world(point) for name, _, point, _ in depths}
    top, low = axes.get_ylim()[1] - 2.0, at["tip"][1] - 8.0
    plate.line(axes, [(0.0, low), (0.0, top)], "plane", gid="midsagittal-plane")
    onwards = at["tip"] - at["scalp"]
    onwards = onwards / np.linalg.norm(onwards)
    plate.line(axes, [at["scalp"] - 11.0 * onwards, at["scalp"]], "before")
    plate.line(axes, [at["scalp"], at["tip"]], "path")
    lateral, medial = columns(sign > 0)
    edge = {"left": _PANEL_IN[0] - 0.12, "right": _PANEL_IN[0] + _PANEL_IN[2] + 0.12}
    for name, words, _, away in depths:
        x, y = at[name]
        plate.dimension(axes, (0.0, y), (x, y), gid=f"midline-{name}")
        plate.callout(axes, (0.0, y), figure_mm(away), after=words, column=medial,
                      x_in=edge[medial], dot=False, told=f"{figure_mm(away)} {words}")  # fmt: skip
    plate.mark(axes, "entry", at["scalp"])
    plate.mark(axes, "tip", at["tip"])
    call = plate.callout
    call(axes, at["scalp"], "entry on\nthe scalp", column=lateral, x_in=edge[lateral], dot=False,
         given=True)
    call(axes, 0.45 * at["outer"] + 0.55 * at["tip"], "path, square\nto the skull", column=lateral,
         x_in=edge[lateral], given=True)
    call(axes, at["tip"], "sensor tip", column=lateral, x_in=edge[lateral], dot=False,
         given=True)
    call(axes, (0.0, top - 1.0), "midline", column=medial, x_in=edge[medial], given=True)
    plate.lay_callouts()
    gained = clear.midline_scalp_mm - float(clear.midline_tip_mm or 0.0)
    slope = row("calvarial_slope")
    caption = (
        f"The vault slopes away from the midline, so that a path square to it leans inwards: from "
        f"{figure_mm(clear.midline_scalp_mm)} at the scalp to "
        f"{figure_mm(clear.midline_outer_table_mm)} at the outer table, "
        f"{figure_mm(clear.midline_inner_table_mm)} at the inner table and "
        f"{figure_mm(clear.midline_tip_mm)} at the tip, "
        f"{figure_mm(gained, lower=False)} nearer in all. The tip, "
        f"{head.plan.rule.sensor_depth_mm:g} mm below the inner table, is the figure to watch. In "
        f"published heads the slope there is {slope.value:.1f} ± {slope.spread:.1f} degrees (mean "
        "and one standard deviation). Vessels and cortex are not drawn and were not looked at."
    )
    alt = (
        "A section across the vault with the midline upright. The path enters through scalp and "
        f"bone on the patient's {head.side.value} and leans towards the midline. Four level arrows "
        "between midline and path grow shorter with depth: "
        + ", ".join(f"{figure_mm(away)} {words}" for _, words, _, away in depths)
        + "."
    )
    return plate.finish(name=NAME, point=POINT, caption=caption, alt=alt, rows=ROWS)
