"""Plots of an accuracy run: errors and coverage against slices, pose, size and condition."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
import numpy as np
from matplotlib.colors import BoundaryNorm, ListedColormap
from matplotlib.lines import Line2D
from PIL import Image

from tests.benchmarks.accuracy.limits import (
    ENTRY,
    PLANE,
    SCALP,
    SIX,
    SKULL,
    STRATUM_HEADS,
    SUTURE,
    Component,
    Row,
    planned,
    sides_of,
)
from tests.benchmarks.accuracy.strata import (
    CONDITION,
    POSE,
    SIZE,
    SLICES,
    Stratum,
    coverage,
    groups,
)

_INK, _GREY = "#222222", "#5f5f5f"
_DOTS, _MEDIAN, _HIGH, _TARGET = "#9db8cf", "#00517d", "#d55e00", "#8a8a8a"
# Blue to orange, apart also for readers who do not tell red from green.
_CELLS = ListedColormap(["#d9730d", "#f4c38b", "#f7f7f2", "#bcd7ea"])
_EDGES = BoundaryNorm([0.0, 0.85, 0.90, 0.9901, 1.01], 4)
_ROWS = (replace(ENTRY, name="entry"), SCALP, SKULL, SIX[4], SUTURE, PLANE)
_FLOOR_MM, _CEILING_MM = 0.01, 30.0


def plot(rows: Sequence[Row], path: Path, *, title: str) -> None:
    """Write one page of panels.

    Parameters
    ----------
    rows : sequence of rows of a run
    path : where to write the PNG
    title : str
    """
    plt.rcParams.update({"font.size": 10, "axes.edgecolor": _GREY, "text.color": _INK})
    upper = (SLICES, POSE, SIZE)
    parts = {s.name: groups(rows, s) for s in (*upper, CONDITION)}
    fig = plt.figure(figsize=(17, 22), facecolor="white")
    half = fig.add_gridspec(2, 1, left=0.085, right=0.99, top=0.9, bottom=0.07,
                            hspace=0.14)
    heights = [1] * len(_ROWS) + [1.5]
    wide = half[0].subgridspec(len(heights), len(upper), wspace=0.05, hspace=0.1,
                               height_ratios=heights,
                               width_ratios=[len(parts[s.name]) + 1 for s in upper])
    for j, stratum in enumerate(upper):
        _column(fig, wide, j, stratum, parts[stratum.name])
    low = half[1].subgridspec(len(heights), 1, hspace=0.1, height_ratios=heights)
    _column(fig, low, 0, CONDITION, parts[CONDITION.name])
    _legend(fig, rows, title)
    buffer = io.BytesIO()
    fig.savefig(buffer, dpi=90, facecolor="white")
    plt.close(fig)
    with Image.open(buffer) as image:  # few colours: a palette packs them well
        image.convert("RGB").quantize(128).save(path, optimize=True)


def _column(fig: Any, spec: Any, j: int, stratum: Stratum, parts: dict[str, list[Row]]) -> None:
    names = list(parts)
    for i, c in enumerate(_ROWS):
        ax = fig.add_subplot(spec[i, j])
        for x, name in enumerate(names):
            _errors(ax, x, c, parts[name])
        for y, style in ((c.median_mm, ":"), (c.limit_mm, "--")):
            if y is not None:
                ax.axhline(y, color=_TARGET, lw=1.1, ls=style, zorder=0)
        _frame(ax, len(names), first=j == 0)
        ax.set_yscale("log")
        ax.set_ylim(_FLOOR_MM, _CEILING_MM)
        ax.set_yticks([0.1, 1.0, 10.0])
        ax.set_yticklabels(["0.1", "1", "10"])
        ax.minorticks_off()
        ax.grid(axis="y", color="#e8e8e8", lw=0.8)
        ax.set_axisbelow(True)
        if j == 0:
            ax.set_ylabel(f"{c.name}\nerror, mm", fontsize=10)
        ax.set_xticklabels([])
        if i == 0:
            ax.set_title(stratum.name, fontsize=12, fontweight="bold", pad=20, color=_INK)
            for x, name in enumerate(names):
                ax.annotate(f"{len(parts[name])}", (x, 1.0), xycoords=("data", "axes fraction"),
                            xytext=(0, 3), textcoords="offset points", ha="center", fontsize=9,
                            color=_GREY)
            if j == 0:
                ax.annotate("heads", (0.0, 1.0), xycoords="axes fraction", xytext=(-6, 3),
                            textcoords="offset points", ha="right", fontsize=9, color=_GREY)
    _cells(fig.add_subplot(spec[len(_ROWS), j]), parts, first=j == 0, slanted=stratum is CONDITION)


def _errors(ax: Any, x: int, c: Component, heads: Sequence[Row]) -> None:
    ones = planned(heads) if c is PLANE else sides_of(heads)
    found = [(c.error_of(s), c is SUTURE and s["suture_how"] != "measured") for s in ones]
    seen = [(e, guess) for e, guess in found if e is not None]
    if not seen:
        return
    error = np.clip([e for e, _ in seen], 1.15 * _FLOOR_MM, 0.9 * _CEILING_MM)
    guess = np.array([g for _, g in seen])
    at = x + ((np.arange(len(error)) * 0.618) % 1.0 - 0.5) * 0.56
    ax.plot(at[~guess], error[~guess], ".", ms=3.5, color=_DOTS, zorder=1)
    ax.plot(at[guess], error[guess], "x", ms=3.5, mew=0.8, color=_DOTS, zorder=1)
    for y, colour in ((np.median(error), _MEDIAN), (np.percentile(error, 95), _HIGH)):
        ax.plot([x - 0.34, x + 0.34], [y, y], "-", lw=2.4, color=colour, zorder=3,
                solid_capstyle="butt")


def _frame(ax: Any, n: int, *, first: bool) -> None:
    ax.set_xlim(-0.6, n - 0.4)
    ax.set_xticks(range(n))
    ax.tick_params(axis="x", length=0, labelsize=10)
    ax.tick_params(axis="y", labelsize=9, labelleft=first, length=3 if first else 0)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)


def _cells(ax: Any, parts: dict[str, list[Row]], *, first: bool, slanted: bool) -> None:
    """Coverage as numbers in cells; groups under 50 heads are not judged and not bold."""
    table = np.array([[np.nan if s is None else s for s in coverage(h)] for h in parts.values()],
                     dtype=float).reshape(len(parts), len(SIX)).T
    ax.imshow(np.ma.masked_invalid(table), cmap=_CELLS, norm=_EDGES, aspect="auto")
    for x, heads in enumerate(parts.values()):
        weight = "normal" if len(heads) < STRATUM_HEADS else "bold"
        for y in range(len(SIX)):
            text = "-" if np.isnan(table[y, x]) else f"{100 * table[y, x]:.0f}"
            ax.text(x, y, text, ha="center", va="center", fontsize=9,
                    fontweight=weight, color="black")
    _frame(ax, len(parts), first=first)
    ax.set_yticks(range(len(SIX)))
    ax.set_yticklabels([c.name for c in SIX])
    ax.set_ylim(len(SIX) - 0.5, -0.5)
    ax.set_xticklabels(list(parts), rotation=55 if slanted else 0,
                       ha="right" if slanted else "center",
                       rotation_mode="anchor" if slanted else None)
    if first:
        ax.set_ylabel("covered, %", fontsize=10)
    for edge in np.arange(-0.5, len(parts)):
        ax.axvline(edge, color="white", lw=1.5)
    for edge in np.arange(-0.5, len(SIX)):
        ax.axhline(edge, color="white", lw=1.5)


def _legend(fig: Any, rows: Sequence[Row], title: str) -> None:
    refused = len(rows) - len(planned(rows))
    fig.text(0.012, 0.99, f"{title}; {refused} refused", fontsize=16, fontweight="bold", va="top")
    fig.text(0.012, 0.973, "Absolute errors of each side (plane: of each head; under "
             f"{_FLOOR_MM:g} or over {_CEILING_MM:g} mm drawn there), and the share of the plan's "
             "own 95 % intervals that hold the truth (bold: 50 heads or more; these are judged).\n"
             "Limits are of slices to 1.25 mm. A head with two planted conditions stands in both.",
             fontsize=11, va="top", color=_GREY)
    marks = [
        Line2D([], [], ls="", marker=".", ms=8, color=_DOTS, label="one side"),
        Line2D([], [], ls="", marker="x", ms=6, color=_DOTS, label="suture not seen, estimated"),
        Line2D([], [], lw=3, color=_MEDIAN, label="median"),
        Line2D([], [], lw=3, color=_HIGH, label="95 in 100 within"),
        Line2D([], [], lw=1.3, ls=":", color=_TARGET, label="limit of the median"),
        Line2D([], [], lw=1.3, ls="--", color=_TARGET, label="limit of 95 in 100"),
        *(Line2D([], [], ls="", marker="s", ms=10, mec=_GREY, mew=0.6, color=_CELLS(i), label=t)
          for i, t in enumerate(("under 85 %", "85 to 90", "90 to 99", "over 99"))),
    ]
    fig.legend(handles=marks, loc="upper left", bbox_to_anchor=(0.004, 0.956), ncol=len(marks) // 2,
               frameon=False, fontsize=10, handletextpad=0.4, columnspacing=1.3)
