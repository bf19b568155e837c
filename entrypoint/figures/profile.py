"""HU along the path against depth from the skin, with edges, layers, drill stop and sensor."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from entrypoint.figures.chart_page import ChartPage
from entrypoint.figures.page import TEXT_PT
from entrypoint.figures.places import spread_apart
from entrypoint.figures.section import show_hu
from entrypoint.figures.style import Labels, Style
from entrypoint.figures.view import path_of, turned_to_path, views_along_path
from entrypoint.planning.model import Plan, Seat, Side, SidePlan
from entrypoint.report.rounding import HALF_WIDTH_95, figure_mm, whole_mm
from entrypoint.report.wording import SEAT_NOT_NAMED, SEAT_WORDS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from entrypoint.volume.volume import Volume

__all__ = ["along_the_path", "depth_profile"]

FloatArray = NDArray[np.float64]
SIZE_IN = (12.0, 8.2)
_BOTTOM_IN, _HEIGHT_IN = 1.55, 5.5
_STRIP_IN = (0.2, 2.15)  # left, width
_RULER_IN = (3.05, 2.0)
_CURVE_IN = (5.2, 3.4)
_ABOVE_MM, _BELOW_MM = 5.0, 5.0
_STEP_MM, _FINE_STEP_MM = 0.2, 0.1
_RING_MM = 0.8  # the profile is the mean of the path and of six paths round it, as it was read
_LEAST_DEPTH_MM = 30.0
_LEAST_HU, _TOP_HU, _ROOM_HU = -1100.0, 1400.0, 1650.0


def along_the_path(
    volume: Volume, entry_mm: FloatArray, unit_inward: FloatArray, depths_mm: FloatArray
) -> FloatArray:
    """Mean HU of the path and six paths 0.8 mm round it.

    Parameters
    ----------
    entry_mm, unit_inward : (3,) arrays, world
    depths_mm : (k,) array

    Returns
    -------
    (k,) array, HU; NaN where the scan shows nothing
    """
    first = np.array([1.0, 0.0, 0.0]) if abs(unit_inward[0]) < 0.9 else np.array([0.0, 1.0, 0.0])
    u = np.cross(unit_inward, first)
    u = u / np.linalg.norm(u)
    v = np.cross(unit_inward, u)
    a = np.arange(6) * np.pi / 3.0
    ring = _RING_MM * (np.cos(a)[:, None] * u + np.sin(a)[:, None] * v)
    starts = entry_mm + np.concatenate([np.zeros((1, 3)), ring])
    points = starts[:, None, :] + depths_mm[:, None] * unit_inward
    return np.asarray(volume.sample_hu(points).mean(axis=0))


def depth_profile(plan: Plan, volume: Volume, side: Side, style: Style | None = None) -> Figure:
    """The path from the skin downwards: what the scan shows, a ruler, HU, and the layers.

    Every edge and length is the record's; the scan is only sampled along the path.

    Parameters
    ----------
    plan : Plan
        From the same CT.
    volume : Volume
    side : Side
    style : Style, optional

    Raises
    ------
    MeasurementError
        When the plan holds no path on that side.
    """
    entry, unit_inward, _ = path_of(plan, side)
    planned = plan.sides[side]
    page = ChartPage(plan, style or Style(), SIZE_IN)
    page.heading(
        side, "what the path meets, from the skin inwards",
        "Depths run from the skin at the entry along the path. ± is half of the 95 % interval.",
    )  # fmt: skip
    deepest = max(_deepest(planned), _LEAST_DEPTH_MM) + _BELOW_MM
    span = (deepest, -_ABOVE_MM)
    depths = np.arange(-_ABOVE_MM, deepest, _STEP_MM)
    hu = along_the_path(volume, entry, unit_inward, depths)
    strip, ruler, curve = _panels(page, plan, volume, side, span)
    # Beside the highest peak, room for the lengths.
    curve.set_xlim(_LEAST_HU, max(_TOP_HU, float(np.nanmax(hu, initial=0.0))) + _ROOM_HU)
    edges = _edges_mm(planned)
    _edge_lines(page, (strip, ruler, curve), edges, planned)
    _curve(page, curve, depths, hu)
    _ruler(page, ruler, plan, planned, edges)
    _lengths(page, curve, planned, edges, float(np.nanmax(hu)))
    _names(page, curve, plan, planned, edges, span)
    if plan.rule.stop_seats_on is None and page.style.labels is Labels.FULL:
        page.write(0.2, 0.96, f"{SEAT_NOT_NAMED}.", colour=page.palette.quiet)
    page.banner(_STRIP_IN[0], 0.6, SIZE_IN[0] - 2 * _STRIP_IN[0])
    page.foot()
    return page.figure


def _deepest(planned: SidePlan) -> float:
    scalp, skull = planned.thickness.scalp_mm or 0.0, planned.thickness.skull_mm or 0.0
    sensor = planned.sensor
    tip = sensor.from_scalp_mm if sensor is not None and sensor.from_scalp_mm else 0.0
    return max(tip, scalp + skull)


def _edges_mm(planned: SidePlan) -> dict[str, float]:
    """Depths of what is known, from the skin."""
    t = planned.thickness
    edges = {"skin": 0.0}
    if t.scalp_mm is None:
        return edges
    edges["outer"] = t.scalp_mm
    if t.outer_table_mm is not None and t.diploe_mm is not None:
        edges["outer-diploe"] = t.scalp_mm + t.outer_table_mm
        edges["diploe-inner"] = edges["outer-diploe"] + t.diploe_mm
    if t.skull_mm is not None:
        edges["inner"] = t.scalp_mm + t.skull_mm
    return edges


def _panels(
    page: ChartPage, plan: Plan, volume: Volume, side: Side, span: tuple[float, float]
) -> tuple[Axes, Axes, Axes]:
    along, _ = views_along_path(plan, side)
    view = turned_to_path(plan, side, along)
    strip = page.panel(
        (_STRIP_IN[0], _BOTTOM_IN, _STRIP_IN[1], _HEIGHT_IN), seen_from=view.seen_from,
        picture=True, strip=False,
    )  # fmt: skip
    extent = page.extent(strip, (0.0, -0.5 * (span[0] + span[1])), span[0] - span[1])
    show_hu(strip, plan, view.resample(volume, extent, _FINE_STEP_MM), extent)
    page.edges(strip, view.left_edge, view.right_edge)
    ruler = page.chart((_RULER_IN[0], _BOTTOM_IN, _RULER_IN[1], _HEIGHT_IN))
    curve = page.chart((_CURVE_IN[0], _BOTTOM_IN, _CURVE_IN[1], _HEIGHT_IN))
    for axes in (ruler, curve):
        axes.set_ylim(*span)
    ruler.set_xlim(0.0, 1.0)
    return strip, ruler, curve


def _edge_lines(
    page: ChartPage, panels: tuple[Axes, Axes, Axes], edges: dict[str, float], planned: SidePlan
) -> None:
    strip, ruler, curve = panels
    if "outer" in edges and "inner" in edges:
        curve.axhspan(edges["outer"], edges["inner"], color=page.palette.faint, lw=0, zorder=0.5)
    half_mm = strip.get_xlim()
    t = planned.thickness
    spread = {
        "outer": t.scalp_sd_mm,
        "inner": None if t.skull_sd_mm is None
        else float(np.hypot(t.skull_sd_mm, t.scalp_sd_mm or 0.0)),
    }  # fmt: skip
    for name, depth in edges.items():
        main = name in ("skin", "outer", "inner")
        page.stroke(strip, [(half_mm[0], -depth), (half_mm[1], -depth)], width=1.2 if main else 0.8,
                    dash="-" if main else (0, (2, 2)), keep=False, gid=f"strip-{name}")  # fmt: skip
        sd = spread.get(name)
        for axes, x in ((ruler, (0.42, 1.0)), (curve, curve.get_xlim())):
            if sd is not None:
                half = HALF_WIDTH_95 * sd
                axes.fill_between(x, depth - half, depth + half, color=page.palette.quiet,
                                  alpha=0.35, lw=0, zorder=2, gid=f"spread-{name}")  # fmt: skip
            page.stroke(axes, [(x[0], depth), (x[1], depth)], width=1.1 if main else 0.8,
                        dash="-" if main else (0, (2, 2)), colour="ink" if main else "quiet",
                        gid=f"edge-{name}", zorder=3, keep=False)  # fmt: skip
    page.line(strip, [(0.0, _ABOVE_MM), (0.0, 0.0)], "before")
    sensor = planned.sensor
    if sensor is not None and sensor.from_scalp_mm is not None:
        page.line(strip, [(0.0, 0.0), (0.0, -sensor.from_scalp_mm)], "path")
        page.mark(strip, "tip", (0.0, -sensor.from_scalp_mm))
    page.mark(strip, "entry", (0.0, 0.0))


def _curve(page: ChartPage, axes: Axes, depths: FloatArray, hu: FloatArray) -> None:
    axes.plot(hu, depths, color=page.palette.ink, lw=page.pt(2.0), zorder=6,
              gid="profile")  # fmt: skip
    axes.set_xticks([-1000.0, 0.0, 1000.0, 2000.0], ["-1000", "0", "1000", "2000"])
    axes.set_yticks([])
    axes.set_xticks([x for x in axes.get_xticks() if x <= max(1000.0, float(np.nanmax(hu)))])
    page.ticks(axes)
    axes.grid(axis="x", color=page.palette.faint, lw=page.pt(1.0), zorder=0)
    axes.set_axisbelow(True)
    page.axis_name(axes, "HU")


def _lengths(
    page: ChartPage, axes: Axes, planned: SidePlan, edges: dict[str, float], peak_hu: float
) -> None:
    """Scalp and skull as measured lengths beside the curve."""
    t = planned.thickness
    x = max(_TOP_HU, peak_hu) + 150.0
    for first, last, word, value, sd in (
        ("skin", "outer", "scalp", t.scalp_mm, t.scalp_sd_mm),
        ("outer", "inner", "skull", t.skull_mm, t.skull_sd_mm),
    ):
        if first not in edges or last not in edges or value is None:
            continue
        page.dimension(axes, (x, edges[first]), (x, edges[last]), gid=f"length-{word}")
        said = figure_mm(value, sd)
        page.label(axes, (x, 0.5 * (edges[first] + edges[last])), f"{word}\n{said}", said,
                   towards=[(1, 0)], reach=(6.0,), leader=False)  # fmt: skip


def _ruler(
    page: ChartPage, axes: Axes, plan: Plan, planned: SidePlan, edges: dict[str, float]
) -> None:
    """A millimetre ruler on the left; beside it the stop and the sensor as lengths on it."""
    low, high = 0, int(axes.get_ylim()[0])
    for mm in range(low, high + 1):
        long = 0.13 if mm % 10 == 0 else 0.10 if mm % 5 == 0 else 0.05
        axes.plot([0.0, long], [mm, mm], color=page.palette.ink, lw=page.pt(1.1), gid="ruler-tick")
    axes.plot([0.0, 0.0], [low, high], color=page.palette.ink, lw=page.pt(1.4), clip_on=False)
    axes.set_yticks(range(low, high + 1, 5), [f"{mm}" for mm in range(low, high + 1, 5)])
    axes.set_xticks([])
    page.ticks(axes)
    for spine in axes.spines.values():
        spine.set_visible(False)
    page.axis_name(axes, "mm from the skin" if page.style.labels is Labels.FULL else "mm", left=0.0)
    sensor = planned.sensor
    if sensor is not None and sensor.from_scalp_mm is not None:
        tip = sensor.from_scalp_mm
        axes.plot([0.30, 0.30], [0.0, tip], color=page.colour(axes, "tip"), lw=page.pt(2.2),
                  gid="sensor-depth")  # fmt: skip
        axes.plot([0.26, 0.34], [0.0, 0.0], color=page.colour(axes, "tip"), lw=page.pt(2.2))
        page.mark(axes, "tip", (0.30, tip))
    found = _stop_mm(plan, planned, edges)
    if found is None:
        return
    x, face, end = 0.66, found[0], found[0] + found[1]
    axes.plot([x, x], [face, end], color=page.colour(axes, "path"), lw=page.pt(6.0),
              solid_capstyle="butt", gid="drill-stop", zorder=5)  # fmt: skip
    axes.plot([x - 0.13, x + 0.13], [face, face], color=page.colour(axes, "path"),
              lw=page.pt(3.5), zorder=5, gid="stop-face")  # fmt: skip
    axes.plot([x], [end], marker="v", ms=page.pt(8.0), color=page.colour(axes, "path"), zorder=6,
              ls="none", gid="bit-point")  # fmt: skip


def _stop_mm(
    plan: Plan, planned: SidePlan, edges: dict[str, float]
) -> tuple[float, float] | None:
    """Depth of the seat that the user named, and the length from it; None where none is given."""
    seat, stop = plan.rule.stop_seats_on, planned.drill_stop
    if seat is None:
        return None
    start = stop.start_on_bone_mm if seat is Seat.BONE else stop.start_on_scalp_mm
    face = edges.get("outer") if seat is Seat.BONE else 0.0
    return None if start is None or face is None else (face, start)


def _names(
    page: ChartPage, axes: Axes, plan: Plan, planned: SidePlan, edges: dict[str, float],
    span: tuple[float, float],
) -> None:  # fmt: skip
    """Names of edges and layers beside the curve, spread so that none covers another."""
    if page.style.labels is Labels.OFF:
        return
    full = page.style.labels is Labels.FULL
    t, sensor = planned.thickness, planned.sensor
    rows: list[tuple[float, str, str]] = [(0.0, "skin" if full else "E", "bold")]

    def layer(first: str, last: str, word: str, value: float | None) -> None:
        if first in edges and last in edges and value is not None:
            middle = 0.5 * (edges[first] + edges[last])
            said = figure_mm(value)
            rows.append((middle, f"{word} {said}" if full else said, "normal"))

    if "outer" in edges:
        rows.append((edges["outer"], "bone's surface" if full else "O", "bold"))
    layer("outer", "outer-diploe", "outer table", t.outer_table_mm)
    layer("outer-diploe", "diploe-inner", "diploe", t.diploe_mm)
    layer("diploe-inner", "inner", "inner table", t.inner_table_mm)
    if "inner" in edges:
        rows.append((edges["inner"], "bone ends, dura begins" if full else "D", "bold"))
    if sensor is not None and sensor.from_scalp_mm is not None:
        below = f"{sensor.below_inner_table_mm:g} mm"
        tip = whole_mm(sensor.from_scalp_mm)
        rows.append((sensor.from_scalp_mm,
                     f"\N{BLACK DIAMOND} sensor tip, {tip} deep,\n"
                     f"    {below} below the bone"
                     if full else f"\N{BLACK DIAMOND} {tip}", "bold"))  # fmt: skip
    found = _stop_mm(plan, planned, edges)
    if found is not None and plan.rule.stop_seats_on is not None:
        seated, length = SEAT_WORDS[plan.rule.stop_seats_on], whole_mm(found[1])
        words = (
            f"\N{BLACK DOWN-POINTING TRIANGLE} bit, stop seated {seated}:\n"
            f"    {length} from the stop's face"
            if full else f"\N{BLACK DOWN-POINTING TRIANGLE} {seated} {length}"
        )  # fmt: skip
        rows.append((found[0] + found[1], words, "bold"))
    rows.sort(key=lambda row: row[0])
    mm_per_line = (span[0] - span[1]) / (_HEIGHT_IN * 72.0) * TEXT_PT * 1.45
    tall = [mm_per_line * (1 + r[1].count("\n")) for r in rows]
    places = spread_apart([r[0] for r in rows], tall, span)
    to_edge = axes.get_xlim()[1]
    beside = 0.08 * (to_edge - axes.get_xlim()[0])
    for (depth, words, weight), y in zip(rows, places, strict=True):
        made = axes.annotate(
            words, xy=(to_edge, depth), xytext=(to_edge + beside, y), textcoords="data",
            va="center", ha="left", fontsize=page.pt(TEXT_PT), fontweight=weight,
            fontfamily="DejaVu Sans", color=page.palette.ink, annotation_clip=False,
            arrowprops={"arrowstyle": "-", "color": page.palette.quiet, "lw": page.pt(0.9),
                        "shrinkA": page.pt(3.0), "shrinkB": 0.0, "relpos": (0.0, 0.5)},
        )  # fmt: skip
        made.set_gid("layer-name")
