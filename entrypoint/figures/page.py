"""One picture's page: panels in inches, what every picture must say, and labels that make way.

A text never has an outline: outlines turn text into shapes in vector files. It stands on a plate
of the ground's colour instead, so that its contrast is known whatever lies under it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from textwrap import fill
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from entrypoint.figures.places import Box, Places, nearest_in, outside
from entrypoint.figures.style import (
    BANNER_INK,
    BANNER_PAPER,
    KINDS,
    MARKS,
    PICTURE,
    Labels,
    Palette,
    Style,
)
from entrypoint.planning.model import Level, Plan, Side
from entrypoint.report.wording import PRACTICE_BANNER, SIDE_WORDS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.text import Text

__all__ = ["Page", "strip_in"]

FloatArray = NDArray[np.float64]
Ha = Literal["left", "center", "right"]
Va = Literal["bottom", "center", "top"]
FAMILY = "DejaVu Sans"
TEXT_PT, SMALL_PT, TITLE_PT = 11.0, 9.0, 17.0
_PLATE_ALPHA = 0.82
_STRIP_IN = 0.27
# Where a label may go from its point: directions, each tried at growing distances.
_AROUND = tuple(
    (float(np.cos(a)), float(np.sin(a))) for a in np.radians(np.arange(0.0, 360.0, 22.5))
)


def strip_in(plan: Plan) -> float:
    """Height of the practice strip under a panel, inches; 0 where there is none."""
    return _STRIP_IN if plan.practice else 0.0


class Page:
    """A figure under construction.

    Parameters
    ----------
    plan : Plan
    style : Style
    size_in : (float, float)
        Width and height before the style's ratio.
    """

    def __init__(self, plan: Plan, style: Style, size_in: tuple[float, float]) -> None:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        self.plan, self.style = plan, style
        self.palette = style.palette
        self.size_in = size_in
        ratio = style.size_ratio
        width, height = size_in[0] * ratio, size_in[1] * ratio
        self.figure = Figure(figsize=(width, height), facecolor=self.palette.paper)
        self._renderer = FigureCanvasAgg(self.figure).get_renderer()
        self._places: dict[Any, Places] = {}
        self._on: dict[Any, Palette] = {}
        self._pictures: set[Any] = set()
        self._no_plates: set[Any] = set()

    # --- what every picture says ---

    def heading(self, side: Side | None, what: str, below: str) -> None:
        """Side and subject on top, and one line under it; what stops a plan stands there too."""
        sides = [side] if side is not None else [s for s in Side if s in self.plan.sides]
        who = " and ".join(SIDE_WORDS[s] for s in sides)
        full = self.style.labels is Labels.FULL
        self.write(0.2, self.size_in[1] - 0.3, f"{who}: {what}" if full else who,
                   size=TITLE_PT, weight="bold")  # fmt: skip
        if full and below:
            self.write(0.2, self.size_in[1] - 0.62, below, colour=self.palette.quiet)
        codes = self.stop_codes(sides)
        if codes:
            self.write(self.size_in[0] - 0.2, self.size_in[1] - 0.3, f"STOP findings: {codes}",
                       weight="bold", ha="right", gid="stop-findings")  # fmt: skip

    def stop_codes(self, sides: Iterable[Side]) -> str:
        """Codes of what stops the plan as a whole or on some sides; empty where nothing does."""
        stops = [f for f in self.plan.findings if f.level is Level.STOP]
        stops += [
            f for s in sides if s in self.plan.sides
            for f in self.plan.sides[s].findings if f.level is Level.STOP
        ]  # fmt: skip
        return ", ".join(dict.fromkeys(f.code for f in stops))

    def foot(self) -> None:
        """The planning-only statement and whose sides are meant, at the foot."""
        words = f"{self.plan.caveat} {self.plan.sides_note}"
        lines = int(np.ceil(len(words) / (14.2 * self.size_in[0])))
        self.write(
            self.size_in[0] / 2, 0.1, fill(words, len(words) // lines + 8),
            size=SMALL_PT, ha="center", va="bottom", gid="caveat",
        )  # fmt: skip

    def panel(
        self, rect_in: tuple[float, float, float, float], *, seen_from: str, picture: bool = False,
        title: str = "", strip: bool = True, plates: bool = True,
    ) -> Axes:  # fmt: skip
        """A panel with where it is seen from above it, and the practice strip.

        Parameters
        ----------
        rect_in : left, bottom, width, height
            Inches from the page's lower left corner.
        picture : bool
            A CT lies in it: marks are then light.
        strip : bool
            Whether the practice strip lies under this panel.
        plates : bool
            Whether its labels stand on plates.
        """
        left, bottom, width, height = rect_in
        below = self.strip_in if strip else 0.0
        w, h = self.size_in
        axes = self.figure.add_axes(
            (left / w, (bottom + below) / h, width / w, (height - below) / h)
        )
        axes.set_facecolor("#000000" if picture else self.palette.paper)
        self._on[axes] = PICTURE if picture else self.palette
        if picture:
            self._pictures.add(axes)
        if not plates:
            self._no_plates.add(axes)
        self._places[axes] = Places()
        words = f"{title} Seen from {seen_from}." if title else f"Seen from {seen_from}."
        if self.style.labels is not Labels.FULL:
            words = f"Seen from {seen_from}."
        self.write(left, bottom + height + 0.07, words, va="bottom")
        if strip:
            self.banner(left, bottom, width)
        return axes

    def banner(self, left_in: float, bottom_in: float, width_in: float) -> None:
        """The practice strip, where the head is no patient's."""
        if not self.plan.practice:
            return
        from matplotlib.patches import Rectangle

        w, h = self.size_in
        self.figure.add_artist(Rectangle(
            (left_in / w, bottom_in / h), width_in / w, _STRIP_IN / h, facecolor=BANNER_PAPER,
            edgecolor="none", transform=self.figure.transFigure, gid="practice-strip",
        ))  # fmt: skip
        self.write(left_in + width_in / 2, bottom_in + _STRIP_IN / 2, PRACTICE_BANNER,
                   size=min(12.0, 4.0 * width_in), weight="bold", ha="center", colour=BANNER_INK,
                   gid="practice")  # fmt: skip

    @property
    def strip_in(self) -> float:
        """Height of the practice strip under a panel, inches; 0 where there is none."""
        return strip_in(self.plan)

    def extent(self, axes: Axes, centre: ArrayLike, height: float) -> Box:
        """Left, right, bottom and top, in data units, that fill a panel with equal scales."""
        x, y = np.asarray(centre, dtype=float)[:2]
        box = axes.get_position()
        ratio = box.width * self.size_in[0] / (box.height * self.size_in[1])
        return (x - ratio * height / 2, x + ratio * height / 2, y - height / 2, y + height / 2)

    def ends(self, axes: Axes, top: str, bottom: str) -> None:
        """Write what lies at the upper and at the lower edge."""
        for y, text, va, up in ((1.0, top, "top", -4.0), (0.0, bottom, "bottom", 4.0)):
            self._at_edge(axes, text, (0.5, y), (0.0, up), 0.0, "center", va)

    def edges(self, axes: Axes, left: str, right: str) -> None:
        """Write on both edges what lies there, in full words; after the panel's limits are set."""
        for x, text, turn, ha, on in (
            (0.0, left, 90.0, "left", 4.0), (1.0, right, -90.0, "right", -4.0)
        ):  # fmt: skip
            self._at_edge(axes, text, (x, 0.5), (on, 0.0), turn, ha, "center")

    def _at_edge(
        self, axes: Axes, text: str, at: tuple[float, float], off: tuple[float, float],
        turn: float, ha: str, va: str,
    ) -> None:  # fmt: skip
        made = axes.annotate(
            text, xy=at, xycoords="axes fraction", xytext=(self.pt(off[0]), self.pt(off[1])),
            textcoords="offset points", rotation=turn, ha=ha, va=va, fontsize=self.pt(TEXT_PT),
            fontweight="bold", fontfamily=FAMILY, color=self._on[axes].ink, zorder=11,
            bbox=self._plate(axes), annotation_clip=False,
        )  # fmt: skip
        made.set_gid("edge")
        self._places[axes].take(self._box(made))

    # --- text and marks ---

    def pt(self, points: float) -> float:
        """Points at this page's size."""
        return points * self.style.size_ratio

    def write(
        self, x_in: float, y_in: float, text: str, *, size: float = TEXT_PT, colour: str = "",
        ha: str = "left", va: str = "center", weight: str = "normal", gid: str | None = None,
        turn: float = 0.0,
    ) -> Text:  # fmt: skip
        """Text on the page itself, at inches from its lower left corner."""
        return self.figure.text(
            x_in / self.size_in[0], y_in / self.size_in[1], text, fontsize=self.pt(size), ha=ha,
            va=va, color=colour or self.palette.ink, fontweight=weight, fontfamily=FAMILY, gid=gid,
            rotation=turn,
        )  # fmt: skip

    def colour(self, axes: Axes, name: str) -> str:
        """A colour of the palette that holds in a panel."""
        return str(getattr(self._on[axes], name))

    def line(
        self, axes: Axes, points: ArrayLike, kind: str, *, gid: str | None = None,
        keep: bool = True, zorder: float = 6.0,
    ) -> None:  # fmt: skip
        """A line of one kind; labels keep off it."""
        at = np.asarray(points, dtype=float)
        look = KINDS[kind]
        axes.plot(
            at[:, 0], at[:, 1], color=self.colour(axes, look.colour), lw=self.pt(look.width_pt),
            ls=look.dash, zorder=zorder, gid=gid or kind, dash_capstyle="butt",
            path_effects=self.halo(axes, look.width_pt),
        )  # fmt: skip
        if keep:
            self.keep_off(axes, at)

    def stroke(
        self, axes: Axes, points: ArrayLike, *, width: float, dash: Any = "-", colour: str = "ink",
        gid: str | None = None, keep: bool = True, zorder: float = 8.0,
    ) -> None:  # fmt: skip
        """A plain thin line."""
        at = np.asarray(points, dtype=float)
        axes.plot(at[:, 0], at[:, 1], color=self.colour(axes, colour), lw=self.pt(width), ls=dash,
                  zorder=zorder, gid=gid, path_effects=self.halo(axes, width),
                  solid_capstyle="butt")  # fmt: skip
        if keep:
            self.keep_off(axes, at)

    def dimension(self, axes: Axes, start: ArrayLike, end: ArrayLike, *, gid: str) -> None:
        """A measured line with an arrow at both ends."""
        a, b = np.asarray(start, dtype=float), np.asarray(end, dtype=float)
        made = axes.annotate(
            "", xy=(b[0], b[1]), xytext=(a[0], a[1]), zorder=8,
            arrowprops={"arrowstyle": "<->", "color": self.colour(axes, "ink"),
                        "lw": self.pt(1.3), "shrinkA": 0.0, "shrinkB": 0.0,
                        "mutation_scale": self.pt(10.0), "path_effects": self.halo(axes, 1.3)},
        )  # fmt: skip
        made.set_gid(gid)
        self.keep_off(axes, [a, b])

    def mm_per_pt(self, axes: Axes) -> float:
        """Data units of a panel with equal scales in one point of this page."""
        a, b = axes.transData.transform([(0.0, 0.0), (1.0, 0.0)])
        return float(self._px_per_pt / np.linalg.norm(b - a))

    def halo(self, axes: Axes, width: float) -> list[Any]:
        """Path effects that keep a light line legible on any grey of a picture."""
        from matplotlib import patheffects

        if axes not in self._pictures:
            return []
        return [patheffects.withStroke(linewidth=self.pt(width + 1.8), foreground="#000000")]

    def mark(self, axes: Axes, name: str, at: ArrayLike, *, size: float | None = None) -> None:
        """A point of one kind, ``size`` points wide where it is not its usual size."""
        x, y = np.asarray(at, dtype=float)[:2]
        look = MARKS[name]
        edge = "#000000" if axes in self._pictures else self.colour(axes, "paper")
        axes.plot(
            [x], [y], look.marker, ms=self.pt(size or look.size_pt), mec=edge,
            mfc=self.colour(axes, look.colour), mew=self.pt(1.1), zorder=9, ls="none",
            gid=f"mark-{name}", clip_on=False,
        )  # fmt: skip
        self.keep_off(axes, np.array([[x, y]]), pad=0.5 * look.size_pt + 1.5)

    def keep_off(self, axes: Axes, points: ArrayLike, *, pad: float = 2.5) -> None:
        """Labels of this panel keep off a line (data coordinates)."""
        shown = axes.transData.transform(np.asarray(points, dtype=float))
        shown = shown[np.isfinite(shown).all(axis=1)]
        unit = self._px_per_pt
        self._places[axes].take_line(shown, pad=pad * unit, step=6.0 * unit)

    def scale_bar(self, axes: Axes, at: ArrayLike, length_mm: float) -> None:
        """A bar in whole centimetres, its length written over it; data are millimetres."""
        x0, y0 = np.asarray(at, dtype=float)[:2]
        ink, other = self.colour(axes, "ink"), self.colour(axes, "paper")
        for i in range(round(length_mm / 10.0)):
            axes.plot(
                [x0 + 10 * i, x0 + 10 * (i + 1)], [y0, y0], color=ink if i % 2 == 0 else other,
                lw=self.pt(4.5), solid_capstyle="butt", zorder=8, gid="scale-bar",
            )  # fmt: skip
        axes.plot([x0, x0 + length_mm], [y0, y0], color=ink, lw=self.pt(6.5),
                  solid_capstyle="butt", zorder=7.9)  # fmt: skip
        made = axes.annotate(
            f"{length_mm / 10:g} cm", xy=(x0 + length_mm / 2, y0), xytext=(0, self.pt(6.0)),
            textcoords="offset points", ha="center", va="bottom", fontsize=self.pt(TEXT_PT),
            fontfamily=FAMILY, color=ink, zorder=8, bbox=self._plate(axes),
        )  # fmt: skip
        self._places[axes].take(self._box(made))
        self.keep_off(axes, [[x0, y0], [x0 + length_mm, y0]], pad=4.0)

    def label(
        self, axes: Axes, at: ArrayLike, full: str, short: str = "", *,
        towards: Sequence[tuple[float, float]] | None = None,
        reach: Iterable[float] = (14.0, 26.0, 42.0, 62.0, 86.0), size: float = TEXT_PT,
        leader: bool = True,
    ) -> Text | None:  # fmt: skip
        """A label beside a point, where it covers least, with a thin line to what it names.

        Parameters
        ----------
        at : (2,)
            Data coordinates.
        full, short : str
            What is written with full and with short labels; nothing where it is empty.
        towards : directions on the page, optional
            Those to try, best first; all round without it.
        reach : distances in points
        """
        words = {Labels.FULL: full, Labels.SHORT: short, Labels.OFF: ""}[self.style.labels]
        if not words:
            return None
        spot = np.asarray(at, dtype=float)[:2]
        made = axes.annotate(
            words, xy=tuple(spot), xytext=(0.0, 0.0), textcoords="offset points",
            fontsize=self.pt(size), fontfamily=FAMILY, color=self.colour(axes, "ink"), zorder=10,
            bbox=self._plate(axes), linespacing=1.15,
            arrowprops=self._leader(axes) if leader else None,
        )  # fmt: skip
        frame, places = axes.get_window_extent(self._renderer), self._places[axes]
        tip = axes.transData.transform(spot)
        best: tuple[float, tuple[float, float], Ha, Va] | None = None
        order = 0
        for far in reach:
            for dx, dy in towards or _AROUND:
                ha: Ha = "left" if dx > 0.35 else "right" if dx < -0.35 else "center"
                va: Va = "bottom" if dy > 0.35 else "top" if dy < -0.35 else "center"
                offset = (self.pt(far * dx), self.pt(far * dy))
                made.set_position(offset)
                made.set_horizontalalignment(ha)
                made.set_verticalalignment(va)
                box = self._box(made)
                cost = places.covered(box) + 4.0 * outside(box, frame) + 12.0 * order
                if leader:
                    cost += places.crossed(box, tip, self._px_per_pt)
                order += 1
                if best is None or cost < best[0]:
                    best = (cost, offset, ha, va)
        assert best is not None
        made.set_position(best[1])
        made.set_horizontalalignment(best[2])
        made.set_verticalalignment(best[3])
        self._places[axes].take(self._box(made))
        start = np.array(nearest_in(self._box(made), tip))
        if leader:
            inverse = axes.transData.inverted()
            self.keep_off(axes, inverse.transform([start, tip]), pad=1.0)
        return made

    def _leader(self, axes: Axes) -> dict[str, Any]:
        return {
            "arrowstyle": "-", "color": self.colour(axes, "ink"), "lw": self.pt(0.9),
            "shrinkA": 0.0, "shrinkB": self.pt(5.0), "path_effects": self.halo(axes, 0.9),
        }  # fmt: skip

    def _plate(self, axes: Axes) -> dict[str, Any]:
        paper = "#000000" if axes in self._pictures else self.palette.paper
        alpha = 0.0 if axes in self._no_plates else _PLATE_ALPHA
        return {"boxstyle": "square,pad=0.15", "fc": paper, "ec": "none", "alpha": alpha}

    @property
    def _px_per_pt(self) -> float:
        return float(self.figure.dpi) / 72.0 * self.style.size_ratio

    def _box(self, made: Text) -> Box:
        """Where a text lies, without its leader."""
        from matplotlib.text import Annotation
        from matplotlib.text import Text as Plain

        if isinstance(made, Annotation):
            made.update_positions(self._renderer)
        box = Plain.get_window_extent(made, self._renderer)
        pad = 2.0 * self._px_per_pt
        return (box.x0 - pad, box.y0 - pad, box.x1 + pad, box.y1 + pad)
