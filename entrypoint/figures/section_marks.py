"""What is drawn on a section: the path, skin and tables, the suture, the midline, the layers."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from entrypoint.figures.page import Page
from entrypoint.figures.view import View
from entrypoint.planning.clearance import sinus_half_width_mm, sinus_path
from entrypoint.planning.model import How, Plan, Side
from entrypoint.report.rounding import figure_mm
from entrypoint.report.wording import HOW_WORDS

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from entrypoint.volume.volume import Volume

__all__ = [
    "across_the_midline",
    "crossing_of",
    "layers_along_the_path",
    "path_marks",
    "skin_and_tables",
    "suture_marks",
]

FloatArray = NDArray[np.float64]
Spots = dict[str, FloatArray]
_BEFORE_MM = 16.0  # how far the path is drawn outside the scalp
_TICK_PT = 9.0
_TABLES_BESIDE_MM = 6.0  # how far beside the path the tables' edges are followed
_LEAST_BONE_HU = 300.0


def path_marks(page: Page, axes: Axes, plan: Plan, side: Side, view: View) -> Spots:
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
    onwards = onwards - view.page_from_world(view.origin_mm)
    onwards = onwards / np.linalg.norm(onwards)
    page.line(axes, [at["entry"] - _BEFORE_MM * onwards, at["entry"]], "before")
    if "tip" in at:
        page.line(axes, [at["entry"], at["tip"]], "path")
    mm_per_pt = page.mm_per_pt(axes)
    square = np.array([-onwards[1], onwards[0]]) * _TICK_PT * mm_per_pt
    for name, count in (("outer", 1), ("inner", 2)):  # one tick outside, two inside
        for k in range(count) if name in at else ():
            spot = at[name] + 3.0 * mm_per_pt * k * onwards
            page.stroke(axes, [spot - square, spot + square], width=1.6, gid=f"{name}-table")
    page.mark(axes, "entry", at["entry"])
    if "tip" in at:
        page.mark(axes, "tip", at["tip"])
    return at


def skin_and_tables(
    page: Page, axes: Axes, plan: Plan, side: Side, view: View, hu: FloatArray,
    extent: tuple[float, float, float, float],
) -> None:  # fmt: skip
    """Follow the skin and both tables on a page that the path runs straight down.

    For drawing only: on each column the first and last place with half of the bone's own peak,
    within 6 mm beside the path. The figures stay the record's.
    """
    from scipy import ndimage

    planned, quality = plan.sides[side], plan.quality
    if quality is None or quality.soft_hu is None or planned.inner_table_mm is None:
        return
    step = (extent[1] - extent[0]) / hu.shape[1]
    x = extent[0] + (np.arange(hu.shape[1]) + 0.5) * step
    y = extent[3] - (np.arange(hu.shape[0]) + 0.5) * (extent[3] - extent[2]) / hu.shape[0]
    near = np.abs(x) <= _TABLES_BESIDE_MM
    part = np.where(np.isfinite(hu[:, near]), hu[:, near], -1000.0)
    inner_y = float(view.page_from_world(planned.inner_table_mm)[1])
    bone = (y > inner_y - 6.0)[:, None] & (y < 8.0)[:, None]
    peak = np.where(bone, part, -1000.0).max(axis=0)
    if float(peak.min()) < _LEAST_BONE_HU:
        return
    half = quality.soft_hu + 0.5 * (peak - quality.soft_hu)
    above = (part > half) & bone
    first, last = np.argmax(above, axis=0), len(y) - 1 - np.argmax(above[::-1], axis=0)
    wide = 2 * round(1.5 / step) + 1  # over 3 mm: a line across a suture or a vessel's groove
    for found, gid in ((first, "outer-edge"), (last, "inner-edge")):
        rows = ndimage.median_filter(found, size=wide, mode="nearest")
        page.stroke(axes, np.stack([x[near], y[rows]], axis=1), width=1.1, dash=(0, (2, 2)),
                    gid=gid, keep=False)  # fmt: skip
    if quality.air_hu is not None:
        skin = 0.5 * (quality.air_hu + quality.soft_hu)
        row = np.argmax(part >= skin, axis=0)
        page.stroke(axes, np.stack([x[near], y[row]], axis=1), width=1.1, dash=(0, (2, 2)),
                    gid="skin-edge", keep=False)  # fmt: skip


def suture_marks(
    page: Page, axes: Axes, plan: Plan, volume: Volume, side: Side, view: View, at: Spots
) -> None:
    """Draw where the coronal suture crosses, how far in front of it the path is, the margin."""
    planned, suture = plan.sides[side], plan.coronal_suture
    crossing = None if suture is None else crossing_of(suture.curve_mm, view, at["entry"])
    if suture is None or crossing is None or "outer" not in at:
        return
    how = suture.right if side is Side.RIGHT else suture.left
    bone = _outer_table(volume, view, crossing, at["outer"])
    scalp_mm = planned.thickness.scalp_mm or 6.0
    forwards = float(np.sign(at["outer"][0] - crossing[0])) or 1.0
    clear = planned.clearance
    page.mark(axes, "suture", crossing)
    margin_mm = plan.rule.suture_margin_mm
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(bone, axis=0), axis=1))])
    far = _offset(bone, scalp_mm + 13.0)
    page.stroke(axes, far, width=1.6, gid="suture-distance")
    for k in (0, -1):
        page.stroke(axes, [bone[k], far[k] + 0.12 * (far[k] - bone[k])], width=0.9)
    in_front = clear.suture_mm is not None and clear.suture_mm > 0
    if in_front and length[-1] > margin_mm:
        near = _offset(bone, scalp_mm + 6.0)[length <= margin_mm]
        page.line(axes, near, "margin", gid="suture-margin")
        page.label(axes, near[0], f"margin of the rule, {margin_mm:g} mm", f"{margin_mm:g} mm",
                   towards=[(-forwards, 0.3), (-forwards, -0.1), (-forwards, 0.8)])  # fmt: skip
    if clear.suture_mm is not None:
        said = figure_mm(clear.suture_mm, clear.suture_sd_mm)
        where = "in front of the suture" if clear.suture_mm >= 0 else "from the suture, BEHIND it"
        page.label(axes, far[0], f"{said} {where},\nalong the bone", f"S {said}",
                   towards=[(-forwards, 0.9), (-forwards, 0.5), (0, 1), (-forwards, 0.2),
                            (forwards, 0.4)])
    seen = "" if how is How.MEASURED else f"\n({HOW_WORDS[how]})"
    page.label(axes, crossing, f"coronal suture{seen}", "S" if how is How.MEASURED else "S?",
               towards=[(-0.4 * forwards, -1), (-forwards, -1), (0, -1)],
               reach=(30.0, 45.0, 60.0))  # fmt: skip


def across_the_midline(
    page: Page, axes: Axes, plan: Plan, side: Side, view: View, at: Spots,
    extent: tuple[float, float, float, float],
) -> None:  # fmt: skip
    """Draw the midsagittal plane, the margin, the sinus envelope and the distances to them."""
    clear = plan.sides[side].clearance
    sign = 1.0 if side is Side.RIGHT else -1.0
    bottom, top = extent[2], extent[3]
    page.line(axes, [(0.0, bottom), (0.0, top)], "plane", gid="midsagittal-plane", zorder=5)
    margin = sign * plan.rule.midline_margin_mm
    low_y = min(spot[1] for spot in at.values()) - 14.0
    page.line(axes, [(margin, low_y), (margin, at["entry"][1] + 3.0)], "margin",
              gid="midline-margin", zorder=5)  # fmt: skip
    for name, value in (("entry", clear.midline_scalp_mm), ("tip", clear.midline_tip_mm)):
        if value is None or name not in at:
            continue
        x, y = at[name][0], at[name][1] + (9.0 if name == "entry" else -7.0)
        page.dimension(axes, (0.0, y), (x, y), gid=f"midline-{name}")
        page.stroke(axes, np.array([at[name], (x, y)]), width=0.9)
        said = figure_mm(value, clear.midline_sd_mm)
        if name == "entry":
            page.label(axes, (0.5 * x, y), said, said, towards=[(0, 1)], reach=(4.0, 10.0),
                       leader=False)  # fmt: skip
        else:
            page.label(axes, (x, y), said, said, towards=[(sign, 0)], reach=(6.0, 12.0),
                       leader=False)  # fmt: skip
    away = [(-sign, 0.0), (-sign, -0.5), (-sign, 0.3)]
    far = (40.0, 60.0, 80.0)
    page.label(axes, (0.0, top - 5.0), "midsagittal plane", "M", towards=[(-sign, 0.0)],
               reach=(16.0, 30.0))  # fmt: skip
    if "outer" in at and "inner" in at:
        rim, low = _sinus_box(page, axes, plan, side, view, at)
        page.label(axes, (rim, 0.35 * low + 0.65 * at["outer"][1]),
                   "sinus envelope:\npublished, not\nthis head's vein", "V",
                   towards=[(-sign, -0.75), (-sign, -0.3)], reach=(26.0, 40.0, 60.0))  # fmt: skip
    page.label(axes, (margin, low_y + 2.0), f"margin, {plan.rule.midline_margin_mm:g} mm",
               f"{plan.rule.midline_margin_mm:g} mm", towards=away, reach=far)  # fmt: skip


def layers_along_the_path(page: Page, axes: Axes, plan: Plan, side: Side, at: Spots) -> None:
    """Draw the lengths along the path: scalp, skull with its tables, and the sensor's depth."""
    planned = plan.sides[side]
    thick = planned.thickness
    depth = plan.rule.sensor_depth_mm
    x = 7.5
    for first, last, full, short in (
        ("entry", "outer", f"scalp {figure_mm(thick.scalp_mm, thick.scalp_sd_mm)}",
         figure_mm(thick.scalp_mm, thick.scalp_sd_mm)),
        ("outer", "inner", f"skull {figure_mm(thick.skull_mm, thick.skull_sd_mm)}",
         figure_mm(thick.skull_mm, thick.skull_sd_mm)),
        ("inner", "tip", f"sensor tip {depth:g} mm\nbelow the inner table", f"{depth:g} mm"),
    ):  # fmt: skip
        if first not in at or last not in at:
            continue
        a, b = at[first][1], at[last][1]
        page.dimension(axes, (x, a), (x, b), gid=f"length-{first}-{last}")
        page.label(axes, (x, 0.5 * (a + b)), full, short, towards=[(1, 0)], reach=(6.0,),
                   leader=False)  # fmt: skip
    for name, full, short in (
        ("entry", "skin", "E"), ("outer", "outer table", "O"),
        ("inner", "inner table;\nthe dura begins", "D"), ("tip", "sensor tip", "T"),
    ):  # fmt: skip
        if name in at:
            page.label(axes, at[name] - np.array([1.4, 0.0]), full, short,
                       towards=[(-1, 0), (-1, -0.3), (-1, 0.3)], reach=(56.0, 64.0))  # fmt: skip


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


def _sinus_box(
    page: Page, axes: Axes, plan: Plan, side: Side, view: View, at: Spots
) -> tuple[float, float]:
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
        (left, low), right - left, high - low, fill=False, hatch="////", lw=page.pt(1.2),
        edgecolor=page.colour(axes, "ink"), alpha=0.8, zorder=4, gid="sinus-envelope"))  # fmt: skip
    page.keep_off(axes, [(left, low), (right, low), (right, high), (left, high), (left, low)])
    page.keep_off(axes, [(left, low), (right, high)], pad=8.0)
    return (left if side is Side.RIGHT else right), low


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
    if (
        not np.all(np.isfinite(hu))
        or float(peak.min()) < _LEAST_BONE_HU
        or float(height.max()) > 13.0
    ):
        return np.asarray(chord)
    # A parabola through both given points: smooth enough to draw a parallel line to.
    bow = t * (1.0 - t)
    rise = np.interp(t, t[[0, -1]], height[[0, -1]])
    # Never inwards: the suture's own notch would bend a short line the wrong way.
    sagitta = max(0.0, float(bow @ (height - rise) / (bow @ bow)))
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
