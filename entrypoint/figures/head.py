"""The head in three dimensions with both tapes on it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import MeasurementError
from entrypoint.figures import marks
from entrypoint.figures.offscreen import draw
from entrypoint.figures.view import View, path_of
from entrypoint.geometry.planes import Plane
from entrypoint.geometry.polylines import between, nearest_on
from entrypoint.planning.entry import midline_tape, side_sign
from entrypoint.planning.model import Plan, Side
from entrypoint.report.rounding import tape
from entrypoint.report.wording import SIDE_WORDS
from entrypoint.volume.levels import read_levels
from entrypoint.volume.sections import polar_section
from entrypoint.volume.skull import CoarseHead, coarse_head

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from entrypoint.volume.volume import Volume

__all__ = ["head_with_tapes", "tapes_on_skin"]

FloatArray = NDArray[np.float64]
_HALF_HEIGHT_MM = 105.0
_SIZE_PX = (1000, 1000)
_FRONTWARDS, _UPWARDS, _SIDEWARDS = 0.75, 0.55, 0.45  # where the eye is, from the head
_COARSE_MM = 2.0
_SMOOTH_BLOCKS = 1.2  # for the look of the skin only: no figure is read from it


def head_with_tapes(plan: Plan, volume: Volume, side: Side) -> Figure:
    """The head from in front and above, with the midline tape, the lateral tape and the entry.

    Parameters
    ----------
    plan : Plan
        From the same CT.
    volume : Volume
    side : Side
        The patient's.

    Returns
    -------
    matplotlib Figure

    Raises
    ------
    MeasurementError
        When the plan holds no path on that side, or no nasion.
    MissingExtra
        When the machine has no library that draws in three dimensions.
    """
    from matplotlib.figure import Figure
    from scipy import ndimage

    entry, _, _ = path_of(plan, side)
    view = _view(plan, side)
    midline, lateral = tapes_on_skin(plan, volume, side)
    coarse = volume.block_means(_COARSE_MM)
    levels = read_levels(coarse.stored)
    # Clipped to what skin lies between, so that bone and metal do not move its smoothed edge.
    soft = np.clip(coarse.stored, levels.air_hu, levels.soft_hu)
    scene: dict[str, Any] = {
        "hu": ndimage.gaussian_filter(soft, _SMOOTH_BLOCKS),
        "world_from_index": coarse.grid.world_from_index,
        "skin_hu": np.array(levels.skin_hu),
        "tube_midline": midline,
        "colour_tube_midline": np.array(marks.BLUE),
        "tube_lateral": lateral,
        "colour_tube_lateral": np.array(marks.VERMILION),
        "ball_entry": np.array([*entry, 3.2]),
        "colour_ball_entry": np.array(marks.ENTRY.colour),
        "eye_mm": view.origin_mm + 600.0 * view.unit_to_viewer,
        "focus_mm": view.origin_mm,
        "unit_up": view.unit_page_up,
        "half_height_mm": np.array(_HALF_HEIGHT_MM),
        "size_px": np.array(_SIZE_PX),
    }
    picture = draw(scene)
    figure = Figure(figsize=(8.0, 8.7), facecolor=marks.PAPER)
    axes = figure.add_axes((0.02, 0.08, 0.96, 0.84))
    h = _HALF_HEIGHT_MM
    axes.imshow(picture, extent=(-h, h, -h, h), aspect="equal")
    axes.set_axis_off()
    _write(axes, plan, side, view, {"midline": midline, "lateral": lateral})
    figure.text(0.03, 0.955, f"Frontal entry, {SIDE_WORDS[side]}: the two tapes", fontsize=15,
                fontweight="bold", color=marks.INK)  # fmt: skip
    figure.text(0.03, 0.928, f"Seen from {view.seen_from}.", fontsize=9.5, color=marks.INK)
    marks.caveat(figure, plan, width=128)
    return figure


def _view(plan: Plan, side: Side) -> View:
    _, _, plane = path_of(plan, side)
    nasion, inion = plan.landmarks.get("nasion_skin"), plan.landmarks.get("inion")
    if nasion is None or inion is None:
        raise MeasurementError(
            found="no nasion and inion in this plan",
            expected="a plan from a CT volume",
            next_step="plan from the volume, and look at its findings",
        )
    unit_right = plane.unit_normal
    forwards = nasion.position_mm - inion.position_mm
    forwards = forwards - (forwards @ unit_right) * unit_right
    forwards = forwards / np.linalg.norm(forwards)
    up = np.cross(unit_right, forwards)
    eye = _FRONTWARDS * forwards + _UPWARDS * up + side_sign(side) * _SIDEWARDS * unit_right
    eye = eye / np.linalg.norm(eye)
    page_up = up - (up @ eye) * eye
    page_up = page_up / np.linalg.norm(page_up)
    middle = 0.5 * (nasion.position_mm + inion.position_mm) + 25.0 * up + 15.0 * forwards
    return View(
        origin_mm=middle,
        unit_page_right=np.cross(page_up, eye),
        unit_page_up=page_up,
        seen_from=f"in front and above, on the PATIENT'S {side.value.upper()}",
        left_edge="PATIENT'S RIGHT",  # whoever looks into a face has its right on the left
        right_edge="PATIENT'S LEFT",
    )


def tapes_on_skin(plan: Plan, volume: Volume, side: Side) -> tuple[FloatArray, FloatArray]:
    """Where the two tapes lie: from the nasion to the midline point, and from there to the entry.

    Returns
    -------
    midline, lateral : (n, 3) and (m, 3) arrays, world mm

    Raises
    ------
    MeasurementError
        When the skin under a tape is not in view.
    """
    entry, _, plane = path_of(plan, side)
    nasion = plan.landmarks["nasion_skin"].position_mm
    head = coarse_head(volume)
    unit_right = plane.unit_normal
    centre = head.centre_mm - ((head.centre_mm - plane.point_mm) @ unit_right) * unit_right
    out = nasion - centre
    out = out - (out @ unit_right) * unit_right
    out = out / np.linalg.norm(out)
    skin = _arc(volume, head, centre, out, np.cross(unit_right, out), 115.0, airway_deg=20.0)
    skin = np.vstack([nasion, skin[1:]])
    midsagittal = Plane(point_mm=plane.point_mm, unit_normal=unit_right)
    midline = between(
        midline_tape(skin, midsagittal).tape.points_mm, 0.0, plan.rule.midline_arc_mm
    )
    start = midline[-1]
    # The lateral plane holds the left-right direction, the midline point and the entry.
    drop = start - entry
    drop = drop - (drop @ unit_right) * unit_right
    outward = drop if np.linalg.norm(drop) > 1.0 else start - centre
    outward = outward / np.linalg.norm(outward)
    beside = _arc(
        volume, head, start - 70.0 * outward, outward, side_sign(side) * unit_right, 45.0
    )
    end, _, _ = nearest_on(beside, entry)
    return midline, np.vstack([start, between(beside, 0.0, end)[1:-1], entry])


def _arc(
    volume: Volume, head: CoarseHead, centre: FloatArray, unit_out: FloatArray,
    unit_onwards: FloatArray, sweep_deg: float, *, airway_deg: float = 0.0,
) -> FloatArray:  # fmt: skip
    """Skin in a plane, from one direction on towards another; (n, 3)."""
    angles = np.arange(0.0, sweep_deg, 0.4)
    section = polar_section(
        volume, head, centre, unit_out, unit_onwards, angles, face=angles < airway_deg
    )
    points = section.skin_points()
    points = points[np.isfinite(points).all(axis=1)]
    if len(points) < 0.8 * len(angles):
        raise MeasurementError(
            found="skin under a tape that the scan does not show",
            expected="the scalp from the nasion to the vertex in view",
            next_step="use a series that shows it",
        )
    return np.asarray(points)


def _write(axes: Axes, plan: Plan, side: Side, view: View, lines: dict[str, FloatArray]) -> None:
    """Name what is drawn, on both edges and across it."""
    h = _HALF_HEIGHT_MM
    left = -1.0 if side is Side.RIGHT else 1.0  # the planned side on this page
    rule = plan.rule
    for text, at, to in (
        ("nasion", lines["midline"][0], (-left * 62.0, -48.0)),
        (f"midline tape,\n{tape(rule.midline_arc_mm)}",
         lines["midline"][len(lines["midline"]) // 2], (-left * 72.0, 52.0)),
        (f"tape to the side,\n{tape(rule.lateral_arc_mm)}",
         lines["lateral"][len(lines["lateral"]) // 2], (-left * 40.0, 94.0)),
        ("entry on the scalp", lines["lateral"][-1], (left * 72.0, 86.0)),
    ):  # fmt: skip
        spot = view.page_from_world(at)
        axes.annotate(
            text, xy=(spot[0], spot[1]), xytext=to, fontsize=10, color=marks.INK, ha="center",
            va="center", zorder=10, path_effects=marks.halo(3.0, marks.PAPER),
            arrowprops={"arrowstyle": "-", "color": marks.INK, "lw": 1.0, "shrinkB": 4,
                        "path_effects": marks.halo(2.6, marks.PAPER)},
        )  # fmt: skip
    marks.edges(axes, view.left_edge, view.right_edge, on=marks.PAPER)
    marks.scale_bar(axes, (-h + 8.0, -h + 4.0), 50.0, on=marks.PAPER)
    marks.across_it(axes, plan, at=(0.5, 0.12), size=22.0, turn=0.0)
