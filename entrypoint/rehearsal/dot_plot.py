"""All marks on one head as dots round the true point, with their median and 95 % ellipse."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import fill
from typing import TYPE_CHECKING, Any

import numpy as np

from entrypoint.errors import FieldRefused
from entrypoint.figures.page import SMALL_PT, Page
from entrypoint.figures.section import bare
from entrypoint.figures.style import Style
from entrypoint.rehearsal.marks_file import Scored
from entrypoint.rehearsal.statistics import BiasAndScatter, bias_and_scatter
from entrypoint.rehearsal.words import TEACHES

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from entrypoint.planning.model import Side
    from entrypoint.rehearsal.heads import StageHead
    from entrypoint.rehearsal.ruler import Offset
    from entrypoint.rehearsal.scoring import Score

__all__ = ["dot_plot"]

SIZE_IN = (11.0, 8.7)
_ENTRIES_IN, _NASIONS_IN = (0.3, 0.95, 6.7, 6.65), (7.3, 4.5, 3.4, 3.1)
_WORDS_IN = (7.3, 4.3)
_RING_MM = 5.0
_LEAST_HALF_MM, _MOST_NAMES = 12.0, 14


def dot_plot(
    head: StageHead, scored: Sequence[Scored], side: Side, style: Style | None = None
) -> Figure:
    """Draw the marks of one side of one head.

    Parameters
    ----------
    head : StageHead
    scored : sequence of Scored
        Those without a score, and those of the other side, are left out.
    side : Side
        The patient's.
    style : Style, optional

    Returns
    -------
    matplotlib Figure

    Raises
    ------
    FieldRefused
        There is no mark on that side.
    """
    kept = [(one.person, one.score) for one in scored
            if one.score is not None and one.score.side is side]  # fmt: skip
    if not kept:
        raise FieldRefused(
            found=f"no scored mark on the patient's {side.value}",
            expected="at least one",
            next_step="score marks on that side",
        )
    page = Page(head.plan, style or Style(), SIZE_IN)
    below = f"{head.title} ({head.key}); {len(kept)} attempt{'s' if len(kept) > 1 else ''}"
    page.heading(side, "marks on one head", below)

    entries = [_xy(score.hand.entry) for _, score in kept]
    by_eye = [_xy(score.hand.by_eye) for _, score in kept if score.hand.by_eye is not None]
    axes = page.panel(
        _ENTRIES_IN, seen_from="the head end, nose at the top", title="Entries, along the scalp.",
        plates=False,
    )  # fmt: skip
    found = _panel(page, axes, entries, by_eye)
    page.edges(axes, "PATIENT'S LEFT", "PATIENT'S RIGHT")
    page.ends(axes, "FRONT", "BACK")
    if len(kept) <= _MOST_NAMES:
        for (name, _), at in zip(kept, entries, strict=True):
            page.label(axes, at, name, name, leader=False, reach=(9.0, 13.0, 20.0), size=SMALL_PT)
    half = abs(axes.get_xlim()[0])
    page.scale_bar(axes, (-0.86 * half, -0.9 * abs(axes.get_ylim()[0])), 10.0)

    nasions = [_xy(score.hand.nasion) for _, score in kept if score.hand.nasion is not None]
    spread_nasion = None
    if nasions:
        # Whoever looks into a face has its right on the left, and what is in front lies below.
        face = page.panel(_NASIONS_IN, seen_from="in front", title="Nasion.", plates=False)
        spread_nasion = _panel(page, face, [(-x, y) for x, y in nasions], [])
        page.edges(face, "RIGHT", "LEFT")
        page.ends(face, "UP", "DOWN")
    _words(page, found, spread_nasion, kept, bool(by_eye))
    page.foot()
    return page.figure


def _xy(offset: Offset) -> tuple[float, float]:
    return offset.left_right_mm, offset.front_back_mm


def _panel(
    page: Page,
    axes: Axes,
    marks: list[tuple[float, float]],
    others: list[tuple[float, float]],
) -> BiasAndScatter:
    """Rings round the true point, dots, median and ellipse."""
    found = bias_and_scatter(marks)
    ellipse = found.ellipse_mm()
    every = np.array([*marks, *others])
    if ellipse is not None:
        every = np.concatenate([every, ellipse])
    half = max(_LEAST_HALF_MM, 1.12 * float(np.abs(every).max()) + 1.0)
    extent = page.extent(axes, (0.0, 0.0), 2.0 * half)
    if extent[1] < half:
        extent = page.extent(axes, (0.0, 0.0), 2.0 * half * half / extent[1])
    bare(axes, extent)
    for spine in axes.spines.values():
        spine.set_visible(True)
        spine.set_color(page.colour(axes, "quiet"))
    turn = np.linspace(0.0, 2.0 * np.pi, 181)
    ring = _RING_MM * max(1, round(half / 25.0))
    for radius in np.arange(ring, 1.5 * half, ring):
        page.stroke(
            axes, radius * np.column_stack([np.cos(turn), np.sin(turn)]), width=0.8,
            colour="quiet", dash=(0, (1, 2)), keep=False, zorder=3.0, gid="ring",
        )  # fmt: skip
        if radius < half:
            axes.annotate(
                f"{radius:.0f} mm", (0.0, -radius), fontsize=page.pt(SMALL_PT), ha="center",
                va="center", color=page.colour(axes, "quiet"), zorder=3.5,
                bbox={"fc": page.palette.paper, "ec": "none", "pad": 0.6},
            )  # fmt: skip
    for line in ([(-half, 0.0), (half, 0.0)], [(0.0, -half), (0.0, half)]):
        page.stroke(axes, line, width=0.8, colour="quiet", keep=False, zorder=3.0)
    if ellipse is not None:
        page.line(axes, ellipse, "area", gid="ellipse")

    def dots(points: Any, shape: str, full: bool, gid: str, size: float) -> None:
        at = np.array(points, dtype=float).reshape(-1, 2)
        ink = page.colour(axes, "path")
        axes.plot(
            at[:, 0], at[:, 1], shape, ms=page.pt(size), ls="none", zorder=8.0, gid=gid,
            mfc=ink if full else page.colour(axes, "paper"), mec=ink,
            mew=page.pt(1.2), clip_on=False,
        )  # fmt: skip
        for spot in at:
            page.keep_off(axes, spot[None], pad=0.5 * size + 1.0)

    if others:
        dots(others, "s", False, "by-eye", 6.0)
    dots(marks, "o", True, "entry", 7.5)
    axes.plot(
        [found.median_mm[0]], [found.median_mm[1]], "X", ms=page.pt(11.0), ls="none", zorder=9.0,
        mfc=page.colour(axes, "suture"), mec=page.colour(axes, "paper"), mew=page.pt(1.2),
        gid="median",
    )  # fmt: skip
    axes.plot(
        [0.0], [0.0], "+", ms=page.pt(15.0), mew=page.pt(2.2), ls="none", zorder=9.5,
        color=page.colour(axes, "ink"), gid="true",
    )  # fmt: skip
    page.keep_off(axes, np.zeros((1, 2)), pad=9.0)
    return found


def _words(
    page: Page,
    found: BiasAndScatter,
    nasion: BiasAndScatter | None,
    kept: list[tuple[str, Score]],
    by_eye: bool,
) -> None:
    lines = ["+  true point (from the plan on this head)", "●  entry marked with the tape"]
    if by_eye:
        lines.append("□  entry marked by eye")
    lines.append("✖  median of the marks")
    if found.major_mm is not None:
        lines.append("- -  95 % ellipse: 95 of 100 further marks")
    lines.append("")
    for name, spread in (("Entries", found), ("Nasion", nasion)):
        if spread is None:
            continue
        lines.append(f"{name}: bias {spread.bias_mm:.1f} mm, half of them within")
        lines.append(f"{spread.circular_error_about_true_mm:.1f} mm of the true point")
        if spread.circular_error_mm is not None:
            lines.append(f"and {spread.circular_error_mm:.1f} mm of their own mean")
        else:
            lines.append("(an ellipse needs three marks)")
    failed = sum(1 for _, score in kept if score.judgement.failed)
    lines += ["", "Judgement, never summed with the millimetres:"]
    lines.append(f"{failed} of {len(kept)} fail")
    x, y = _WORDS_IN
    page.write(x, y, "\n".join(lines), va="top", size=10.0)
    page.write(x, 0.95, fill(TEACHES, 50), size=SMALL_PT, va="bottom", colour=page.palette.quiet)
