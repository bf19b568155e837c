"""The site map as a picture: tape distances as axes, seen from the head end, nose at the top."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import MeasurementError
from entrypoint.figures.chart_page import ChartPage
from entrypoint.figures.key import not_in_it, rows
from entrypoint.figures.page import FAMILY, SMALL_PT, TEXT_PT
from entrypoint.figures.site import Site
from entrypoint.figures.square_on import area_edges, grid_rim
from entrypoint.figures.style import Ground, Labels, Style
from entrypoint.planning.clearance import sinus_half_width_mm
from entrypoint.planning.entry import side_sign
from entrypoint.planning.model import How, Plan, Side
from entrypoint.planning.site_map_model import MapPoint
from entrypoint.report.wording import HOW_WORDS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["site_map_picture"]

FloatArray = NDArray[np.float64]
SIZE_IN = (12.6, 8.4)
_PANEL_IN = (0.95, 1.35, 7.4, 5.75)  # with room for the ticks on its left and below
_KEY_IN = (8.6, 3.85)
_BEYOND_MM, _ENDS_MM = 6.0, 5.0
_BESIDE_MM = 17.0  # past the midline where one side alone is shown
_SMOOTH_MM = 2.0  # of what is drawn of the thickness and the suture: no figure is read from it
_LINE_STEPS_MM = (0.25, 0.5, 1.0, 2.0, 5.0)
# Shapes of the rules in use, in their order; hollow, so that one shows through another.
_SHAPES = ("s", "^", "D", "v", "p", "X", "h", "P")
_QUIETEST, _STRONGEST = 0.04, 0.30  # lightness of the thickness field against the ground


def site_map_picture(
    plan: Plan, sites: Mapping[Side, Site], style: Style | None = None
) -> Figure:
    """Skull thickness, margins, areas and rules over both tape distances.

    Parameters
    ----------
    plan : Plan
    sites : mapping of Side to Site
    style : Style, optional

    Raises
    ------
    MeasurementError
        There is no site.
    """
    if not sites:
        raise MeasurementError(
            found="no side to map", expected="a side that was charted", next_step="name a side"
        )
    page = ChartPage(plan, style or Style(), SIZE_IN)
    one = next(iter(sites)) if len(sites) == 1 else None
    page.heading(
        one, "the site in tape distances",
        "Across and down are tape lengths on the scalp. Grey and its lines: skull along the square "
        "path, mm.",
    )  # fmt: skip
    left, right, front, back = _span(sites)
    width = min(_PANEL_IN[2], _PANEL_IN[3] * (left + right) / (back - front))
    at = _PANEL_IN[0] + 0.5 * (_PANEL_IN[2] - width)
    axes = page.panel(
        (at, _PANEL_IN[1], width, _PANEL_IN[3]), seen_from="the head end, nose at the top",
        strip=False,
    )  # fmt: skip
    _limits(page, axes, (left, right, front, back))
    page.edges(axes, *_edge_words(one))
    page.ends(axes, "FRONT", "BACK")
    _sinus(page, axes, sites)
    levels = _thickness(page, axes, sites)
    for side, site in sites.items():
        _lines(page, axes, side, site)
    for side, site in sites.items():
        _rules(page, axes, side, site)
    for side, site in sites.items():
        _name_area(page, axes, side, site)
    page.label(axes, (0.0, 0.5 * sum(axes.get_ylim())), "not mapped", towards=[(1, 0), (-1, 0)],
               reach=(0.0, 6.0, 12.0), leader=False)  # fmt: skip
    _thickness_numbers(page, axes, sites, levels)
    _key(page, plan, sites)
    page.banner(0.2, 0.58, SIZE_IN[0] - 0.4)
    page.foot()
    return page.figure


def _edge_words(one: Side | None) -> tuple[str, str]:
    if one is Side.RIGHT:
        return "towards PATIENT'S LEFT", "PATIENT'S RIGHT"
    if one is Side.LEFT:
        return "PATIENT'S LEFT", "towards PATIENT'S RIGHT"
    return "PATIENT'S LEFT", "PATIENT'S RIGHT"


def _span(sites: Mapping[Side, Site]) -> tuple[float, float, float, float]:
    """What is shown to the left and to the right of the midline, and from front to back, mm."""
    chart = next(iter(sites.values())).chart
    far = float(chart.lateral_arc_mm[-1]) + _BEYOND_MM
    left = far if Side.LEFT in sites else _BESIDE_MM
    right = far if Side.RIGHT in sites else _BESIDE_MM
    front = float(chart.midline_arc_mm[0]) - _ENDS_MM
    back = float(chart.midline_arc_mm[-1]) + _ENDS_MM
    # Equal scales on a panel of at most the whole width.
    more = (left + right) * _PANEL_IN[3] / _PANEL_IN[2] - (back - front)
    more = max(more, 0.0)
    return left, right, front - more / 2.0, back + more / 2.0


def _limits(page: ChartPage, axes: Axes, span: tuple[float, float, float, float]) -> None:
    left, right, front, back = span
    axes.set_xlim(-left, right)
    axes.set_ylim(back, front)
    axes.set_aspect("equal")
    step = 10.0
    x = np.arange(-np.floor(left / step) * step, right + 1e-6, step)
    y = np.arange(np.ceil(front / step) * step, back, step)
    axes.set_xticks(x, [f"{abs(v) / 10:g}" for v in x])
    axes.set_yticks(y, [f"{v / 10:g}" for v in y])
    page.ticks(axes)
    axes.grid(color=page.palette.faint, lw=page.pt(0.8), zorder=0)
    axes.set_axisbelow(True)
    words = page.style.labels is Labels.FULL
    page.axis_name(axes, "tape to the side from the midline, cm" if words else "cm")
    axes.set_ylabel("midline tape from the nasion, cm" if words else "cm",
                    fontsize=page.pt(11.0), fontfamily=FAMILY, color=page.palette.ink)  # fmt: skip


def _place(side: Side, lateral: FloatArray, midline: FloatArray) -> FloatArray:
    """ChartPage positions of tape distances, (..., 2)."""
    return np.stack(np.broadcast_arrays(side_sign(side) * lateral, midline), axis=-1)


def _field_grid(side: Side, site: Site) -> FloatArray:
    field = site.field
    return _place(side, field.lateral_arc_mm[None, :], field.midline_arc_mm[:, None])


def _sinus(page: ChartPage, axes: Axes, sites: Mapping[Side, Site]) -> None:
    """The published envelope under the midline, and the midline itself."""
    from matplotlib.patches import Rectangle

    y0, y1 = axes.get_ylim()
    left, right = -sinus_half_width_mm(Side.LEFT), sinus_half_width_mm(Side.RIGHT)
    axes.add_patch(Rectangle(
        (left, min(y0, y1)), right - left, abs(y1 - y0), fill=False, hatch="///", lw=0.0,
        edgecolor=page.palette.quiet, alpha=0.55, zorder=1, gid="sinus-envelope"))  # fmt: skip
    page.line(axes, [(0.0, y0), (0.0, y1)], "plane", gid="midsagittal-plane")


def _thickness(page: ChartPage, axes: Axes, sites: Mapping[Side, Site]) -> FloatArray:
    """The field of thickness, quiet, with a line at each millimetre; the levels of the lines."""
    from matplotlib.colors import LinearSegmentedColormap, to_rgb

    every = np.concatenate([s.chart.skull_mm.ravel() for s in sites.values()])
    every = every[np.isfinite(every)]
    if not every.size:
        return np.zeros(0)
    low, high = np.percentile(every, (1.0, 99.0))
    # So many lines that the field can be read and not more.
    step = next((s for s in _LINE_STEPS_MM if (high - low) / s <= 7.0), _LINE_STEPS_MM[-1])
    low, high = np.floor(low / step) * step, np.ceil(high / step) * step
    paper, ink = np.array(to_rgb(page.palette.paper)), np.array(to_rgb(page.palette.ink))
    ends = [paper + share * (ink - paper) for share in (_QUIETEST, _STRONGEST)]
    if page.style.ground is Ground.DARK:
        ends = [paper + share * (ink - paper) for share in (_QUIETEST, 1.1 * _STRONGEST)]
    grey = LinearSegmentedColormap.from_list("bone", [tuple(e) for e in ends])
    levels = np.arange(low, high + 0.5 * step, step)
    for side, site in sites.items():
        chart = site.chart
        x = side_sign(side) * chart.lateral_arc_mm
        skull = np.ma.masked_invalid(_smooth(chart.skull_mm, chart.midline_arc_mm))
        field = axes.contourf(x, chart.midline_arc_mm, skull, levels=levels, cmap=grey,
                              vmin=low, vmax=high, zorder=1.5, extend="both")  # fmt: skip
        field.set_gid("skull-thickness")
        made = axes.contour(x, chart.midline_arc_mm, skull, levels=levels,
                            colors=page.palette.quiet, linewidths=page.pt(0.7), zorder=2)
        made.set_gid("thickness-lines")
        bare = chart.no_sound_bone & np.isfinite(chart.scalp_entry_mm).all(axis=-1)
        if bare.any():
            hatched = axes.contourf(x, chart.midline_arc_mm, bare.astype(float),
                                    levels=[0.5, 1.5], colors="none", hatches=["xxx"], zorder=2.5)
            hatched.set_edgecolor(page.palette.ink)
            hatched.set_linewidth(0.0)
            hatched.set_gid("no-sound-bone")
    return np.asarray(levels)


def _thickness_numbers(
    page: ChartPage, axes: Axes, sites: Mapping[Side, Site], levels: FloatArray
) -> None:
    """The number of each line, once a side, where it lies free."""
    if page.style.labels is Labels.OFF:
        return
    for side, site in sites.items():
        chart = site.chart
        grid = _place(side, chart.lateral_arc_mm[None, :], chart.midline_arc_mm[:, None])
        for level in levels:
            lines = area_edges(grid, _smooth(chart.skull_mm, chart.midline_arc_mm) - level)
            longest = max(lines, key=_length, default=np.zeros((0, 2)))
            if _length(longest) < 8.0:
                continue
            page.number_on(axes, longest, f"{level:g}", size=SMALL_PT)


def _smooth(values: FloatArray, arcs_mm: FloatArray) -> FloatArray:
    """A grid smoothed over 2 mm, NaN where it was."""
    from scipy import ndimage

    sigma = _SMOOTH_MM / float(arcs_mm[1] - arcs_mm[0])
    seen = np.isfinite(values)
    total = ndimage.gaussian_filter(np.where(seen, values, 0.0), sigma)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = total / ndimage.gaussian_filter(seen.astype(float), sigma)
    return np.where(seen, mean, np.nan)


def _length(line: FloatArray) -> float:
    return float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())


def _lines(page: ChartPage, axes: Axes, side: Side, site: Site) -> None:
    """Suture, margins and areas of one side."""
    field, rule = site.field, site.side_map
    grid = _field_grid(side, site)
    shape = field.best_mm.shape
    suture = field.points.suture_nearest_mm.reshape(shape)
    page.line(axes, grid_rim(grid), "end")
    kind = "suture" if rule.suture is How.MEASURED else "suture-unseen"
    for line in area_edges(grid, _smooth(suture, field.midline_arc_mm)):
        page.line(axes, line, kind, gid="coronal-suture")
    limits = {limit.margin: limit.limit_mm for limit in rule.limits}
    for margin, values in (
        ("suture", suture),
        ("midline", field.points.midline_scalp_mm.reshape(shape)),
        ("sinus", field.points.sinus_mm.reshape(shape)),
    ):
        limit = next(mm for name, mm in limits.items() if name.value == margin)
        for line in area_edges(grid, values - limit):
            page.line(axes, line, "margin", gid=f"{margin}-margin")
    for score, kind in ((field.best_mm, "area"), (site.kept_score(), "kept")):
        for line in area_edges(grid, score):
            page.line(axes, line, kind)


def _name_area(page: ChartPage, axes: Axes, side: Side, site: Site) -> None:
    """The area's name inside it, where it covers least: its middle is no entry."""
    words = {Labels.FULL: "within margins", Labels.SHORT: "W", Labels.OFF: ""}[page.style.labels]
    score = site.kept_score()
    inside = score >= 0.0 if (score >= 0.0).any() else site.field.best_mm >= 0.0
    if not words or not inside.any():
        return
    page.number_on(axes, _field_grid(side, site)[inside], words, size=TEXT_PT, most=300)


def _shape_of(page: ChartPage, k: int) -> dict[str, Any]:
    return {
        "marker": _SHAPES[k % len(_SHAPES)], "ms": page.pt(8.5), "mfc": "none",
        "mec": page.palette.ink, "mew": page.pt(1.5),
    }  # fmt: skip


def _rules(page: ChartPage, axes: Axes, side: Side, site: Site) -> None:
    """The rule of the plan, and the rules in use, each with its shape."""
    own = site.side_map.rule_point
    for k, point in enumerate(site.side_map.rules):
        at = _spot(side, point)
        if at is not None:
            axes.plot(at[0], at[1], ls="none", zorder=8.5, gid=f"rule-{k}", **_shape_of(page, k))
            page.keep_off(axes, [at], pad=6.0)
    at = _spot(side, own)
    if at is not None:
        page.mark(axes, "entry", at, size=5.5)


def _spot(side: Side, point: MapPoint) -> FloatArray | None:
    if not point.in_map or point.lateral_arc_mm is None:
        return None
    return np.array([side_sign(side) * point.lateral_arc_mm, point.midline_arc_mm])


def _key(page: ChartPage, plan: Plan, sites: Mapping[Side, Site]) -> None:
    if page.style.labels is Labels.OFF:
        return
    full = page.style.labels is Labels.FULL
    first = next(iter(sites.values()))
    names: list[tuple[str, str]] = []
    shapes = {f"rule {k}": _shape_of(page, k) for k in range(len(first.side_map.rules))}
    own = "the rule of this plan" if plan.given_path is None else "the given point, by tape"
    names.append(("entry", own if full else "E"))
    for k, point in enumerate(first.side_map.rules):
        off = [s for s in sites.values() if not s.side_map.rules[k].in_map]
        words = point.name + (" (off the map)" if len(off) == len(sites) else "")
        names.append((f"rule {k}", words.replace(" of the published mean", ", mean")))
    if full:
        hows = dict.fromkeys(site.side_map.suture for site in sites.values())
        for how in hows:
            kind = "suture" if how is How.MEASURED else "suture-unseen"
            names.append((kind, f"coronal suture, {HOW_WORDS[how]}"))
        rule = plan.rule
        names += [
            ("margin", f"margins: suture {rule.suture_margin_mm:g}, midline "
                       f"{rule.midline_margin_mm:g} mm"),
            ("hatch", "sinus envelope, published widths"),
            ("area", "within margins, best estimate"),
            ("kept", "within margins, 95 % probability"),
            ("end", "end of the map"),
        ]  # fmt: skip
    top = rows(page, names, left_in=_KEY_IN[0], top_in=7.3, shapes=shapes, row_in=0.3)
    if full:
        not_in_it(page, left_in=_KEY_IN[0], top_in=top - 0.1, width_in=_KEY_IN[1], small=True)
