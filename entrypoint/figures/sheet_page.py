"""A page to print, in millimetres from its upper left corner: text, rules, boxes.

Black on white and white on black, so that a copy of a copy still reads; no text under 8 points.
"""

from __future__ import annotations

from enum import StrEnum
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import ArrayLike

from entrypoint.figures.save import MM_PER_IN

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from matplotlib.text import Text

__all__ = ["LINE", "SMALL_PT", "Paper", "SheetPage", "line_mm"]

Ha = Literal["left", "center", "right"]
FAMILY = "DejaVu Sans"
SMALL_PT = 8.0
INK, PAPER, SHADE = "#000000", "#ffffff", "#e4e4e4"
MM_PER_PT = MM_PER_IN / 72.0
LINE = 1.22  # of the size of the letters
_CAP = 0.73  # height of a capital, of the size


class Paper(StrEnum):
    """What is printed on."""

    A4 = "a4"
    LETTER = "letter"


SIZES_MM = {Paper.A4: (210.0, 297.0), Paper.LETTER: (215.9, 279.4)}


def line_mm(size_pt: float = SMALL_PT) -> float:
    """From one line of text to the next."""
    return LINE * size_pt * MM_PER_PT


@lru_cache(maxsize=8192)
def _width_mm(text: str, size_pt: float, weight: str) -> float:
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    letters = FontProperties(family=FAMILY, weight=weight, size=size_pt)
    wide, _, _ = text_to_path.get_text_width_height_descent(text, letters, ismath=False)
    return float(wide) * MM_PER_PT


class SheetPage:
    """A page under construction.

    Parameters
    ----------
    paper : Paper
    """

    def __init__(self, paper: Paper) -> None:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        self.width_mm, self.height_mm = SIZES_MM[paper]
        self.figure: Figure = Figure(
            figsize=(self.width_mm / MM_PER_IN, self.height_mm / MM_PER_IN), facecolor=PAPER
        )
        FigureCanvasAgg(self.figure)

    def at(self, points_mm: ArrayLike) -> np.ndarray[Any, np.dtype[np.float64]]:
        """Figure coordinates of page millimetres, (k, 2)."""
        p = np.asarray(points_mm, dtype=float).reshape(-1, 2)
        return np.column_stack([p[:, 0] / self.width_mm, 1.0 - p[:, 1] / self.height_mm])

    def write(
        self, x: float, base: float, text: str, *, size: float = SMALL_PT, weight: str = "normal",
        ha: Ha = "left", colour: str = INK, turn: float = 0.0, gid: str | None = None,
    ) -> Text:  # fmt: skip
        """One line of text with its base line at ``base``."""
        fx, fy = self.at([x, base])[0]
        made = self.figure.text(
            fx, fy, text, fontsize=size, fontfamily=FAMILY, fontweight=weight, ha=ha,
            va="baseline" if not turn else "center", color=colour, rotation=turn, gid=gid,
            parse_math=False,
        )  # fmt: skip
        # A code with two f in it must read letter by letter; only newer versions join them.
        apart = getattr(made, "set_fontfeatures", None)
        if apart is not None:
            apart(["-liga"])
        return made

    def width(self, text: str, *, size: float = SMALL_PT, weight: str = "normal") -> float:
        """Width of a line of text, mm."""
        return _width_mm(text, size, weight)

    def wrapped(
        self, text: str, width: float, *, size: float = SMALL_PT, weight: str = "normal",
        first: float = 0.0,
    ) -> list[str]:  # fmt: skip
        """Text in lines no wider than ``width``; the first begins ``first`` mm in."""
        lines, now, room = [], "", width - first
        for word in text.split():
            longer = f"{now} {word}" if now else word
            if now and self.width(longer, size=size, weight=weight) > room:
                lines.append(now)
                now, room = word, width
            else:
                now = longer
        return [*lines, now] if now else lines

    def paragraph(
        self, x: float, top: float, width: float, text: str, *, size: float = SMALL_PT,
        weight: str = "normal", colour: str = INK, gid: str | None = None,
    ) -> float:  # fmt: skip
        """Running text below ``top``; returns where the next thing may begin."""
        step = line_mm(size)
        for line in self.wrapped(text, width, size=size, weight=weight):
            self.write(x, top + _first(size), line, size=size, weight=weight, colour=colour,
                       gid=gid)  # fmt: skip
            top += step
        return top

    def rule(self, points_mm: ArrayLike, *, width: float = 0.5, dash: Any = "-",
             colour: str = INK, gid: str | None = None, zorder: float = 3.0,
             clip: Any = None) -> None:  # fmt: skip
        """A line through points."""
        from matplotlib.lines import Line2D

        at = self.at(points_mm)
        made = Line2D(at[:, 0], at[:, 1], color=colour, lw=width, ls=dash, zorder=zorder, gid=gid,
                      transform=self.figure.transFigure, solid_capstyle="butt",
                      dash_capstyle="butt", solid_joinstyle="round")  # fmt: skip
        self.figure.add_artist(made)
        if clip is not None:
            made.set_clip_path(clip)

    def area(self, points_mm: ArrayLike, *, colour: str, gid: str | None = None,
             zorder: float = 1.0) -> None:  # fmt: skip
        """A filled outline."""
        from matplotlib.patches import Polygon

        self.figure.add_artist(Polygon(
            self.at(points_mm), closed=True, facecolor=colour, edgecolor="none", gid=gid,
            transform=self.figure.transFigure, zorder=zorder,
        ))  # fmt: skip

    def box(self, x: float, top: float, width: float, height: float, *, line: float = 0.6,
            fill: str = "none", gid: str | None = None) -> None:  # fmt: skip
        """A rectangle."""
        from matplotlib.patches import Rectangle

        left, low = self.at([x, top + height])[0]
        self.figure.add_artist(Rectangle(
            (left, low), width / self.width_mm, height / self.height_mm, facecolor=fill,
            edgecolor=INK if line else "none", lw=line, transform=self.figure.transFigure,
            gid=gid, zorder=0.5, joinstyle="miter",
        ))  # fmt: skip

    def strip(self, x: float, top: float, width: float, text: str, *, size: float = 9.5,
              height: float = 5.4, dark: bool = True, ha: Ha = "left",
              gid: str | None = None) -> float:  # fmt: skip
        """A heading on a strip of its own; returns its lower edge."""
        self.box(x, top, width, height, line=0.0 if dark else 1.2, fill=INK if dark else SHADE,
                 gid=gid and f"{gid}-strip")  # fmt: skip
        at = {"left": x + 1.6, "center": x + width / 2, "right": x + width - 1.6}[ha]
        self.write(at, middle(top, height, size), text, size=size, weight="bold", ha=ha,
                   colour=PAPER if dark else INK, gid=gid)  # fmt: skip
        return top + height

    def heading(self, x: float, top: float, width: float, text: str, beside: str = "", *,
                measure: bool = False) -> float:  # fmt: skip
        """A heading under a rule, with a quieter word after it; returns where content begins."""
        if measure:
            return top + 1.4 + line_mm(9.0)
        self.rule([(x, top), (x + width, top)], width=0.9)
        base = top + 1.1 + _first(9.0)
        self.write(x, base, text, size=9.0, weight="bold")
        if beside:
            self.write(x + self.width(text, size=9.0, weight="bold") + 2.2, base, beside)
        return top + 1.1 + line_mm(9.0) + 0.3


def _first(size: float) -> float:
    """From the top of a line to its base."""
    return 0.5 * (LINE + _CAP) * size * MM_PER_PT


def middle(top: float, height: float, size: float) -> float:
    """Base line of capitals that stand in the middle of a height."""
    return top + 0.5 * (height + _CAP * size * MM_PER_PT)
