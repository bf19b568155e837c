"""Colours, marks and words of the figures.

The colours are seven of the eight that Okabe and Ito proposed so that people with any common
colour vision can tell them apart (from memory: "Color Universal Design", 2008). None of them
means anything by itself: every mark has a shape and a label of its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from entrypoint.planning.model import Plan

    Spot = tuple[float, float] | NDArray[Any]

INK = "#1b1b1b"
PAPER = "#ffffff"
UNSEEN = "#8f8a80"  # what the scan does not show
ORANGE = "#e69f00"
SKY = "#56b4e9"
GREEN = "#009e73"
YELLOW = "#f0e442"
BLUE = "#0072b2"
VERMILION = "#d55e00"
PURPLE = "#cc79a7"
COLOURS = (ORANGE, SKY, GREEN, YELLOW, BLUE, VERMILION, PURPLE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """How one kind of point is drawn."""

    marker: str
    colour: str
    size: int  # points


ENTRY = Mark(marker="o", colour=ORANGE, size=8)
TIP = Mark(marker="D", colour=VERMILION, size=7)
SUTURE = Mark(marker="^", colour=SKY, size=8)
MARKS = {"entry": ENTRY, "tip": TIP, "suture": SUTURE}
PATH_COLOUR = YELLOW
PLANE_COLOUR = SKY
TABLE_COLOUR = PAPER
MARGIN_COLOUR = PURPLE


def halo(width: float = 2.2, colour: str = INK) -> list[Any]:
    """Path effects that keep a light line or a text legible on any grey."""
    from matplotlib import patheffects

    return [patheffects.withStroke(linewidth=width, foreground=colour)]


def draw_mark(axes: Axes, mark: Mark, at: Spot) -> None:
    """Draw a point."""
    axes.plot(
        [at[0]], [at[1]], mark.marker, ms=mark.size, mfc=mark.colour, mec=INK, mew=1.2, zorder=9
    )


def label(
    axes: Axes,
    text: str,
    at: Spot,
    text_at: Spot,
    *,
    ha: str = "left",
    va: str = "center",
    size: float = 8.5,
) -> None:
    """A label beside the picture's matter, with a thin line to what it names."""
    axes.annotate(
        text,
        xy=(at[0], at[1]),
        xytext=(text_at[0], text_at[1]),
        ha=ha,
        va=va,
        fontsize=size,
        color=PAPER,
        zorder=10,
        path_effects=halo(2.6),
        arrowprops={
            "arrowstyle": "-",
            "color": PAPER,
            "lw": 0.9,
            "shrinkA": 2,
            "shrinkB": 5,
            "path_effects": halo(2.2),
        },
    )


def scale_bar(axes: Axes, at: Spot, length_mm: float, *, on: str = INK) -> None:
    """A bar in whole centimetres, its length written on it; ``on`` is the colour under it."""
    x0, y0 = at[0], at[1]
    count = round(length_mm / 10.0)
    for i in range(count):
        axes.plot(
            [x0 + 10 * i, x0 + 10 * (i + 1)],
            [y0, y0],
            color=PAPER if i % 2 == 0 else INK,
            lw=4,
            solid_capstyle="butt",
            zorder=8,
            path_effects=halo(5.4, PAPER if i % 2 else INK),
            gid="scale-bar",
        )
    axes.text(
        x0 + length_mm / 2,
        y0 + 2.5,
        f"{count} cm",
        ha="center",
        va="bottom",
        color=PAPER if on == INK else INK,
        fontsize=8.5,
        zorder=8,
        path_effects=halo(2.6, on),
    )


def edges(axes: Axes, left: str, right: str, *, on: str = INK) -> None:
    """Write on both edges what lies there, in full words."""
    for x, text, turn, ha in ((0.012, left, 90, "left"), (0.988, right, -90, "right")):
        axes.text(
            x,
            0.5,
            text,
            transform=axes.transAxes,
            rotation=turn,
            ha=ha,
            va="center",
            fontsize=9.5,
            fontweight="bold",
            color=PAPER if on == INK else INK,
            zorder=11,
            path_effects=halo(2.8, on),
        )


def across_it(
    axes: Axes, plan: Plan, *, at: tuple[float, float], size: float, turn: float
) -> None:
    """Write over a practice head's picture what it is."""
    if not plan.practice:
        return
    from entrypoint.report.wording import PRACTICE_BANNER

    axes.text(
        at[0],
        at[1],
        PRACTICE_BANNER,
        transform=axes.transAxes,
        ha="center",
        va="center",
        rotation=turn,
        fontsize=size,
        fontweight="bold",
        color=PAPER,
        alpha=0.62,
        zorder=7,
        path_effects=halo(1.2),
    )


def caveat(figure: Figure, plan: Plan, *, width: int = 180) -> None:
    """Write the planning-only statement at the figure's foot."""
    from textwrap import fill

    figure.text(
        0.5,
        0.012,
        fill(f"{plan.caveat} {plan.sides_note}", width),
        ha="center",
        va="bottom",
        fontsize=7.5,
        color=INK,
    )
