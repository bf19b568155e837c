"""The bone seen square to the path: its surface, suture, midline and the within-margins area."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import MeasurementError
from entrypoint.figures.chart_page import ChartPage
from entrypoint.figures.page import TEXT_PT
from entrypoint.figures.section import bare, rule_words
from entrypoint.figures.site import Site
from entrypoint.figures.style import UNSEEN, Labels, Style
from entrypoint.figures.view import View, path_of
from entrypoint.planning.clearance import sinus_half_width_mm
from entrypoint.planning.entry import side_sign
from entrypoint.planning.model import How, Plan, Side
from entrypoint.report.wording import HOW_WORDS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from entrypoint.volume.volume import Volume

__all__ = ["BoneFace", "area_edges", "bone_face", "grid_rim", "square_on", "square_on_view"]

FloatArray = NDArray[np.float64]
RADIUS_MM = 45.0
SIZE_IN = (11.6, 8.6)
_PANEL_IN = (0.2, 0.75, 6.9, 6.72)
_KEY_IN = (7.4, 4.0)
_COARSE_MM, _PIXEL_MM = 3.0, 0.4
_ABOVE_MM, _BELOW_MM = 30.0, 45.0  # how far out and in bone is looked for
_TABLE_MM = 1.6  # what is averaged under the surface
_LEAST_RISE_HU = 250.0  # over soft tissue, to be bone
_LIGHT = (-0.45, 0.6, 0.66)  # where light falls from, on the page: left, top, viewer


@dataclass(frozen=True, slots=True, kw_only=True)
class BoneFace:
    """The outer table as it is seen along a direction; (rows, columns), first row at the top.

    Attributes
    ----------
    extent_mm : left, right, bottom, top of the page
    height_mm : over the page, towards the viewer; NaN where no bone was met
    density_hu : mean of the outer 1.6 mm
    """

    extent_mm: tuple[float, float, float, float]
    height_mm: FloatArray
    density_hu: FloatArray


def square_on_view(plan: Plan, side: Side) -> View:
    """Along the path from outside, the nose at the top.

    Raises
    ------
    MeasurementError
        When the plan holds no path on that side, or its bone was not met.
    """
    _, unit_inward, plane = path_of(plan, side)
    foot = plan.sides[side].outer_table_mm
    if foot is None:
        raise MeasurementError(
            found=f"no outer table on the path on the patient's {side.value}",
            expected="a plan from a CT volume that shows bone there",
            next_step="look at the plan's findings",
        )
    right = plane.unit_normal - (plane.unit_normal @ unit_inward) * unit_inward
    right = right / np.linalg.norm(right)
    return View(
        origin_mm=foot,
        unit_page_right=right,
        unit_page_up=np.cross(-unit_inward, right),
        seen_from="above along the path, nose at the top",
        left_edge="PATIENT'S LEFT",
        right_edge="PATIENT'S RIGHT",
    )


def bone_face(
    volume: Volume, view: View, *, soft_hu: float, radius_mm: float = RADIUS_MM,
    pixel_mm: float = _PIXEL_MM,
) -> BoneFace:  # fmt: skip
    """Sample the outer table over a disc of the page.

    Each ray runs from the viewer inwards; the surface lies where it first has half of what the
    bone's own outer table reaches there. Found on every third millimetre first and then on every
    pixel.

    Parameters
    ----------
    volume : Volume
    view : View
    soft_hu : float
        What soft tissue reads.
    radius_mm, pixel_mm : float
    """
    from scipy import ndimage

    coarse = np.arange(-radius_mm - _COARSE_MM, radius_mm + 2.0 * _COARSE_MM, _COARSE_MM)
    grid = np.stack(np.meshgrid(coarse, coarse[::-1]), axis=-1)
    heights = np.arange(_ABOVE_MM, -_BELOW_MM, -0.75)
    rough = _first_bone(_along(volume, view, grid, heights), heights, soft_hu)
    met = np.isfinite(rough)
    if not met.any():
        rough = np.zeros(rough.shape)
    else:
        nearest = ndimage.distance_transform_edt(
            ~met, return_distances=False, return_indices=True
        )
        rough = rough[tuple(nearest)]
    rough = ndimage.median_filter(rough, size=3)
    count = round(2.0 * radius_mm / pixel_mm)
    fine = (np.arange(count) + 0.5) * pixel_mm - radius_mm
    page = np.stack(np.meshgrid(fine, fine[::-1]), axis=-1)
    rows = (coarse[-1] - page[..., 1]) / _COARSE_MM
    columns = (page[..., 0] - coarse[0]) / _COARSE_MM
    guess = ndimage.map_coordinates(rough, [rows, columns], order=1, mode="nearest")
    inside = np.hypot(page[..., 0], page[..., 1]) <= radius_mm
    offsets = np.arange(4.0, -5.0, -0.5)
    hu = np.full((int(inside.sum()), len(offsets)), np.nan)
    hu[:] = _along(volume, view, page[inside], guess[inside][:, None] + offsets)
    step = _first_bone(hu, offsets, soft_hu)
    height = np.full(inside.shape, np.nan)
    height[inside] = guess[inside] + step
    depth = step[:, None] - offsets  # below the surface, positive inwards
    under = (depth >= 0.2) & (depth <= _TABLE_MM)
    with np.errstate(invalid="ignore"):
        mean = np.where(under, hu, 0.0).sum(axis=1) / np.maximum(under.sum(axis=1), 1)
    density = np.full(inside.shape, np.nan)
    density[inside] = np.where(np.isfinite(step), mean, np.nan)
    extent = (-radius_mm, radius_mm, -radius_mm, radius_mm)
    return BoneFace(extent_mm=extent, height_mm=height, density_hu=density)


def _along(volume: Volume, view: View, page: FloatArray, heights: FloatArray) -> FloatArray:
    """HU over heights above the page, (..., k)."""
    points = view.world_from_page(page)[..., None, :] + heights[..., None] * view.unit_to_viewer
    return np.asarray(volume.sample_hu(points))


def _first_bone(hu: FloatArray, heights: FloatArray, soft_hu: float) -> FloatArray:
    """Height at which each ray first meets bone; NaN where it meets none."""
    filled = np.where(np.isfinite(hu), hu, -1000.0)
    dense = filled > soft_hu + _LEAST_RISE_HU
    has = dense.any(axis=-1)
    start = np.argmax(dense, axis=-1)
    step = abs(float(heights[1] - heights[0]))
    k = np.arange(filled.shape[-1])
    table = (k >= start[..., None]) & (k <= start[..., None] + round(2.5 / step))
    peak = np.where(table, filled, -np.inf).max(axis=-1)
    half = soft_hu + 0.5 * (peak - soft_hu)
    above = (filled >= half[..., None]) & (k >= start[..., None] - 1)
    first = np.maximum(np.argmax(above, axis=-1), 1)
    low = np.take_along_axis(filled, first[..., None] - 1, axis=-1)[..., 0]
    high = np.take_along_axis(filled, first[..., None], axis=-1)[..., 0]
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.clip((half - low) / (high - low), 0.0, 1.0)
    at = heights[first - 1] + share * (heights[first] - heights[first - 1])
    return np.where(has, at, np.nan)


def square_on(
    plan: Plan, volume: Volume, side: Side, site: Site | None, style: Style | None = None
) -> Figure:
    """The bone within 45 mm, seen along the path.

    Parameters
    ----------
    plan : Plan
        From the same CT.
    volume : Volume
    side : Side
    site : Site, optional
        Of that side, for the within-margins area.
    style : Style, optional

    Raises
    ------
    MeasurementError
        When the plan holds no path on that side.
    """
    view = square_on_view(plan, side)
    soft = plan.quality.soft_hu if plan.quality and plan.quality.soft_hu is not None else 40.0
    face = bone_face(volume, view, soft_hu=soft)
    page = ChartPage(plan, style or Style(), SIZE_IN)
    page.heading(side, "the bone seen square to the path", rule_words(plan))
    axes = page.panel(_PANEL_IN, seen_from=view.seen_from, picture=True)
    extent = page.extent(axes, (0.0, 0.0), 2.0 * RADIUS_MM + 3.0)
    bare(axes, extent)
    axes.imshow(_shaded(face), extent=face.extent_mm, interpolation="bilinear", aspect="equal")
    bare(axes, extent)
    page.edges(axes, view.left_edge, view.right_edge)
    page.scale_bar(axes, (extent[0] + 6.0, extent[2] + 4.5), 20.0)
    _midline(page, axes, plan, view, face)
    _suture(page, axes, plan, side, view)
    page.mark(axes, "entry", (0.0, 0.0))
    page.label(axes, (0.0, 0.0), "path, end on", "E")
    if site is not None:
        _areas(page, axes, view, site)
    _key(page, plan, side, site)
    page.foot()
    return page.figure


def _shaded(face: BoneFace) -> NDArray[np.uint8]:
    """Density in greys under light from the upper left; black outside the disc."""
    from matplotlib.colors import to_rgb
    from scipy import ndimage

    met = np.isfinite(face.height_mm)
    filled = np.where(met, face.height_mm, 0.0)
    weight = ndimage.gaussian_filter(met.astype(float), 2.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        height = ndimage.gaussian_filter(filled, 2.0) / weight
    pixel = (face.extent_mm[1] - face.extent_mm[0]) / face.height_mm.shape[1]
    by_row, by_column = np.gradient(height, pixel)
    normal = np.stack([-by_column, by_row, np.ones_like(height)], axis=-1)
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
    light = np.array(_LIGHT) / np.linalg.norm(_LIGHT)
    shade = np.clip(normal @ light, 0.0, 1.0)
    low, high = np.nanpercentile(face.density_hu, (2.0, 98.0)) if met.any() else (0.0, 1.0)
    # Voxels make rings on a curved surface: smoothed over half a millimetre, for the look only.
    smooth = ndimage.gaussian_filter(np.where(met, face.density_hu, 0.0), 1.3)
    part = ndimage.gaussian_filter(met.astype(float), 1.3)
    with np.errstate(invalid="ignore", divide="ignore"):
        bright = np.clip((smooth / part - low) / max(high - low, 1.0), 0.0, 1.0)
    grey = (0.16 + 0.62 * bright) * (0.45 + 0.75 * shade)
    rgb = np.repeat(np.clip(grey, 0.0, 1.0)[..., None], 3, axis=-1)
    half = 0.5 * face.height_mm.shape[0]
    i, j = np.indices(met.shape)
    disc = np.hypot(i + 0.5 - half, j + 0.5 - half) <= half
    rgb[~met & disc] = to_rgb(UNSEEN)
    rgb[~disc] = 0.0
    return np.asarray(255.0 * np.nan_to_num(rgb), dtype=np.uint8)


def _midline(page: ChartPage, axes: Axes, plan: Plan, view: View, face: BoneFace) -> None:
    """Where the midsagittal plane meets the bone, and the sinus envelope under it."""
    plane = plan.midsagittal_plane
    assert plane is not None
    n = face.height_mm.shape[0]
    x = np.linspace(face.extent_mm[0], face.extent_mm[1], n, endpoint=False)
    x = x + 0.5 * (x[1] - x[0])
    page_mm = np.stack(np.meshgrid(x, -x), axis=-1)[::4, ::4]
    height = face.height_mm[::4, ::4]
    points = view.world_from_page(page_mm) + height[..., None] * view.unit_to_viewer
    away = (points - plane.point_mm) @ plane.unit_normal
    if not np.isfinite(away).any():
        return
    shown = np.ma.masked_invalid(away)
    left, right = -sinus_half_width_mm(Side.LEFT), sinus_half_width_mm(Side.RIGHT)
    band = axes.contourf(page_mm[..., 0], page_mm[..., 1], shown, levels=[left, right],
                         colors="none", hatches=["///"], zorder=4)  # fmt: skip
    band.set_edgecolor(page.colour(axes, "quiet"))
    band.set_linewidth(0.0)
    band.set_gid("sinus-envelope")
    lines = _contours(page_mm, away, 0.0)
    for line in lines:
        page.line(axes, line, "plane", gid="midsagittal-plane")
    if lines:
        longest = max(lines, key=len)
        top = longest[int(np.argmax(longest[:, 1]))]
        sign = -1.0 if top[0] > 0 else 1.0
        page.label(axes, top * 0.8 + 0.2 * longest.mean(axis=0), "midline", "M",
                   towards=[(-sign, 0.0), (sign, 0.0)])  # fmt: skip


def _contours(page_mm: FloatArray, values: FloatArray, level: float) -> list[FloatArray]:
    from matplotlib.figure import Figure  # on axes of its own: only its lines are wanted

    shown = np.ma.masked_invalid(values)
    if shown.count() < 4 or not shown.min() <= level <= shown.max():
        return []
    made = Figure().add_subplot().contour(
        page_mm[..., 0], page_mm[..., 1], shown, levels=[level]
    )
    return [np.asarray(line) for line in made.allsegs[0] if len(line) > 2]


def _suture(page: ChartPage, axes: Axes, plan: Plan, side: Side, view: View) -> None:
    suture, plane = plan.coronal_suture, plan.midsagittal_plane
    if suture is None or plane is None:
        return
    curve = view.page_from_world(suture.curve_mm)
    own = side_sign(side) * ((suture.curve_mm - plane.point_mm) @ plane.unit_normal) >= 0.0
    inside = np.hypot(curve[:, 0], curve[:, 1]) <= RADIUS_MM
    for part, how in ((own, suture.right if side is Side.RIGHT else suture.left),
                      (~own, suture.left if side is Side.RIGHT else suture.right)):  # fmt: skip
        piece = curve[part & inside]
        if len(piece) < 2:
            continue
        page.line(axes, piece, "suture" if how is How.MEASURED else "suture-unseen",
                  gid="coronal-suture")  # fmt: skip
        if part is own:
            seen = "" if how is How.MEASURED else f"\n({HOW_WORDS[how]})"
            page.label(axes, piece[len(piece) // 2], f"coronal suture{seen}", "S",
                       towards=[(0.3 * side_sign(side), -1), (-0.3, -1), (0.6, -1)])  # fmt: skip


def _areas(page: ChartPage, axes: Axes, view: View, site: Site) -> None:
    """Edges of both areas, where their square paths meet the bone."""
    shape = site.field.best_mm.shape
    foot = view.page_from_world(site.field.points.outer_table_mm).reshape(*shape, 2)
    rim = grid_rim(foot)
    inside = np.where(np.hypot(rim[:, 0], rim[:, 1])[:, None] <= RADIUS_MM, rim, np.nan)
    page.line(axes, inside, "end")
    far = np.hypot(foot[..., 0], foot[..., 1]) > RADIUS_MM
    for score, kind in ((site.field.best_mm, "area"), (site.kept_score(), "kept")):
        for line in area_edges(foot, np.where(far, np.nan, score)):
            page.line(axes, line, kind)
    words = {Labels.FULL: "within margins", Labels.SHORT: "W", Labels.OFF: ""}[page.style.labels]
    seen = ~far & np.isfinite(foot).all(axis=-1)
    inside = foot[(site.kept_score() >= 0.0) & seen]
    if words and len(inside):  # where it covers least: its middle is no entry
        page.number_on(axes, inside, words, size=TEXT_PT, most=300)


def area_edges(page_mm: FloatArray, score: FloatArray) -> list[FloatArray]:
    """Edges of the region where a score on a curved grid is 0 or more; open where the grid ends.

    Parameters
    ----------
    page_mm : (n, m, 2) array
    score : (n, m) array
        NaN outside what is shown.
    """
    seen = np.isfinite(page_mm).all(axis=-1) & np.isfinite(score)
    return _contours(np.nan_to_num(page_mm), np.where(seen, score, np.nan), 0.0)


def grid_rim(page_mm: FloatArray) -> FloatArray:
    """The rim of a curved grid, closed, (k, 2); without what is not seen."""
    rim = np.concatenate(
        [page_mm[0], page_mm[1:, -1], page_mm[-1, -2::-1], page_mm[-2::-1, 0]]
    )
    return np.asarray(rim[np.isfinite(rim).all(axis=1)])


def _key(page: ChartPage, plan: Plan, side: Side, site: Site | None) -> None:
    """Kinds of line by name, and what the area does not say, beside the picture."""
    from entrypoint.figures.key import not_in_it, rows

    names = [("entry", "the path, end on")]
    suture = plan.coronal_suture
    if suture is not None:
        how = suture.right if side is Side.RIGHT else suture.left
        names.append(("suture" if how is How.MEASURED else "suture-unseen",
                      f"coronal suture, {HOW_WORDS[how]}"))  # fmt: skip
    names += [("plane", "midline, where its plane meets bone"),
              ("hatch", "sinus envelope: published widths,\nnot this head's vein")]  # fmt: skip
    if site is not None:
        names += [("area", "within-margins area, best estimate"),
                  ("kept", "the same with 95 % probability"),
                  ("end", "end of the map: not looked at beyond")]  # fmt: skip
    if page.style.labels is Labels.FULL:
        top = rows(page, names, left_in=_KEY_IN[0], top_in=7.3)
        if site is not None:
            not_in_it(page, left_in=_KEY_IN[0], top_in=top - 0.2, width_in=_KEY_IN[1])
