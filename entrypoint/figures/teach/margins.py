"""Plate: the sagittal sinus and the coronal suture as margins, on a map from above."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from entrypoint.figures.section import bare
from entrypoint.figures.style import Style
from entrypoint.figures.teach.head import TeachingHead
from entrypoint.figures.teach.model import Lesson
from entrypoint.figures.teach.page import Plate, columns
from entrypoint.figures.view import View
from entrypoint.planning.clearance import sinus_half_width_mm
from entrypoint.planning.entry import side_sign
from entrypoint.planning.model import How, Side
from entrypoint.reference import value
from entrypoint.report.rounding import figure_mm
from entrypoint.report.wording import HOW_WORDS

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["sinus_and_suture"]

FloatArray = NDArray[np.float64]
NAME = "sinus-and-suture"
POINT = "Two margins bound the point: the sinus beside it, the suture behind it"
QUESTION = "Name both margins and how far the point lies from them"
_PANEL_IN = (2.75, 1.2, 7.5, 5.1)
_HIGH_MM = 78.0
_HATCH_MM = 2.6
_SHORT_RULE = "_" * 6
ROWS = ("sinus_half_width_right", "sinus_half_width_left", "sinus_lacunae_bound",
        "rule_suture_margin", "rule_midline_margin", "suture_definition")  # fmt: skip


def sinus_and_suture(head: TeachingHead, style: Style, *, blank: bool = False) -> Lesson:
    """Draw the sinus envelope with its published half-widths, the suture, and the margins."""
    plate = Plate(head, style, blank=blank)
    suture = head.plan.coronal_suture
    assert suture is not None
    how = suture.right if head.side is Side.RIGHT else suture.left
    whose = f"{head.words}: on the bone round the point, PATIENT'S {head.side.value.upper()}"
    known = f"; suture {HOW_WORDS[how]}, sinus from published widths"
    plate.title(POINT, QUESTION, whose + ("." if blank else known + "."))
    axes = _map(plate, head, how)
    plate.lay_callouts(high_in=axes.get_position().y1 * plate.size_in[1] + 0.1)
    clear, rule = head.planned.clearance, head.plan.rule
    right, left = (sinus_half_width_mm(side) for side in (Side.RIGHT, Side.LEFT))
    caption = (
        "Beside the point lies the superior sagittal sinus. Its envelope is drawn from published "
        f"widths and shifts, {right:g} mm to the PATIENT'S RIGHT of the midline and {left:g} mm to "
        f"the left, because it lies to the right oftener; it is not this head's vein, and lacunae "
        f"can reach {value('sinus_lacunae_bound'):g} mm in the very old. Behind the point lies the "
        f"coronal suture, here {figure_mm(clear.suture_nearest_mm, clear.suture_sd_mm)} away along "
        f"the bone at the nearest; the rule asks for {rule.suture_margin_mm:g} mm. The path meets "
        f"the bone {figure_mm(clear.midline_outer_table_mm)} from the midline; the margin to it is "
        f"{rule.midline_margin_mm:g} mm. Vessels and cortex on the way are not drawn and were not "
        "looked at. The bar holds at the midline; the bone curves away to both sides."
    )
    alt = (
        "A map of the bone from above, nose at the top. A hatched band along the midline is the "
        f"sinus envelope, wider to the patient's right ({right:g} mm) than to the left ({left:g} "
        "mm). The coronal suture crosses below the point, and a dotted line in front of it is its "
        f"margin of {rule.suture_margin_mm:g} mm. The point lies on the patient's "
        f"{head.side.value}, {figure_mm(clear.midline_outer_table_mm)} from the midline and "
        f"{figure_mm(clear.suture_nearest_mm)} in front of the suture."
    )
    return plate.finish(name=NAME, point=POINT, caption=caption, alt=alt, rows=ROWS)


def map_view(head: TeachingHead) -> View:
    """Square to the skull at the midline beside the entry; its origin is the bone there."""
    plane, entry = head.parts.midsagittal, head.parts.sites[head.side].entry
    bone = head.parts.head.midline_bone_mm
    at = bone[int(np.argmin(np.linalg.norm(bone - entry.midline_point_mm, axis=1)))]
    right = plane.unit_normal
    front = -np.asarray(entry.unit_backward)
    front = front - (front @ right) * right
    return View(
        origin_mm=at, unit_page_right=right, unit_page_up=front / np.linalg.norm(front),
        seen_from="above, nose at the top", left_edge="PATIENT'S LEFT",
        right_edge="PATIENT'S RIGHT",
    )  # fmt: skip


def _map(plate: Plate, head: TeachingHead, how: How) -> Axes:
    from matplotlib.patches import Rectangle

    view, rule, planned = map_view(head), head.plan.rule, head.planned
    axes = plate.view(_PANEL_IN, view.seen_from, title="The bone.")
    suture = head.plan.coronal_suture
    assert suture is not None
    assert planned.outer_table_mm is not None
    curve = view.page_from_world(suture.curve_mm)
    point = view.page_from_world(planned.outer_table_mm)
    margin = view.page_from_world(_before_suture(head, view, rule.suture_margin_mm))
    bregma = float(np.interp(0.0, curve[:, 0], curve[:, 1]))
    extent = plate.extent(axes, (0.0, 0.5 * (point[1] + bregma)), _HIGH_MM)
    bare(axes, extent)
    low, high = extent[2] + 8.0, extent[3]
    right, left = (sinus_half_width_mm(side) for side in (Side.RIGHT, Side.LEFT))
    quiet = plate.palette.quiet
    band = Rectangle((-left, low), left + right, high - low, fill=False, lw=0.0, zorder=2,
                     gid="sinus-envelope")  # fmt: skip
    axes.add_patch(band)
    wide = left + right
    strokes = [
        [(-left, y), (right, y + wide), (np.nan, np.nan)]
        for y in np.arange(low - wide, high, _HATCH_MM)
    ]
    (hatch,) = axes.plot(*np.concatenate(strokes).T, color=quiet, lw=plate.pt(0.6), zorder=2,
                         gid="sinus-hatch")  # fmt: skip
    hatch.set_clip_path(band)
    for x in (-left, right):
        plate.stroke(axes, [(x, low), (x, high)], width=1.4, colour="quiet",
                     gid="sinus-edge", zorder=2.5)  # fmt: skip
    near = np.vstack([margin, curve[::-1]])
    axes.fill(*near.T, facecolor=plate.palette.faint, lw=0, zorder=1, gid="near-suture")
    plate.line(axes, curve, "suture" if how is How.MEASURED else "suture-unseen",
               gid="coronal-suture")  # fmt: skip
    plate.line(axes, margin, "margin", gid="suture-margin")
    sign = head.sign
    x_margin = sign * rule.midline_margin_mm
    plate.line(axes, [(0.0, low), (0.0, high)], "plane", gid="midsagittal-plane")
    plate.line(axes, [(x_margin, low), (x_margin, high)], "margin", gid="midline-margin")
    nearest = curve[int(np.argmin(np.linalg.norm(curve - point, axis=1)))]
    plate.dimension(axes, (0.0, point[1]), point, gid="to-midline")
    plate.dimension(axes, nearest, point, gid="to-suture")
    plate.mark(axes, "entry", point)
    plate.edge_words(axes, view.left_edge, view.right_edge)
    plate.bar_below(axes, 20.0)
    _names(plate, axes, head, extent, curve, margin, point, nearest)
    return axes


def _names(
    plate: Plate, axes: Axes, head: TeachingHead, extent: tuple[float, float, float, float],
    curve: FloatArray, margin: FloatArray, point: FloatArray, nearest: FloatArray,
) -> None:  # fmt: skip
    rule, clear, sign = head.plan.rule, head.planned.clearance, head.sign
    own, other = columns(sign > 0)
    edge = {"left": _PANEL_IN[0] - 0.12, "right": _PANEL_IN[0] + _PANEL_IN[2] + 0.12}
    top = extent[3]
    call = plate.callout
    far = sign * 0.86 * extent[1]
    call(axes, point, "the point\non the bone", column=own, x_in=edge[own], dot=False)
    call(axes, (far, _at(margin, far)), f"suture's margin,\n{rule.suture_margin_mm:g} mm",
         column=own, x_in=edge[own])
    call(axes, (far, _at(curve, far)), "coronal suture", column=own, x_in=edge[own])
    x = sign * rule.midline_margin_mm
    call(axes, (x, top - 3.0), f"midline's margin,\n{rule.midline_margin_mm:g} mm", column=own,
         x_in=edge[own])
    call(axes, (0.0, top - 8.0), "midline", column=other, x_in=edge[other])
    inside = -sign * 0.55 * sinus_half_width_mm(Side.RIGHT if sign < 0 else Side.LEFT)
    call(axes, (inside, top - 16.0), "sinus envelope,\npublished widths", column=other,
         x_in=edge[other])
    away, behind = figure_mm(clear.midline_outer_table_mm), figure_mm(clear.suture_nearest_mm)
    between = 0.5 * (point[0] + sign * sinus_half_width_mm(head.side))
    plate.said(axes, (between, point[1]), away, told=f"{away} to the midline", rule=_SHORT_RULE,
               va="bottom", off=(0.0, 5.0))  # fmt: skip
    plate.said(axes, 0.62 * point + 0.38 * nearest, behind, told=f"{behind} to the suture",
               rule=_SHORT_RULE, ha="right" if sign > 0 else "left", off=(-6.0 * sign, 0.0),
               plate=False)  # fmt: skip
    for side in (Side.RIGHT, Side.LEFT):
        half = sinus_half_width_mm(side)
        x0 = side_sign(side) * half
        y = extent[2] + 11.5
        plate.dimension(axes, (0.0, y), (x0, y), gid=f"half-width-{side.value}")
        told = f"sinus envelope to the PATIENT'S {side.value.upper()}: {half:g} mm"
        plate.said(axes, (x0, y), f"{half:g} mm", told=told, rule=_SHORT_RULE,
                   ha="left" if x0 > 0 else "right", off=(side_sign(side) * 5.0, 0.0))  # fmt: skip


def _at(line: FloatArray, x: float) -> float:
    order = np.argsort(line[:, 0])
    return float(np.interp(x, line[order, 0], line[order, 1]))


def _before_suture(head: TeachingHead, view: View, margin_mm: float) -> FloatArray:
    """The suture's points moved forwards along the bone, (n, 3)."""
    suture = head.plan.coronal_suture
    assert suture is not None
    curve = suture.curve_mm
    centre = head.parts.head.frame.origin_mm
    out = curve - centre
    out = out / np.linalg.norm(out, axis=1, keepdims=True)
    ahead = view.unit_page_up - (out @ view.unit_page_up)[:, None] * out
    ahead = ahead / np.linalg.norm(ahead, axis=1, keepdims=True)
    # Along a sphere of the bone's own distance from the middle of the head.
    radius = np.linalg.norm(curve - centre, axis=1, keepdims=True)
    turn = margin_mm / radius
    return np.asarray(centre + radius * (np.cos(turn) * out + np.sin(turn) * ahead))
