"""The head in three dimensions: translucent scalp, bone, suture, both tapes, entry and path."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import MeasurementError
from entrypoint.figures.offscreen import draw
from entrypoint.figures.page import Page, strip_in
from entrypoint.figures.section import bare
from entrypoint.figures.site import midline_skin, skin_arc, unseen
from entrypoint.figures.style import KINDS, MARKS, Style
from entrypoint.figures.view import View, path_of, upright
from entrypoint.geometry.planes import Plane
from entrypoint.geometry.polylines import between, length_mm, nearest_on
from entrypoint.planning.entry import midline_tape, side_sign
from entrypoint.planning.model import How, LateralBy, Plan, Side
from entrypoint.report.rounding import tape
from entrypoint.volume.levels import read_levels
from entrypoint.volume.skull import coarse_head

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from entrypoint.volume.levels import Levels
    from entrypoint.volume.volume import Volume

__all__ = [
    "at_arc",
    "head_bodies",
    "head_picture",
    "head_scene",
    "head_view",
    "head_with_tapes",
    "outwards",
    "tape_ticks",
    "tapes_on_skin",
]

FloatArray = NDArray[np.float64]
SIZE_IN = (8.6, 9.2)
_PANEL_IN = (0.2, 0.75, 8.2, 7.72)
_HALF_HEIGHT_MM = 105.0
_PIXELS = 1100
_FRONTWARDS, _UPWARDS, _SIDEWARDS = 0.75, 0.30, 0.62  # where the eye is, from the head
_HEAD_MM = 190.0  # about an average head, only for where the picture is centred
_COARSE_MM = 2.0
# Soft tissue outside the bone: to either side, behind and in front, below and above.
_CLOSE_BLOCKS = 6
_ROOM_MM = ((22.0, 22.0), (14.0, 45.0), (80.0, 25.0))
_SMOOTH_BLOCKS, _BONE_BLOCKS = 1.2, 0.7  # for the look only: no figure is read from it
_TAPE_MM, _TICK_MM, _PATH_MM = 1.2, 3.4, 1.0
_ASTRAY_MM = 5.0  # a lateral tape that ends further from the entry was not seen as far
_BEFORE_MM = 45.0  # of the path outside the scalp
_SKIN_COLOUR, _BONE_COLOUR = "#d8b49a", "#efe6d3"


def head_with_tapes(
    plan: Plan, volume: Volume, side: Side, style: Style | None = None,
    picture: NDArray[Any] | None = None,
) -> Figure:  # fmt: skip
    """The head from in front and above, with bone seen through the scalp, tapes, entry and path.

    Parameters
    ----------
    plan : Plan
        From the same CT.
    volume : Volume
    side : Side
        The patient's.
    style : Style, optional
    picture : (rows, columns, 3) array, optional
        What :func:`head_picture` drew, where it was drawn already.

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
    style = style or Style()
    view = head_view(plan, side)
    midline, lateral = tapes_on_skin(plan, volume, side)
    page = Page(plan, style, SIZE_IN)
    page.heading(side, "the two tapes and the path", "")
    # On the light ground the words stand on white, on the dark one on its own paper.
    axes = page.panel(_PANEL_IN, seen_from=view.seen_from)
    extent = page.extent(axes, (0.0, 0.0), 2.0 * _HALF_HEIGHT_MM)
    bare(axes, extent)
    if picture is None:
        picture = head_picture(plan, volume, side, style)
    axes.imshow(picture, extent=extent, aspect="equal", interpolation="bilinear")
    bare(axes, extent)
    page.edges(axes, view.left_edge, view.right_edge)
    page.scale_bar(axes, (extent[0] + 14.0, extent[2] + 6.0), 50.0)
    _write(page, axes, plan, side, view, midline, lateral)
    page.foot()
    return page.figure


def head_picture(
    plan: Plan, volume: Volume, side: Side, style: Style | None = None,
    bodies: dict[str, Any] | None = None,
) -> NDArray[Any]:  # fmt: skip
    """What is drawn in three dimensions, in a process of its own; nothing is written on it.

    Parameters
    ----------
    plan, volume, side, style
        See :func:`head_with_tapes`.
    bodies : mapping, optional
        Scalp and skull, where they have been read already (:func:`head_bodies`).

    Returns
    -------
    (rows, columns, 3) uint8 array

    Raises
    ------
    MeasurementError, MissingExtra
        See :func:`head_with_tapes`.
    """
    view = head_view(plan, side)
    midline, lateral = tapes_on_skin(plan, volume, side)
    bodies = head_bodies(plan, volume) if bodies is None else bodies
    scene = head_scene(plan, bodies, side, view, style or Style(), midline, lateral)
    wide, high = _PANEL_IN[2], _PANEL_IN[3] - strip_in(plan)
    scene["size_px"] = np.array((round(_PIXELS * wide / high), _PIXELS))
    return draw(scene)


def head_view(plan: Plan, side: Side) -> View:
    """From in front and above, on the named side.

    Raises
    ------
    MeasurementError
        When the plan holds no path on that side, or no nasion.
    """
    _, _, plane = path_of(plan, side)
    nasion, inion = plan.landmarks.get("nasion_skin"), plan.landmarks.get("inion")
    if nasion is None:
        raise MeasurementError(
            found="no nasion in this plan",
            expected="a plan from a CT volume",
            next_step="plan from the volume, and look at its findings",
        )
    unit_right = plane.unit_normal
    up = upright(plan, unit_right, unit_right)
    forwards = np.cross(up, unit_right)
    # Half-way to the back of the head: of an average one where the scan does not show it.
    behind = nasion.position_mm - _HEAD_MM * forwards if inion is None else inion.position_mm
    middle = 0.5 * (nasion.position_mm + behind)
    middle = middle - ((middle - plane.point_mm) @ unit_right) * unit_right
    middle = middle + 26.0 * up + 15.0 * forwards
    eye = _FRONTWARDS * forwards + _UPWARDS * up + side_sign(side) * _SIDEWARDS * unit_right
    eye = eye / np.linalg.norm(eye)
    page_up = up - (up @ eye) * eye
    page_up = page_up / np.linalg.norm(page_up)
    return View(
        origin_mm=middle,
        unit_page_right=np.cross(page_up, eye),
        unit_page_up=page_up,
        seen_from=f"in front and above, on the PATIENT'S {side.value.upper()}",
        left_edge="PATIENT'S RIGHT",  # whoever looks into a face has its right on the left
        right_edge="PATIENT'S LEFT",
    )


def head_bodies(plan: Plan, volume: Volume) -> dict[str, Any]:
    """Scalp and skull of the head itself, to be drawn (see ``offscreen.draw``)."""
    from scipy import ndimage

    coarse = volume.block_means(_COARSE_MM)
    levels = read_levels(coarse.stored)
    # Clipped to what skin lies between, so that bone and metal do not move its smoothed edge.
    soft = np.clip(coarse.stored, levels.air_hu, levels.soft_hu)
    return {
        "world_from_index": coarse.grid.world_from_index,
        "hu_skin": ndimage.gaussian_filter(
            np.where(_near_bone(plan, coarse, levels), soft, levels.air_hu), _SMOOTH_BLOCKS
        ),
        "level_skin": np.array(levels.skin_hu),
        "colour_skin": np.array(_SKIN_COLOUR),
        "opacity_skin": np.array(0.42),
        "hu_bone": ndimage.gaussian_filter(coarse.stored, _BONE_BLOCKS),
        "level_bone": np.array(levels.bone_edge_hu),
        "colour_bone": np.array(_BONE_COLOUR),
        "opacity_bone": np.array(1.0),
    }


def head_scene(
    plan: Plan, bodies: dict[str, Any], side: Side, view: View, style: Style,
    midline: FloatArray, lateral: FloatArray,
) -> dict[str, Any]:  # fmt: skip
    """Everything that is drawn in three dimensions, world mm (see ``offscreen.draw``)."""
    entry, unit_inward, _ = path_of(plan, side)
    colour = style.palette
    path, suture = getattr(colour, KINDS["path"].colour), getattr(colour, KINDS["suture"].colour)
    tapes = getattr(colour, MARKS["nasion"].colour)
    scene: dict[str, Any] = {
        **bodies,
        "background": np.array(colour.paper),
        "eye_mm": view.origin_mm + 600.0 * view.unit_to_viewer,
        "focus_mm": view.origin_mm,
        "unit_up": view.unit_page_up,
        "half_height_mm": np.array(_HALF_HEIGHT_MM),
    }

    def tube(name: str, points: FloatArray, shade: str, radius_mm: float) -> None:
        scene[f"tube_{name}"] = points
        scene[f"colour_tube_{name}"] = np.array(shade)
        scene[f"radius_tube_{name}"] = np.array(radius_mm)

    tube("midline", midline, tapes, _TAPE_MM)
    tube("lateral", lateral, tapes, _TAPE_MM)
    for name, line in (("midline", midline), ("lateral", lateral)):
        for cm, tick in enumerate(tape_ticks(line, view)):
            tube(f"tick_{name}_{cm}", tick, tapes, 0.7)
    tube("path", np.array([entry - _BEFORE_MM * unit_inward, entry]), path, _PATH_MM)
    if plan.coronal_suture is not None:
        curve = plan.coronal_suture.curve_mm
        tube("suture", curve + 0.8 * outwards(curve, view), suture, 1.3)
    scene["ball_entry"] = np.array([*entry, 2.8])
    scene["colour_ball_entry"] = np.array(path)
    return scene


def _near_bone(plan: Plan, coarse: Volume, levels: Levels) -> NDArray[np.bool_]:
    """Blocks of the head itself: a head rest behind or beside it would hide it.

    A box round the bone in the head's own directions, with room for soft tissue.
    """
    from scipy import ndimage

    plane = plan.midsagittal_plane
    assert plane is not None
    labels, count = ndimage.label(coarse.stored > levels.bone_edge_hu)
    if not count:
        return np.ones(coarse.shape, dtype=bool)
    largest = 1 + int(np.argmax(np.bincount(labels.ravel())[1:]))
    up = upright(plan, plane.unit_normal, plane.unit_normal)
    axes = np.stack([plane.unit_normal, np.cross(up, plane.unit_normal), up])
    by_index = axes @ coarse.grid.world_from_index[:3, :3]
    index = np.stack(np.meshgrid(*[np.arange(n) for n in coarse.shape], indexing="ij"))
    at = np.tensordot(by_index, index, axes=1)  # right, anterior, superior, up to a shift
    bone = at[:, labels == largest]
    low, high = np.percentile(bone, (0.2, 99.8), axis=1)
    room = np.array(_ROOM_MM)
    inside = (at >= (low - room[:, 0])[:, None, None, None]) & (
        at <= (high + room[:, 1])[:, None, None, None]
    )
    # Behind the upper half of the head, where soft tissue is thin, a rest lies close to it.
    half = 0.5 * (low + high)
    close = ndimage.binary_dilation(labels == largest, iterations=_CLOSE_BLOCKS)
    behind = (at[1] < half[1]) & (at[2] > half[2])
    return np.asarray(inside.all(axis=0) & (close | ~behind))


def outwards(points: FloatArray, view: View) -> FloatArray:
    """Unit directions from the middle of the head to points, (n, 3)."""
    away = points - view.origin_mm
    return np.asarray(away / np.linalg.norm(away, axis=1, keepdims=True))


def tape_ticks(line: FloatArray, view: View) -> list[FloatArray]:
    """A bar across a tape at each whole centimetre, (2, 3) each."""
    out = []
    for cm in range(int(length_mm(line) / 10.0 + 0.05) + 1):
        here, along = at_arc(line, 10.0 * cm)
        outward = here - view.origin_mm
        across = np.cross(along, outward)
        across = across / np.linalg.norm(across)
        long = _TICK_MM * (1.5 if cm % 5 == 0 else 1.0)
        out.append(np.array([here - long * across, here + long * across]))
    return out


def at_arc(line: FloatArray, arc_mm: float) -> tuple[FloatArray, FloatArray]:
    """Place and direction at an arc length, held at the line's ends."""
    total = length_mm(line)
    low, high = max(arc_mm - 1.0, 0.0), min(arc_mm + 1.0, total)
    ahead, behind = between(line, 0.0, high)[-1], between(line, 0.0, max(low, 1e-6))[-1]
    here = between(line, 0.0, min(max(arc_mm, 1e-6), total))[-1]
    along = ahead - behind
    return here, along / np.linalg.norm(along)


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
    head = coarse_head(volume)
    unit_right = plane.unit_normal
    centre = head.centre_mm - ((head.centre_mm - plane.point_mm) @ unit_right) * unit_right
    skin = midline_skin(plan, volume, head)
    midsagittal = Plane(point_mm=plane.point_mm, unit_normal=unit_right)
    whole = midline_tape(skin, midsagittal).tape.points_mm
    if length_mm(whole) < plan.rule.midline_arc_mm:
        raise unseen()
    midline = between(whole, 0.0, plan.rule.midline_arc_mm)
    start = midline[-1]
    # The lateral plane stands square to the tape's direction there, over 10 mm.
    at = plan.rule.midline_arc_mm
    ends = between(whole, at - 5.0, min(at + 5.0, length_mm(whole)))[[0, -1]]
    outward = np.cross(unit_right, ends[1] - ends[0])
    outward = outward * np.sign(outward @ (start - centre)) / np.linalg.norm(outward)
    beside = skin_arc(
        volume, head, start - 70.0 * outward, outward, side_sign(side) * unit_right, 45.0
    )
    end, nearest, _ = nearest_on(beside, entry)
    if np.linalg.norm(nearest - entry) > _ASTRAY_MM:
        raise unseen()
    return midline, np.vstack([start, between(beside, 0.0, end)[1:-1], entry])


def _write(
    page: Page, axes: Any, plan: Plan, side: Side, view: View, midline: FloatArray,
    lateral: FloatArray,
) -> None:  # fmt: skip
    """Name what is drawn, and dash what lies under the bone."""
    planned, rule = plan.sides[side], plan.rule
    left = -1.0 if side is Side.RIGHT else 1.0  # the planned side on this page
    entry, unit_inward, _ = path_of(plan, side)
    at = view.page_from_world
    for line in (midline, lateral):
        page.keep_off(axes, at(line), pad=6.0)
    page.keep_off(axes, at(np.array([entry, entry - _BEFORE_MM * unit_inward])), pad=6.0)
    for cm in (5, 10):
        if cm * 10.0 < length_mm(midline):
            here, _ = at_arc(midline, 10.0 * cm)
            page.label(axes, at(here), f"{cm} cm", f"{cm}", towards=[(-left, 0.0)], reach=(14.0,),
                       leader=False)  # fmt: skip
    if planned.sensor_tip_mm is not None:
        page.stroke(axes, at(np.array([entry, planned.sensor_tip_mm])), width=2.0,
                    dash=(0, (2, 1.5)), colour="tip", gid="hidden-path")  # fmt: skip
        page.mark(axes, "tip", at(planned.sensor_tip_mm))
        page.label(axes, at(planned.sensor_tip_mm), "sensor tip,\nunder the bone", "T",
                   towards=[(left, -0.6), (left, -0.2), (0.0, -1.0)], reach=(40.0, 60.0, 90.0))
    lateral_words = (
        tape(rule.lateral_arc_mm) if rule.lateral_by is LateralBy.ARC
        else "half the pupils' distance"
    )  # fmt: skip
    short = f"{rule.lateral_arc_mm / 10:.3g} cm" if rule.lateral_by is LateralBy.ARC else ""
    _name_suture(page, axes, plan, side, view, left)
    page.label(axes, at(midline[0]), "nasion", "N", towards=[(-left, -0.5), (-left, 0.3)],
               reach=(30.0, 50.0))  # fmt: skip
    page.label(axes, at(at_arc(midline, 0.68 * length_mm(midline))[0]),
               f"midline tape,\n{tape(rule.midline_arc_mm)}", f"{rule.midline_arc_mm / 10:.3g} cm",
               towards=[(-left, 0.35), (-left, 0.6)], reach=(70.0, 100.0))  # fmt: skip
    page.label(axes, at(lateral[len(lateral) // 2]), f"tape to the side,\n{lateral_words}", short,
               towards=[(-0.1 * left, 1.0), (-0.5 * left, 1.0), (0.4 * left, 1.0)],
               reach=(62.0, 90.0, 120.0))  # fmt: skip
    outside = entry - 0.9 * _BEFORE_MM * unit_inward
    path_words = "path, square to the bone" if plan.given_path is None else "the given path"
    page.label(axes, at(outside), path_words, "P",
               towards=[(left, 0.9), (0.4 * left, 1.0), (left, 0.4)],
               reach=(36.0, 60.0, 90.0))  # fmt: skip
    page.label(axes, at(entry), "entry on the scalp", "E",
               towards=[(left, -0.1), (left, -0.3), (left, 0.2)], reach=(50.0, 80.0))  # fmt: skip


def _name_suture(
    page: Page, axes: Any, plan: Plan, side: Side, view: View, left: float
) -> None:
    suture = plan.coronal_suture
    if suture is None:
        return
    how = suture.right if side is Side.RIGHT else suture.left
    words = "coronal suture" if how is How.MEASURED else "coronal suture\n(estimated, not seen)"
    plane = plan.midsagittal_plane
    assert plane is not None
    away = side_sign(side) * ((suture.curve_mm - plane.point_mm) @ plane.unit_normal)
    spot = suture.curve_mm[int(np.argmin(np.abs(away - 37.0)))]
    page.label(axes, view.page_from_world(spot), words, "S",
               towards=[(left, 0.5), (left, 0.1), (left, 1.0)], reach=(30.0, 50.0, 80.0))

