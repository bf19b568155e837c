"""The page of a plate: a title, a drawing, and labels in columns whose leaders do not cross."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from entrypoint.figures.chart_page import ChartPage
from entrypoint.figures.page import FAMILY
from entrypoint.figures.places import spread_apart
from entrypoint.figures.style import Style
from entrypoint.figures.teach.head import TeachingHead
from entrypoint.figures.teach.model import Answer, Lesson, Source

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["HEIGHT_IN", "LABEL_PT", "TOP_IN", "WIDTH_IN", "Column", "Plate", "columns", "crossing"]

FloatArray = NDArray[np.float64]
Column = Literal["left", "right"]
WIDTH_IN, HEIGHT_IN = 13.0, 7.8
BOTTOM_IN, TOP_IN = 1.12, 6.62  # of the drawing
TITLE_PT, BELOW_PT, LABEL_PT, NOTE_PT = 21.0, 12.5, 12.5, 11.0
_LINE_IN = LABEL_PT * 1.2 / 72.0
_GAP_IN = 0.13  # between labels
_KNEE_IN = 0.14
_SHORT_IN = 0.1  # what a leader stops short of a mark
_RULE = "_" * 10
_TO_WRITE_IN = 0.09  # more between the lines of a form


@dataclass(slots=True, kw_only=True)
class _Callout:
    """A label in a column with its leader; inches on the page."""

    spot_in: FloatArray
    text: str
    column: str
    x_in: float
    order_in: float
    dot: bool
    told: str
    given: bool
    after: str
    y_in: float = 0.0

    @property
    def height_in(self) -> float:
        lines = 1 + self.text.count("\n") + (1 + self.after.count("\n") if self.after else 0)
        return _LINE_IN * lines + _GAP_IN


class Plate(ChartPage):
    """A teaching figure under construction.

    Parameters
    ----------
    head : TeachingHead
    style : Style
    blank : bool
        A form: what is to be learnt is left out and numbered.
    """

    def __init__(self, head: TeachingHead, style: Style, *, blank: bool) -> None:
        super().__init__(head.plan, style, (WIDTH_IN, HEIGHT_IN))
        self.head, self.blank = head, blank
        self._callouts: list[_Callout] = []
        self.answers: list[Answer] = []
        self.leaders_in: list[FloatArray] = []
        self._seen: list[str] = []

    # --- words ---

    def title(self, point: str, question: str, below: str = "") -> None:
        """The point of the figure on top; on a form the question in its place."""
        self.write(0.45, HEIGHT_IN - 0.42, question if self.blank else point, size=TITLE_PT,
                   weight="bold", gid="title")  # fmt: skip
        self.write(0.45, HEIGHT_IN - 0.8, below, size=BELOW_PT, colour=self.palette.quiet,
                   gid="below-title")  # fmt: skip

    def view(
        self, rect_in: tuple[float, float, float, float], seen_from: str, *, title: str = "",
        picture: bool = False,
    ) -> Axes:  # fmt: skip
        """A panel that says from where it is seen, with no frame and no plates under texts."""
        self._seen.append(f"{title} Seen from {seen_from}.".strip())
        axes = self.panel(rect_in, seen_from=seen_from, title=title, picture=picture, strip=False,
                          plates=picture)  # fmt: skip
        if not picture:  # what reaches over its edge is no less seen for a panel beside it
            axes.set_facecolor("none")
        return axes

    def hidden(self, text: str, *, told: str = "", rule: str = _RULE) -> str:
        """A text that is to be learnt: itself, or its number and a line to write on.

        Parameters
        ----------
        text : str
        told : str
            What the answers say where the text alone would not; what is told twice is asked once.
        rule : str
            The line to write on.
        """
        answer = told or " ".join(text.split())
        known = next((a for a in self.answers if a.text == answer), None)
        if known is None:
            known = Answer(number=len(self.answers) + 1, text=answer)
            self.answers.append(known)
        return f"{known.number} {rule}" if self.blank else text

    def said(
        self, axes: Axes, at: ArrayLike, text: str, *, ha: str = "center", va: str = "center",
        off: tuple[float, float] = (0.0, 0.0), size: float = NOTE_PT, given: bool = False,
        weight: str = "normal", plate: bool = True, told: str = "", rule: str = _RULE,
    ) -> None:  # fmt: skip
        """A text at a place of a panel; ``given`` ones stay on a form."""
        from matplotlib.colors import to_rgba

        x, y = np.asarray(at, dtype=float)[:2]
        words = text if given else self.hidden(text, told=told, rule=rule)
        paper = to_rgba(self.colour(axes, "paper"), 0.9 if plate else 0.0)
        axes.annotate(
            words, xy=(x, y), xytext=(self.pt(off[0]), self.pt(off[1])),
            textcoords="offset points", ha=ha, va=va, fontsize=self.pt(size), fontfamily=FAMILY,
            color=self.colour(axes, "ink"), zorder=10, fontweight=weight, annotation_clip=False,
            linespacing=1.15,
            bbox={"boxstyle": "square,pad=0.12", "fc": paper, "ec": "none"},
        )  # fmt: skip

    def callout(
        self, axes: Axes, at: ArrayLike, text: str, *, column: Column, x_in: float,
        order: float | None = None, dot: bool = True, told: str = "",
        given: bool = False, after: str = "",
    ) -> None:  # fmt: skip
        """A label in a column beside a panel, with a leader to a place of the panel.

        Parameters
        ----------
        at : (2,)
            Data coordinates of what is named.
        column : "left" or "right"
            Left of its panel labels end at ``x_in``, right of it they start there.
        order : float, optional
            Height that it asks for, inches; that of its place without it.
        dot : bool
            Whether the leader ends in a dot; without it, it stops short of what is there.
        told : str
            See :meth:`hidden`.
        given : bool
            Whether it stays on a form.
        after : str
            A line under it that stays on a form.
        """
        spot = self._page_in(axes, at)
        self._callouts.append(_Callout(
            spot_in=spot, text=text, column=column, x_in=x_in,
            order_in=float(spot[1]) if order is None else order, dot=dot, told=told,
            given=given, after=after,
        ))  # fmt: skip

    def edge_words(self, axes: Axes, left: str, right: str) -> None:
        """What lies at both edges of a panel, in full words, along its lower edge."""
        for x, text, ha in ((0.0, left, "left"), (1.0, right, "right")):
            made = axes.annotate(
                text, xy=(x, 0.0), xycoords="axes fraction", ha=ha, va="bottom",
                fontsize=self.pt(NOTE_PT), fontweight="bold", fontfamily=FAMILY,
                color=self.colour(axes, "ink"), zorder=11, annotation_clip=False,
                bbox=self._plate(axes),
            )  # fmt: skip
            made.set_gid("edge")

    def bar_below(self, axes: Axes, length_mm: float, *, up_pt: float = 4.0) -> None:
        """A bar in centimetres in the middle of a panel's lower edge."""
        left, right = sorted(axes.get_xlim())
        low = axes.get_ylim()[0] + up_pt * self.mm_per_pt(axes)
        self.scale_bar(axes, (0.5 * (left + right) - 0.5 * length_mm, low), length_mm)

    def y_in(self, axes: Axes, at: ArrayLike) -> float:
        """Height of a place of a panel on the page, inches."""
        return float(self._page_in(axes, at)[1])

    def _page_in(self, axes: Axes, at: ArrayLike) -> FloatArray:
        shown = axes.transData.transform(np.asarray(at, dtype=float)[:2])
        return np.asarray(shown / (self.figure.dpi * self.style.size_ratio))

    # --- finishing ---

    def lay_callouts(self, *, low_in: float = BOTTOM_IN, high_in: float = TOP_IN) -> None:
        """Set all labels in their columns, apart from each other, and draw their leaders."""
        columns = sorted({(c.x_in, c.column) for c in self._callouts})
        for key in columns:
            items = [c for c in self._callouts if (c.x_in, c.column) == key]
            _settle(items, low_in, high_in, apart_in=_TO_WRITE_IN if self.blank else 0.0)
            for item in sorted(items, key=lambda c: -c.y_in):
                self._draw(item)

    def _draw(self, item: _Callout) -> None:
        from matplotlib import patheffects
        from matplotlib.lines import Line2D

        onto = 1.0 if item.column == "right" else -1.0
        words = item.text if item.given else self.hidden(item.text, told=item.told)
        words = f"{words}\n{item.after}" if item.after else words
        self.write(item.x_in, item.y_in, words, size=LABEL_PT,
                   ha="left" if onto > 0 else "right", gid="callout").set_linespacing(1.15)
        start = np.array([item.x_in - 0.07 * onto, item.y_in])
        knee = start - np.array([_KNEE_IN * onto, 0.0])
        way = item.spot_in - knee
        short = 0.0 if item.dot else min(_SHORT_IN / max(float(np.hypot(*way)), 1e-9), 0.9)
        line = np.array([start, knee, item.spot_in - short * way])
        self.leaders_in.append(line)
        w, h = self.size_in
        common: dict[str, Any] = {"transform": self.figure.transFigure, "zorder": 12}
        effects = [patheffects.withStroke(linewidth=self.pt(2.6), foreground=self.palette.paper)]
        self.figure.add_artist(Line2D(
            line[:, 0] / w, line[:, 1] / h, color=self.palette.ink, lw=self.pt(0.9),
            path_effects=effects, gid="leader", **common))  # fmt: skip
        if item.dot:
            self.figure.add_artist(Line2D(
                [line[-1, 0] / w], [line[-1, 1] / h], marker="o", ms=self.pt(4.4), ls="none",
                mfc=self.palette.ink, mec=self.palette.paper, mew=self.pt(0.9), gid="leader-end",
                **common))  # fmt: skip

    def finish(
        self, *, name: str, point: str, caption: str, alt: str, rows: tuple[str, ...]
    ) -> Lesson:
        """The practice strip, the foot, and what goes beside the figure."""
        codes = self.stop_codes([self.head.side])
        if codes:
            self.write(0.45, 1.0, f"STOP findings on this scan: {codes}", weight="bold",
                       gid="stop-findings")  # fmt: skip
        self.banner(0.45, 0.62, WIDTH_IN - 0.9)
        self.foot()
        return Lesson(
            name=name, title=point, caption=caption, alt=alt, head=self.head.words,
            seen_from=tuple(self._seen), sources=tuple(Source.of_row(key) for key in rows),
            answers=tuple(self.answers), figure=self.figure, caveat=self.plan.caveat,
            practice=self.plan.practice, blank=self.blank,
        )  # fmt: skip


def columns(right_first: bool) -> tuple[Column, Column]:
    """Both columns beside a panel, the right one first or last."""
    return ("right", "left") if right_first else ("left", "right")


def crossing(one: FloatArray, other: FloatArray) -> bool:
    """Whether two polylines, (k, 2), cross."""
    for a, b in pairwise(one):
        for c, d in pairwise(other):
            if _turn(a, b, c) * _turn(a, b, d) < 0 and _turn(c, d, a) * _turn(c, d, b) < 0:
                return True
    return False


def _turn(a: FloatArray, b: FloatArray, c: FloatArray) -> float:
    return float((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))


def _settle(
    items: list[_Callout], low_in: float, high_in: float, *, apart_in: float
) -> None:
    """Heights of one column's labels: near their places, apart, and with no leaders crossed."""
    queue = sorted(items, key=lambda c: -c.order_in)
    for _ in range(len(queue) ** 2 + 1):
        rooms = [c.height_in + apart_in for c in queue]
        at = spread_apart([-c.order_in for c in queue], rooms, (-high_in, -low_in))
        for item, y in zip(queue, at, strict=True):
            item.y_in = -y
        swap = next(
            (i for i in range(len(queue) - 1) if crossing(_line(queue[i]), _line(queue[i + 1]))),
            None,
        )
        if swap is None:
            return
        upper, lower = queue[swap], queue[swap + 1]
        upper.order_in, lower.order_in = lower.order_in, upper.order_in
        queue[swap], queue[swap + 1] = lower, upper


def _line(item: _Callout) -> FloatArray:
    onto = 1.0 if item.column == "right" else -1.0
    start = np.array([item.x_in - 0.07 * onto, item.y_in])
    return np.array([start, start - np.array([_KNEE_IN * onto, 0.0]), item.spot_in])
