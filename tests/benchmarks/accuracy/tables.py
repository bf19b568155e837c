"""The table of an accuracy run."""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np

_Z = 1.96


def summary(rows: list[dict[str, Any]], *, first_seed: int) -> str:
    """Errors, coverage and findings of a run as text."""
    planned = [r for r in rows if "refused" not in r]
    sides = [s for r in planned for s in r["sides"].values()]
    lines = [f"{len(rows)} random heads, seeds {first_seed} to {first_seed + len(rows) - 1}; "
             f"{len(rows) - len(planned)} refused"]
    lines += [f"  refused: seed {r['seed']}: {r['refused'][:110]}" for r in rows if "refused" in r]
    widths = (5, 9, 8, 8, 9, 10)
    heads = ("n", "median", "95 %", "worst", "covered", "width/err")
    lines.append(" " * 24 + "".join(f"{h:>{w}}" for h, w in zip(heads, widths, strict=True)))
    for name, sd in (("plane_mm", "plane_sd_mm"), ("plane_deg", None), ("nasion_skin_mm", None),
                     ("nasion_bone_mm", None), ("bregma_mm", None), ("inion_bone_mm", None)):
        lines.append(_line(name, planned, sd if sd != "plane_sd_mm" else None))
    lines.append(_line("entry_mm", sides, None))
    for name, sd in (("along_mm", "along_sd_mm"), ("across_mm", "across_sd_mm"),
                     ("scalp_mm", "scalp_sd_mm"), ("skull_mm", "skull_sd_mm"),
                     ("midline_mm", "midline_sd_mm")):
        lines.append(_line(name, sides, sd))
    measured = [s for s in sides if s["suture_how"] == "measured"]
    estimated = [s for s in sides if s["suture_how"] != "measured"]
    for label, group in (("measured", measured), ("estimated", estimated)):
        lines.append(_line("suture_nearest_mm", group, "suture_sd_mm", f"suture {label}"))
    lines.append(_line("angle_deg", sides, None))
    lines.append("")
    for level in ("stop", "caution", "note"):
        heads: Counter[str] = Counter()
        for r in planned:
            seen = {c for c, lv in r["findings"] if lv == level}
            seen |= {c for s in r["sides"].values() for c, lv in s["findings"] if lv == level}
            heads.update(seen)
        said = ", ".join(f"{c} {n}" for c, n in heads.most_common()) or "none"
        lines.append(f"heads with a {level}: {said}")
    if planned:
        lines.append(f"CPU seconds a plan: median {np.median([r['plan_s'] for r in planned]):.2f}")
    return "\n".join(lines) + "\n"


def _line(name: str, rows: list[dict[str, Any]], sd: str | None, label: str | None = None) -> str:
    values = [(r[name], r[sd] if sd else None) for r in rows if r.get(name) is not None]
    head = f"  {label or name:22}{len(values):>5}"
    if not values:
        return head
    error = np.abs([v for v, _ in values])
    text = (f"{head}{np.median(error):>9.2f}{np.percentile(error, 95):>8.2f}{error.max():>8.2f}")
    if sd:
        half = _Z * np.array([s for _, s in values], dtype=float)
        text += (f"{100 * float((error <= half).mean()):>8.0f}%"
                 f"{float(np.median(half) / max(np.median(error), 1e-9)):>10.1f}")
    return text
