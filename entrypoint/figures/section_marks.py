"""What is drawn on a section: the path, the suture, the midline and the layers."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from entrypoint.figures import marks
from entrypoint.figures.view import View
from entrypoint.planning.clearance import sinus_half_width_mm, sinus_path
from entrypoint.planning.model import How, Plan, Side
from entrypoint.report.rounding import figure_mm
from entrypoint.report.wording import HOW_WORDS

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from entrypoint.volume.volume import Volume

__all__ = ["across_the_midline", "layers_along_the_path", "path_marks", "suture_marks"]

FloatArray = NDArray[np.float64]
Spots = dict[str, FloatArray]
_BEFORE_MM = 16.0  # how far the path is drawn outside the scalp
_TICK_MM = 3.0


def path_marks(axes: Axes, plan: Plan, side: Side, view: View) -> Spots:
    """Draw the path with its marks; page positions of what is known."""
    planned = plan.sides[side]
    spots = {
        "entry": planned.scalp_entry_mm,
        "outer": planned.outer_table_mm,
        "inner": planned.inner_table_mm,
        "tip": planned.sensor_tip_mm,
    }
    at = {name: view.page_from_world(point) for name, point in spots.items() if point is not None}
    onwards = view.page_from_world(view.origin_mm + np.asarray(planned.unit_inward))
    onwards = onwards / np.linalg.norm(onwards)
    square = np.array([-onwards[1], onwards[0]])
    _line(axes, at["entry"] - _BEFORE_MM * onwards, at["entry"], marks.PATH_COLOUR, style="--")
    if "tip" in at:
        _line(axes, at["entry"], at["tip"], marks.PATH_COLOUR)
    for name, count in (("outer", 1), ("inner", 2)):  # one tick outside, two inside
        for k in range(count) if name in at else ():
            spot = at[name] + 0.9 * k * onwards
            _line(axes, spot - _TICK_MM * square, spot + _TICK_MM * square, marks.TABLE_COLOUR,
                  width=1.2, gid=f"{name}-table")  # fmt: skip
    marks.draw_mark(axes, marks.ENTRY, at["entry"])
    if "tip" in at:
        marks.draw_mark(axes, marks.TIP, at["tip"])
    return at


def suture_marks(
    axes: Axes, plan: Plan, volume: Volume, side: Side, view: View, at: Spots
) -> None:
    """Draw where the coronal suture crosses, how far in front of it the path is, the margin."""
    planned, suture = plan.sides[side], plan.coronal_suture
    crossing = None if suture is None else crossing_of(suture.curve_mm, view, at["entry"])
    if suture is None or crossing is None or "outer" not in at:
        return
    how = suture.right if side is Side.RIGHT else suture.left
    marks.draw_mark(axes, marks.SUTURE, crossing)
    bone = _outer_table(volume, view, crossing, at["outer"])
    scalp_mm = planned.thickness.scalp_mm or 6.0
    forwards = np.sign(at["outer"][0] - crossing[0]) or 1.0
    far = _offset(bone, scalp_mm + 12.0)
    clear = planned.clearance
    _dimension(axes, far, bone, marks.PAPER)
    if clear.suture_mm is not None:
        where = "in front of the suture" if clear.suture_mm >= 0 else "from the suture, BEHIND it"
        said = f"{figure_mm(clear.suture_mm, clear.suture_sd_mm)} {where},\nalong the bone"
        _beside(axes, said, far[0] + np.array([-3.0 * forwards, 0.5]), forwards, va="bottom")
    margin_mm = plan.rule.suture_margin_mm
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(bone, axis=0), axis=1))])
    if clear.suture_mm is not None and clear.suture_mm > 0 and length[-1] > margin_mm:
        part = bone[length <= margin_mm]
        near = _offset(part, scalp_mm + 5.0)
        _dimension(axes, near, part, marks.MARGIN_COLOUR, style=":", width=2.6)
        said = f"margin of the rule, {margin_mm:g} mm"
        _beside(axes, said, near[0] + np.array([-3.0 * forwards, 0.0]), forwards, va="center")
    seen = "" if how is How.MEASURED else f"\n({HOW_WORDS[how]})"
    marks.label(
        axes, f"coronal suture{seen}", crossing, crossing + np.array([-forwards * 26.0, -20.0]),
        ha="center",
    )  # fmt: skip


def across_the_midline(
    axes: Axes, plan: Plan, side: Side, view: View, at: Spots,
    extent: tuple[float, float, float, float],
) -> None:  # fmt: skip
    """Draw the midsagittal plane, the margin, the sinus envelope and the distances to them."""
    clear = plan.sides[side].clearance
    sign = 1.0 if side is Side.RIGHT else -1.0
    bottom, top = extent[2], extent[3]
    axes.plot([0, 0], [bottom, top], color=marks.PLANE_COLOUR, lw=1.5, ls=(0, (12, 3, 2, 3)),
              zorder=5, path_effects=marks.halo(2.8), gid="midsagittal-plane")  # fmt: skip
    margin = sign * plan.rule.midline_margin_mm
    high = at["entry"][1] + 4.0
    axes.plot([margin, margin], [bottom + 18.0, high], color=marks.MARGIN_COLOUR, lw=2.0,
              ls=":", zorder=5, path_effects=marks.halo(3.2), gid="midline-margin")  # fmt: skip
    away = -sign * 12.0
    ha = "right" if sign > 0 else "left"
    marks.label(axes, "midsagittal plane", (0.0, top - 4.0), (away, top - 4.0), ha=ha, size=8.0)
    marks.label(axes, f"margin, {plan.rule.midline_margin_mm:g} mm", (margin, bottom + 19.0),
                (away, bottom + 19.0), ha=ha, size=8.0)  # fmt: skip
    if "outer" in at and "inner" in at:
        low, _ = _sinus_box(axes, plan, side, view, at)
        rim = -sinus_half_width_mm(Side.LEFT) if sign > 0 else sinus_half_width_mm(Side.RIGHT)
        marks.label(
            axes, "sagittal sinus envelope\n(published widths,\nnot this head's vein)",
            (rim, low), (away, low - 9.0), ha=ha, size=8.0,
        )  # fmt: skip
    for name, value, drop in (
        ("entry", clear.midline_scalp_mm, 0.0),
        ("tip", clear.midline_tip_mm, -6.0),
    ):
        if value is None or name not in at:
            continue
        x, y = at[name][0], at[name][1] + (9.0 if name == "entry" else drop)
        axes.annotate("", xy=(0.0, y), xytext=(x, y), zorder=8, arrowprops={
            "arrowstyle": "<->", "color": marks.PAPER, "lw": 1.2, "shrinkA": 0, "shrinkB": 0,
            "path_effects": marks.halo(2.6)})  # fmt: skip
        _line(axes, at[name], np.array([x, y]), marks.PAPER, width=0.8)
        spot = (0.5 * x, y + 1.5) if name == "entry" else (x + sign * 2.0, y)
        centred = name == "entry"
        axes.text(*spot, figure_mm(value, clear.midline_sd_mm), fontsize=8.5, color=marks.PAPER,
                  ha="center" if centred else "left" if sign > 0 else "right",
                  va="bottom" if centred else "center", zorder=10,
                  path_effects=marks.halo(2.6))  # fmt: skip


def layers_along_the_path(axes: Axes, plan: Plan, side: Side, at: Spots) -> None:
    """Draw the lengths along the path: scalp, skull with its tables, and the sensor's depth."""
    planned = plan.sides[side]
    thick = planned.thickness
    for first, last, said in (
        ("entry", "outer", f"scalp {figure_mm(thick.scalp_mm, thick.scalp_sd_mm)}"),
        ("outer", "inner", f"skull {figure_mm(thick.skull_mm, thick.skull_sd_mm)}"),
        ("inner", "tip", f"sensor {plan.rule.sensor_depth_mm:g} mm below\nthe inner table"),
    ):
        if first not in at or last not in at:
            continue
        a, b = at[first][1], at[last][1]
        axes.annotate("", xy=(6.5, a), xytext=(6.5, b), zorder=8, arrowprops={
            "arrowstyle": "<->", "color": marks.PAPER, "lw": 1.2, "shrinkA": 0, "shrinkB": 0,
            "path_effects": marks.halo(2.6)})  # fmt: skip
        axes.text(8.0, (a + b) / 2, said, fontsize=8.5, color=marks.PAPER, va="center", zorder=10,
                  path_effects=marks.halo(2.8))  # fmt: skip
    for name, said, lift in (
        ("entry", "skin", 0.0), ("outer", "outer table", 0.0), ("inner", "inner table", -0.5),
    ):  # fmt: skip
        if name in at:
            spot = (at[name][0] - _TICK_MM, at[name][1] + lift)
            marks.label(axes, said, spot, (-7.0, at[name][1] + lift), ha="right")
    parts = (("outer table", thick.outer_table_mm), ("diploe", thick.diploe_mm),
             ("inner table", thick.inner_table_mm))  # fmt: skip
    if "inner" in at and all(length is not None for _, length in parts):
        axes.text(
            -3.5, at["inner"][1] - 4.0,
            "\n".join(["the skull's layers", *(f"{n} {figure_mm(v)}" for n, v in parts)]),
            ha="right", va="top", fontsize=8.0, color=marks.PAPER, zorder=10,
            path_effects=marks.halo(2.6),
        )  # fmt: skip


def crossing_of(curve_mm: FloatArray, view: View, near: FloatArray) -> FloatArray | None:
    """Where a curve crosses the page, page mm: the crossing nearest to a spot; None where none."""
    depth = (curve_mm - view.origin_mm) @ view.unit_to_viewer
    page = view.page_from_world(curve_mm)
    flips = np.flatnonzero((depth[:-1] <= 0.0) != (depth[1:] <= 0.0))
    if not len(flips):
        return None
    t = (depth[flips] / (depth[flips] - depth[flips + 1]))[:, None]
    spots = page[flips] + t * (page[flips + 1] - page[flips])
    return np.asarray(spots[int(np.argmin(np.linalg.norm(spots - near, axis=1)))])


def _sinus_box(axes: Axes, plan: Plan, side: Side, view: View, at: Spots) -> tuple[float, float]:
    """Hatch the envelope over the depths at which the path is compared with it."""
    from matplotlib.patches import Rectangle

    planned = plan.sides[side]
    compared = sinus_path(
        np.asarray(planned.outer_table_mm),
        np.asarray(planned.inner_table_mm),
        np.asarray(planned.unit_inward),
    )
    deep = view.page_from_world(compared)[-1]
    left, right = -sinus_half_width_mm(Side.LEFT), sinus_half_width_mm(Side.RIGHT)
    low, high = float(deep[1]), float(at["outer"][1])
    axes.add_patch(Rectangle(
        (left, low), right - left, high - low, fill=False, hatch="////", lw=1.0,
        edgecolor=marks.PAPER, alpha=0.75, zorder=4, gid="sinus-envelope"))  # fmt: skip
    return low, high


def _outer_table(
    volume: Volume, view: View, start: FloatArray, end: FloatArray
) -> FloatArray:
    """Outer table on the page between two of its points, for drawing only.

    On each of a row of lines square to the chord, the outermost place at which the bone has half
    of its own peak; the straight chord where the scan shows no bone.
    """
    t = np.linspace(0.0, 1.0, max(3, round(float(np.linalg.norm(end - start)) / 0.5)))
    chord = start + t[:, None] * (end - start)
    out = np.array([-(end - start)[1], (end - start)[0]]) / np.linalg.norm(end - start)
    if out[1] < 0.0:
        out = -out
    reach = np.arange(-4.0, 14.0, 0.2)
    hu = volume.sample_hu(view.world_from_page(chord[:, None] + reach[:, None] * out))
    peak = hu.max(axis=1, keepdims=True)
    above = hu > 0.5 * peak
    height = reach[len(reach) - 1 - np.argmax(above[:, ::-1], axis=1)]
    if not np.all(np.isfinite(hu)) or float(peak.min()) < 300.0 or float(height.max()) > 13.0:
        return np.asarray(chord)
    # A parabola through both given points: smooth enough to draw a parallel line to.
    bow = t * (1.0 - t)
    rise = np.interp(t, t[[0, -1]], height[[0, -1]])
    sagitta = float(bow @ (height - rise) / (bow @ bow))
    return np.asarray(chord + (sagitta * bow)[:, None] * out)


def _offset(line: FloatArray, away_mm: float) -> FloatArray:
    """A line on the page moved outwards (upwards) along its own normals."""
    along = np.gradient(line, axis=0)
    normal = np.stack([-along[:, 1], along[:, 0]], axis=1)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    smooth = normal.mean(axis=0) if len(line) < 5 else normal
    if np.mean(normal[:, 1]) < 0.0:
        smooth = -smooth
    return np.asarray(line + away_mm * smooth)


def _beside(axes: Axes, text: str, at: FloatArray, forwards: float, *, va: str) -> None:
    """A text behind the end of a measured line."""
    axes.text(at[0], at[1], text, ha="right" if forwards > 0 else "left", va=va, fontsize=8.5,
              color=marks.PAPER, zorder=10, path_effects=marks.halo(2.6))  # fmt: skip


def _dimension(
    axes: Axes, line: FloatArray, on: FloatArray, colour: str, *, style: str = "-",
    width: float = 1.4,
) -> None:  # fmt: skip
    """A measured line with a thin line at each end down to what it measures."""
    axes.plot(line[:, 0], line[:, 1], color=colour, lw=width, ls=style, zorder=8,
              path_effects=marks.halo(width + 1.6))  # fmt: skip
    for k in (0, -1):
        _line(axes, on[k], line[k] + 0.12 * (line[k] - on[k]), colour, width=0.8)


def _line(
    axes: Axes, a: FloatArray, b: FloatArray, colour: str, *, style: str = "-",
    width: float = 1.7, gid: str | None = None,
) -> None:  # fmt: skip
    axes.plot([a[0], b[0]], [a[1], b[1]], color=colour, lw=width, ls=style, zorder=6, gid=gid,
              path_effects=marks.halo(width + 1.5))  # fmt: skip
