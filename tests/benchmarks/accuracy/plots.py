"""Plots of an accuracy run: errors and coverage against slices, pose, size and condition."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
import numpy as np

_Z = 1.96
_FIGURES = (
    ("entry_mm", None, "entry, mm"),
    ("skull_mm", "skull_sd_mm", "skull thickness, mm"),
    ("scalp_mm", "scalp_sd_mm", "scalp thickness, mm"),
    ("midline_mm", "midline_sd_mm", "midline clearance, mm"),
    ("suture_nearest_mm", "suture_sd_mm", "suture clearance, mm"),
)


def _planted(row: dict[str, Any]) -> str:
    return row["planted"][0] if row["planted"] else "none"


def _pose(row: dict[str, Any]) -> str:
    return f"{5 * int(row['pose_deg'] // 5)}+"


def _length(row: dict[str, Any]) -> str:
    return f"{10 * int(row['length_mm'] // 10)}+"


def _slices(row: dict[str, Any]) -> str:
    return f"{row['slice_mm']:g}"


STRATA: tuple[tuple[str, Callable[[dict[str, Any]], str]], ...] = (
    ("slice thickness, mm", _slices),
    ("largest turn of the head, degrees", _pose),
    ("head length, mm", _length),
    ("planted condition", _planted),
)


def plot(rows: Sequence[dict[str, Any]], path: Path, *, title: str) -> None:
    """Write one page of panels.

    Parameters
    ----------
    rows : sequence of rows of a run
    path : where to write the PNG
    title : str
    """
    planned = [r for r in rows if "refused" not in r]
    fig, axes = plt.subplots(len(_FIGURES), len(STRATA), figsize=(17, 14), squeeze=False,
                             gridspec_kw={"width_ratios": [1, 1, 1, 2.2]})
    for j, (stratum, key) in enumerate(STRATA):
        groups: dict[str, list[dict[str, Any]]] = {}
        for r in planned:
            groups.setdefault(key(r), []).extend(r["sides"].values())
        names = sorted(groups, key=lambda n: (0, float(n.rstrip("+"))) if n[0].isdigit()
                       else (1, n))
        for i, (name, sd, label) in enumerate(_FIGURES):
            ax = axes[i][j]
            for x, group in enumerate(names):
                seen = [s for s in groups[group] if s.get(name) is not None]
                if not seen:
                    continue
                error = np.abs([s[name] for s in seen])
                jitter = (np.arange(len(error)) % 7 - 3) * 0.06
                ax.plot(x + jitter, np.minimum(error, 4.0), ".", ms=3, color="#4a6d8c", alpha=0.6)
                ax.plot([x - 0.3, x + 0.3], [np.median(error)] * 2, "-", lw=2, color="#b4531f")
                if sd:
                    inside = np.mean(error <= _Z * np.array([s[sd] for s in seen]))
                    ax.annotate(f"{100 * inside:.0f}", (x, 1.0), xycoords=("data", "axes fraction"),
                                ha="center", va="bottom", fontsize=7)
            ax.set_xticks(range(len(names)))
            ax.set_xticklabels(names, fontsize=7, rotation=90 if j == 3 else 0)
            if j == 0:
                ax.set_ylabel(label, fontsize=9)
            if i == len(_FIGURES) - 1:
                ax.set_xlabel(stratum, fontsize=9)
            ax.tick_params(axis="y", labelsize=7)
            ax.set_ylim(0, None)
    fig.suptitle(f"{title}: absolute errors a side (dots, cut at 4 mm), medians (bars); above "
                 "each group the percentage that its 95 % intervals hold", fontsize=11)
    fig.tight_layout(rect=(0, 0, 1, 0.98))
    fig.savefig(path, dpi=75)
    plt.close(fig)
