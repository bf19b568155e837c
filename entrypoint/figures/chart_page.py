"""A page with charts: bare axes with ticks, and numbers on lines."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from entrypoint.figures.page import FAMILY, SMALL_PT, TEXT_PT, Page
from entrypoint.figures.places import Places, outside

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["ChartPage"]

FloatArray = NDArray[np.float64]
_MOST_COVERED = 0.6  # of a text's own area; more, and it is left out


class ChartPage(Page):
    """A page that also holds charts."""

    def chart(self, rect_in: tuple[float, float, float, float]) -> Axes:
        """Bare axes at inches from the page's lower left corner, with no strip of their own."""
        left, bottom, width, height = rect_in
        w, h = self.size_in
        axes = self.figure.add_axes((left / w, bottom / h, width / w, height / h))
        axes.set_facecolor("none")
        self._on[axes] = self.palette
        self._places[axes] = Places()
        return axes

    def ticks(self, axes: Axes) -> None:
        """Ticks and frame of a chart in this page's ink and letters."""
        axes.tick_params(colors=self.palette.ink, labelsize=self.pt(TEXT_PT),
                         width=self.pt(0.9), length=self.pt(4.0),
                         labelfontfamily=FAMILY)  # fmt: skip
        for spine in axes.spines.values():
            spine.set_color(self.palette.quiet)
            spine.set_linewidth(self.pt(0.9))

    def axis_name(self, axes: Axes, text: str, *, left: float = 0.5) -> None:
        """The name of the axis under a chart."""
        axes.annotate(
            text, xy=(left, 0.0), xycoords="axes fraction", xytext=(0.0, self.pt(-22.0)),
            textcoords="offset points", ha="center" if left else "left", va="top",
            fontsize=self.pt(TEXT_PT), fontfamily=FAMILY, color=self.palette.ink,
            annotation_clip=False,
        )  # fmt: skip

    def number_at(self, axes: Axes, at: ArrayLike, text: str) -> None:
        """A number beside a tick."""
        x, y = np.asarray(at, dtype=float)[:2]
        made = axes.text(
            x, y, text, fontsize=self.pt(SMALL_PT), fontfamily=FAMILY, ha="center", va="center",
            color=self.colour(axes, "ink"), zorder=8, gid="tick-number",
        )  # fmt: skip
        self._places[axes].take(self._box(made))

    def number_on(
        self, axes: Axes, line: FloatArray, text: str, *, size: float, most: int = 60
    ) -> None:
        """A text on one of a row of places: the first where it covers least; none if too much."""
        made = axes.text(
            0.0, 0.0, text, fontsize=self.pt(size), fontfamily=FAMILY, ha="center", va="center",
            color=self.colour(axes, "ink"), zorder=5, bbox=self._plate(axes), gid="line-number",
        )  # fmt: skip
        best = (np.inf, line[0])
        frame = axes.get_window_extent(self._renderer)
        for spot in line[:: max(1, len(line) // most)]:
            made.set_position((spot[0], spot[1]))
            box = self._box(made)
            cost = self._places[axes].covered(box) + 4.0 * outside(box, frame)
            if cost < best[0]:
                best = (cost, spot)
        made.set_position((best[1][0], best[1][1]))
        box = self._box(made)
        if best[0] > _MOST_COVERED * (box[2] - box[0]) * (box[3] - box[1]):
            made.remove()
            return
        self._places[axes].take(box)
