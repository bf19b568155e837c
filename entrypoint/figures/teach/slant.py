"""Plate: why square to the skull: tilt lengthens the way through bone and moves the tip."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from entrypoint.figures.style import Style
from entrypoint.figures.teach.head import TeachingHead
from entrypoint.figures.teach.model import Lesson
from entrypoint.figures.teach.page import LABEL_PT, Plate, columns
from entrypoint.figures.teach.section import coronal_ground
from entrypoint.reference import row, value
from entrypoint.report.rounding import figure_mm

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["Slant", "slant_of", "square_to_the_skull"]

FloatArray = NDArray[np.float64]
NAME = "square-to-the-skull"
POINT = "Off square, a drill crosses more bone and its tip lands elsewhere"
QUESTION = "What does a tilted drill cost in bone and at the tip?"
_PANEL_IN = (1.95, 1.2, 5.0, 5.1)
_TABLE_IN = 8.62
_BEFORE_MM = (19.0, 23.0, 27.0)  # over the bone: a longer shank for each, so that names go over it
_DASHES = ("-", (0, (6, 2.5)), (0, (1.2, 1.6)))
_TIPS = ("D", "s", "o")
ROWS = ("tilt_freehand", "tilt_limit", "calvarial_slope", "rule_sensor_depth")


class Slant:
    """What a tilt of some degrees costs on a slab of some thickness.

    Parameters
    ----------
    tilt_deg : float
        From square to the skull.
    skull_mm, length_mm : float
        Of the bone, and from its surface to the tip.
    """

    def __init__(self, tilt_deg: float, skull_mm: float, length_mm: float) -> None:
        tilt = math.radians(tilt_deg)
        self.tilt_deg = tilt_deg
        self.factor = 1.0 / math.cos(tilt)
        self.bone_mm = skull_mm * self.factor
        self.tip_off_mm = 2.0 * length_mm * math.sin(0.5 * tilt)


def slant_of(head: TeachingHead) -> float:
    """Angle between the path and a drill held parallel to the midline in its section, degrees."""
    plane, inward = head.plan.midsagittal_plane, head.planned.unit_inward
    assert plane is not None
    assert inward is not None
    return math.degrees(math.asin(abs(float(np.asarray(inward) @ plane.unit_normal))))


def square_to_the_skull(head: TeachingHead, style: Style, *, blank: bool = False) -> Lesson:
    """Draw the square path, a tilted drill and an upright one through the same hole."""
    plate = Plate(head, style, blank=blank)
    plate.title(POINT, QUESTION,
                f"{head.words}: a section through the path, PATIENT'S "
                f"{head.side.value.upper()}. All drills meet the bone at one place.")  # fmt: skip
    skull = float(head.planned.thickness.skull_mm or 0.0)
    sensor = head.planned.sensor
    length = skull + (sensor.below_inner_table_mm if sensor is not None
                      else head.plan.rule.sensor_depth_mm)  # fmt: skip
    upright, limit = slant_of(head), value("tilt_limit")
    drills = [("square", 0.0), (f"tilted by {limit:g}°", limit), ("held upright", upright)]
    axes = _section(plate, head, [Slant(t, skull, length) for _, t in drills],
                    [name for name, _ in drills], length)  # fmt: skip
    tilts = sorted({0.0, value("tilt_freehand"), limit, round(upright, 1), 30.0})
    _table(plate, [Slant(t, skull, length) for t in tilts], upright)
    plate.lay_callouts(high_in=axes.get_position().y1 * plate.size_in[1])
    worst = Slant(upright, skull, length)
    slope = row("calvarial_slope")
    caption = (
        "On a flat slab the way through bone grows with 1/cos of the tilt: "
        f"{Slant(limit, skull, length).factor:.4f} at {limit:g} degrees, {worst.factor:.4f} at "
        f"{upright:.1f}. The tip is moved far more: a drill held upright here, {upright:.1f} "
        f"degrees from square, crosses {figure_mm(worst.bone_mm, lower=False)} of bone instead of "
        f"{figure_mm(skull)} and ends {figure_mm(worst.tip_off_mm, lower=False)} from the square "
        f"path's tip, {figure_mm(length)} under the bone's surface. In published heads the vault "
        f"slopes {slope.value:.1f} ± {slope.spread:.1f} degrees there. {_hands()}"
    )
    alt = (
        "A section across the vault with three drills through one place of the bone: one square "
        f"to it, one tilted by {limit:g} degrees and one held upright, parallel to the midline. "
        "Their tips lie ever farther apart. A table gives for each tilt the factor 1/cos, the "
        "bone crossed and the distance between the tips."
    )
    return plate.finish(name=NAME, point=POINT, caption=caption, alt=alt, rows=ROWS)


def _hands() -> str:
    free = row("tilt_freehand")
    return (
        f"Of {free.n} operators ({free.population.split(', ')[-1]}) {free.how_measured}: "
        f"{free.value:g} degrees."
    )


def _section(
    plate: Plate, head: TeachingHead, slants: list[Slant], names: list[str], length: float
) -> Axes:
    lateral, medial = columns(head.sign > 0)
    axes, _, foot, onwards = coronal_ground(
        plate, head, _PANEL_IN, title="Across the head.", wide_mm=68.0, above_mm=22.0,
        shift_mm=2.0,
    )  # fmt: skip
    edge = {"left": _PANEL_IN[0] - 0.12, "right": _PANEL_IN[0] + _PANEL_IN[2] + 0.12}
    # Turned from the path towards the upright, which keeps its distance from the midline: the
    # path goes down and to the midline, on the patient's right to the page's left.
    for k, (slant, name) in enumerate(zip(slants, names, strict=True)):
        way = _turned(onwards, head.sign * math.radians(slant.tilt_deg))
        tip = foot + length * way
        top = foot - _BEFORE_MM[k] * way
        plate.stroke(axes, [top, tip], width=2.4 if k == 0 else 1.9, dash=_DASHES[k],
                     colour="path" if k == 0 else "ink", gid=f"drill-{k}")  # fmt: skip
        axes.plot([tip[0]], [tip[1]], _TIPS[k], ms=plate.pt(8.5), zorder=9, ls="none",
                  mfc=plate.colour(axes, "path" if k == 0 else "ink"), gid=f"drill-tip-{k}",
                  mec=plate.colour(axes, "paper"), mew=plate.pt(1.0))  # fmt: skip
        plate.callout(axes, top + 1.0 * way, name, column=lateral, x_in=edge[lateral],
                      given=True)  # fmt: skip
        if k:
            off = figure_mm(slant.tip_off_mm, lower=False)
            plate.callout(axes, tip, f"tip {off} off", column=lateral, x_in=edge[lateral],
                          dot=False, told=f"{name}: tip {off} off")  # fmt: skip
        else:
            plate.callout(axes, tip, "tip of the\nsquare path", column=medial,
                          x_in=edge[medial], dot=False, given=True)  # fmt: skip
    return axes


def _turned(way: FloatArray, angle_rad: float) -> FloatArray:
    """A direction on the page turned anticlockwise."""
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    return np.array([c * way[0] - s * way[1], s * way[0] + c * way[1]])


def _table(plate: Plate, slants: list[Slant], upright: float) -> None:
    """Tilt, 1/cos, bone crossed and how far the tip is off, a row each."""
    x, y = _TABLE_IN, 5.55
    heads = (("tilt", 0.0), ("1/cos", 1.1), ("bone\ncrossed", 2.2), ("tip\noff by", 3.4))
    for name, at in heads:
        plate.write(x + at + 0.5, y, name, size=LABEL_PT, ha="right", va="bottom", weight="bold",
                    gid="table-head")  # fmt: skip
    _rule(plate, x, y - 0.08)
    for k, slant in enumerate(slants):
        row_y = y - 0.36 - 0.44 * k
        near = abs(slant.tilt_deg - upright) < 0.06
        cells = (
            f"{slant.tilt_deg:g}°", f"{slant.factor:.4f}",
            figure_mm(slant.bone_mm, lower=False), figure_mm(slant.tip_off_mm, lower=False),
        )  # fmt: skip
        for j, ((name, at), cell) in enumerate(zip(heads, cells, strict=True)):
            told = f"{cells[0]}, {' '.join(name.split())}: {cell}"
            words = plate.hidden(cell, told=told, rule="_" * 5) if j else cell
            plate.write(x + at + 0.5, row_y, words, size=LABEL_PT, ha="right",
                        weight="bold" if near else "normal", gid="table-cell")  # fmt: skip
    end = y - 0.36 - 0.44 * (len(slants) - 1) - 0.3
    _rule(plate, x, end)
    plate.write(x - 0.05, end - 0.2, "Bold: upright in this head. The bone is taken as flat.",
                size=LABEL_PT - 2.0, colour=plate.palette.quiet)  # fmt: skip


def _rule(plate: Plate, x_in: float, y_in: float) -> None:
    from matplotlib.lines import Line2D

    w, h = plate.size_in
    plate.figure.add_artist(Line2D(
        [(x_in - 0.05) / w, (x_in + 3.98) / w], [y_in / h] * 2, color=plate.palette.ink,
        lw=plate.pt(1.0), transform=plate.figure.transFigure))  # fmt: skip
