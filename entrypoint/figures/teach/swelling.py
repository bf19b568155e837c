"""Plate: what a swollen scalp does to a drill stop that seats on it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import MeasurementError
from entrypoint.figures.section import bare
from entrypoint.figures.style import Style
from entrypoint.figures.teach.head import TeachingHead
from entrypoint.figures.teach.model import Lesson
from entrypoint.figures.teach.page import Column, Plate
from entrypoint.figures.view import turned_to_path, views_along_path
from entrypoint.reference import value
from entrypoint.report.rounding import figure_mm
from entrypoint.report.wording import SEAT_WORDS, STOP_GIVES

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["past_inner_mm", "swelling_mm", "swollen_scalp"]

FloatArray = NDArray[np.float64]
NAME = "swollen-scalp"
POINT = "A stop seated on scalp moves with the scalp; one on bone does not"
QUESTION = "Where does each bit end once the swelling has gone?"
_PANELS_IN = ((1.72, 1.2, 3.45, 5.1), (7.88, 1.2, 3.45, 5.1))
_SCALP_X, _BONE_X = -5.2, 5.2  # mm beside the path
_HALF_BIT, _HALF_STOP, _STOP_HIGH = 1.1, 2.9, 4.2
_OPENING = 3.5  # half of the opening in the scalp under a stop that seats on bone
_ABOVE_MM, _BELOW_MM = 16.0, 9.0  # over the scalp without its swelling; under the bone
_SEEN = "The swelling is what this side has more than the other; what it goes down to is a guess."
_DRAWN = "The swelling is drawn, not measured."
ROWS = ("swelling_limit", "scalp_stop_limit", "scalp_sides_limit", "stop_quantile",
        "stop_reserve", "bone_radius")  # fmt: skip


def swelling_mm(head: TeachingHead) -> tuple[float, float, bool]:
    """Scalp without its swelling, the swelling, and whether the scan shows it.

    A scalp that is thicker than on the other side by more than the limit of the findings is
    taken as swollen by that difference; any other has that limit drawn in.
    """
    scalp = float(head.planned.thickness.scalp_mm or 0.0)
    other, limit = head.planned.thickness.scalp_other_side_mm, value("swelling_limit")
    if other is not None and scalp - other > limit:
        return other, scalp - other, True
    return scalp, limit, False


def past_inner_mm(head: TeachingHead) -> float:
    """How far the bit set on the swollen scalp ends past the inner table once it is down, mm.

    Negative where it still ends in bone. Both bits are set to end at the same place while the
    scalp is swollen: the plan's own start on bone.
    """
    start, skull = head.planned.drill_stop.start_on_bone_mm, head.planned.thickness.skull_mm
    if start is None or skull is None:
        raise MeasurementError(
            found="no drill-stop length on the side that is shown",
            expected="a plan that gives one",
            next_step="look at the plan's findings, or teach from the practice head",
        )
    return float(start + swelling_mm(head)[1] - skull)


def swollen_scalp(head: TeachingHead, style: Style, *, blank: bool = False) -> Lesson:
    """Draw two bits that end alike over a swollen scalp, and the same bits a day later."""
    past = past_inner_mm(head)
    plate = Plate(head, style, blank=blank)
    scalp, swelling, seen = swelling_mm(head)
    thick = figure_mm(swelling, lower=False) if seen else f"{swelling:g} mm"
    whence = "more scalp than on the other side" if seen else "of swelling drawn in"
    plate.title(POINT, QUESTION,
                f"{head.words}: its own scalp and skull, {thick} {whence}. "
                "The stops are not changed.")  # fmt: skip
    start = float(head.planned.drill_stop.start_on_bone_mm or 0.0)
    skull = float(head.planned.thickness.skull_mm or 0.0)
    lengths = (scalp + swelling + start, start)
    for k, swollen in enumerate((swelling, 0.0)):
        _panel(plate, head, k, swollen, lengths)
    plate.lay_callouts(high_in=_PANELS_IN[0][1] + _PANELS_IN[0][3])
    short = figure_mm(skull - start)
    ends = (
        f"{figure_mm(past, lower=False)} past the inner table" if past > 0
        else f"{figure_mm(-past)} short of the inner table"
    )
    caption = (
        f"While the scalp is swollen by {thick} both bits end at the same place, {short} "
        "short of the inner table, where the dura begins: one with its stop seated "
        f"{_seat('scalp')}, one with its stop seated {_seat('bone')}. Once the swelling "
        f"has gone the stop on the scalp sits {thick} lower and its bit ends {ends}; the "
        "other ends where it did. A scalp that swells more leaves the bit as much too short. "
        f"{STOP_GIVES} No stop on scalp is given where the scalp is over "
        f"{value('scalp_stop_limit'):g} mm thick or differs from the other side by over "
        f"{value('scalp_sides_limit'):g} mm. {_SEEN if seen else _DRAWN} Lengths here teach and "
        "are no setting."
    )
    alt = (
        "Two sections through scalp and skull side by side, each with two drill bits. On the left "
        "the scalp is swollen: the bit whose stop seats on the scalp and the bit whose stop seats "
        "on bone end at the same depth in the bone. On the right the swelling has gone: the bit "
        f"on bone ends where it did, the bit on scalp ends {ends}."
    )
    return plate.finish(name=NAME, point=POINT, caption=caption, alt=alt, rows=ROWS)


def _seat(name: str) -> str:
    return next(words for seat, words in SEAT_WORDS.items() if seat.value == name)


def _panel(
    plate: Plate, head: TeachingHead, which: int, swollen: float, lengths: tuple[float, float]
) -> None:
    lengthwise, _ = views_along_path(head.plan, head.side)
    view = turned_to_path(head.plan, head.side, lengthwise)
    rect = _PANELS_IN[which]
    title = "Scalp swollen." if swollen else "Swelling gone."
    axes = plate.view(rect, view.seen_from, title=title)
    t = head.planned.thickness
    (scalp, swelling, _), skull = swelling_mm(head), float(t.skull_mm or 0.0)
    above = _ABOVE_MM + swelling
    height = scalp + skull + above + _BELOW_MM + max(past_inner_mm(head) - 2.0, 0.0)
    extent = plate.extent(axes, (0.0, above - 0.5 * height), height)
    bare(axes, extent)
    x = np.linspace(extent[0] + 0.5, extent[1] - 0.5, 121)

    def surface(depth_mm: float) -> FloatArray:
        return -depth_mm - x**2 / (2.0 * value("bone_radius"))

    ink, quiet = plate.palette.ink, plate.palette.quiet
    skin, outer, inner = surface(-swollen), surface(scalp), surface(scalp + skull)
    open_ = np.abs(x - _BONE_X) > _OPENING
    for part in (x < _BONE_X, x > _BONE_X):
        use = open_ & part
        axes.fill_between(x[use], outer[use], skin[use], facecolor=plate.palette.faint, alpha=0.45,
                          lw=0, zorder=1, gid="scalp")  # fmt: skip
        axes.plot(x[use], skin[use], color=ink, lw=plate.pt(1.9), zorder=3, gid="skin")
        rim = x[use][-1 if part[0] else 0]
        axes.plot([rim, rim], [_bow(rim) - scalp, _bow(rim) + swollen], color=ink,
                  lw=plate.pt(1.2), zorder=3)  # fmt: skip
    axes.fill_between(x, inner, outer, facecolor=plate.palette.faint, lw=0, zorder=1)
    if t.outer_table_mm is not None and t.diploe_mm is not None:
        low = surface(scalp + t.outer_table_mm + t.diploe_mm)
        high = surface(scalp + t.outer_table_mm)
        axes.fill_between(x, low, high, facecolor="none", hatch="....", edgecolor=quiet, lw=0,
                          zorder=1.5, gid="diploe")  # fmt: skip
    for line, gid in ((outer, "bone-outer"), (inner, "bone-inner")):
        axes.plot(x, line, color=ink, lw=plate.pt(1.4), zorder=3, gid=gid)
    if not swollen:
        axes.plot(x[open_ & (x < _BONE_X)], surface(-swelling)[open_ & (x < _BONE_X)], color=quiet,
                  lw=plate.pt(1.2), ls=(0, (2, 2)), zorder=3, gid="skin-was")  # fmt: skip
    seats = ((_SCALP_X, _bow(_SCALP_X) + swollen), (_BONE_X, _bow(_BONE_X) - scalp))
    ends = [
        _bit(plate, axes, at, seat, length, f"{name}-{which}")
        for (at, seat), length, name in zip(seats, lengths, ("scalp", "bone"), strict=True)
    ]
    plate.edge_words(axes, view.left_edge, view.right_edge)
    plate.bar_below(axes, 10.0)
    if which == 0:
        x0 = extent[0] + 2.0
        for word, depth in (("scalp", 0.5 * scalp), ("skull", scalp + 0.25 * skull)):
            plate.callout(axes, (x0, _bow(x0) - depth), word, column="left", x_in=rect[0] - 0.1,
                          given=True)  # fmt: skip
    _names(plate, axes, which, ends, scalp + skull, seats)


def _bit(
    plate: Plate, axes: Axes, x: float, seat_y: float, length: float, gid: str
) -> FloatArray:
    """A bit with its stop: from the stop's face to the very point is the length."""
    ink, paper = plate.colour(axes, "ink"), plate.colour(axes, "paper")
    path = plate.colour(axes, "path")
    end = seat_y - length
    top = seat_y + _STOP_HIGH + 8.0
    b = _HALF_BIT
    body = np.array([(x - b, top), (x - b, end + 1.6 * b), (x, end), (x + b, end + 1.6 * b),
                     (x + b, top)])  # fmt: skip
    axes.fill(*body.T, facecolor=path, edgecolor=paper, lw=plate.pt(0.8), zorder=5,
              gid=f"bit-{gid}")  # fmt: skip
    for y in np.arange(end + 3.0, seat_y - 0.5, 2.4):
        axes.plot([x - b, x + b], [y, y + 1.5], color=paper, lw=plate.pt(1.0), zorder=5.5)
    s = _HALF_STOP
    stop = np.array([(x - s, seat_y), (x + s, seat_y), (x + s, seat_y + _STOP_HIGH),
                     (x - s, seat_y + _STOP_HIGH)])  # fmt: skip
    axes.fill(*stop.T, facecolor=paper, edgecolor=ink, lw=plate.pt(1.8), zorder=6,
              gid=f"stop-{gid}")  # fmt: skip
    return np.array([x, end])


def _names(
    plate: Plate, axes: Axes, which: int, ends: list[FloatArray], inner_depth: float,
    seats: tuple[tuple[float, float], ...],
) -> None:  # fmt: skip
    rect = _PANELS_IN[which]
    edges: tuple[tuple[Column, float], ...] = (
        ("left", rect[0] - 0.1), ("right", rect[0] + rect[2] + 0.1)
    )  # fmt: skip
    when = ("scalp swollen", "swelling gone")[which]
    for (column, x_in), end, seat, name, side in zip(
        edges, ends, seats, ("scalp", "bone"), (-1.0, 1.0), strict=True
    ):
        past = _bow(float(end[0])) - inner_depth - float(end[1])
        words = (
            f"ends {figure_mm(past, lower=False)}\npast the\ninner table" if past > 0.05
            else f"ends {figure_mm(-past)}\nshort of the\ninner table"
        )
        stop = (seat[0] + side * _HALF_STOP, seat[1] + 0.5 * _STOP_HIGH)
        where = _seat(name)
        plate.callout(axes, stop, f"stop seated\n{where}", column=column, x_in=x_in, dot=False,
                      given=True)  # fmt: skip
        plate.callout(axes, end, words, column=column, x_in=x_in, dot=False,
                      told=f"{when}, stop {where}: {' '.join(words.split())}")  # fmt: skip


def _bow(x: float) -> float:
    """Height of a layer's bow at a place beside the path: every layer has the same."""
    return -(x**2) / (2.0 * value("bone_radius"))
