"""The table of an accuracy run: every line with its target and whether it holds."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np

from tests.benchmarks.accuracy.judged import (
    clean_lines,
    described,
    silent_lines,
    withheld_lines,
    worst_lines,
)
from tests.benchmarks.accuracy.limits import (
    COVERED,
    ENTRY,
    FAIL,
    FEW,
    LANDMARKS,
    PASS,
    PLANE,
    PLANE_DEG,
    PLANE_WORST,
    SCALP,
    SIX,
    SKULL,
    SUTURE,
    WIDTH_OVER_ERROR,
    Component,
    Line,
    Row,
    Z,
    covered,
    percent,
    planned,
    sides_of,
    thin,
    verdict,
)
from tests.benchmarks.accuracy.strata import stratum_lines

_WIDE = 118
_ANGLE = Component(name="path, degrees", error="angle_deg", sd="", figures=("unit_inward",))


def summary(rows: Sequence[Row], *, first_seed: int) -> str:
    """Errors, coverage and findings of a run as text.

    Parameters
    ----------
    rows : sequence of rows of a run, with the truth's own figures in them
    first_seed : int

    Returns
    -------
    str
        Its first lines count the verdicts and repeat every line that fails.
    """
    sections = (
        ("errors and 95 % intervals, all heads (covered 90 to 99 %, width/err at most 4)",
         overall_lines(rows)),
        ("errors, slices to 1.25 mm (median, 95 %; heads: 95 in 100 with every figure within)",
         target_lines(rows)),
        ("intervals that hold the truth, % (at least 85 in strata of 50 heads; ! under 85)",
         stratum_lines(rows)),
        ("silent failures", silent_lines(rows)),
        ("withheld though measurable (slices to 2.5 mm, nasion and site in view, bone present)",
         withheld_lines(rows)),
        ("nothing planted", clean_lines(rows)),
        ("worst ten heads: error over its limit", worst_lines(rows)),
        ("findings, cost", [*_finding_lines(rows), *_cost_lines(rows)]),
    )
    body: list[str] = []
    counts: Counter[str] = Counter()
    failed: list[str] = []
    for title, lines in sections:
        body += ["", title]
        for line in lines:
            body.append(f"{line.text:{_WIDE}} {line.verdict}".rstrip())
            counts[line.verdict] += 1
            if line.verdict == FAIL:
                failed.append(f"  [{title.split(',')[0].split(' (')[0]}] {line.text.strip()}")
    out = planned(rows)
    head = [
        f"{len(rows)} random heads, seeds {first_seed} to {first_seed + len(rows) - 1}; "
        f"{len(rows) - len(out)} refused",
        *(f"  refused: {described(r)}: {r['refused'][:110]}" for r in rows if "refused" in r),
        f"{counts[PASS]} lines hold, {counts[FAIL]} do not, {counts[FEW]} strata of too few heads",
        *failed,
    ]
    return "\n".join([*head, *body]) + "\n"


def _header(*names: str) -> Line:
    widths = (6, 9, 8, 8, 9, 10)
    text = "".join(f"{h:>{w}}" for h, w in zip(names, widths, strict=False))
    return Line(text=f"  {'':22}{text}")


def _errors(c: Component, ones: Sequence[Row]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.array([e for e in map(c.error_of, ones) if e is not None], dtype=float)


def _line(c: Component, ones: Sequence[Row], *, label: str = "", judged: bool = False) -> Line:
    """Errors of a component and, where it has a spread, coverage and width."""
    error = _errors(c, ones)
    head = f"  {label or c.name:22}{len(error):>6}"
    if not len(error):
        return Line(text=head)
    text = f"{head}{np.median(error):>9.2f}{np.percentile(error, 95):>8.2f}{error.max():>8.2f}"
    if not c.sd:
        return Line(text=text)
    held = covered(c, ones)
    share = sum(held) / len(held)
    half = Z * np.array([c.sd_of(s) or 0.0 for s in ones if c.error_of(s) is not None])
    ratio = float(np.median(half) / max(float(np.median(error)), 1e-9))
    text += f"{100 * share:>8.1f}%{ratio:>10.1f}"
    if not judged:
        return Line(text=text)
    why = [w for w, bad in (("covered", not COVERED[0] <= share <= COVERED[1]),
                            ("width/err", ratio > WIDTH_OVER_ERROR)) if bad]
    text += f"   {', '.join(why)}" if why else ""
    return Line(text=text, verdict=verdict(not why))


def overall_lines(rows: Sequence[Row]) -> list[Line]:
    """Every head that was answered: errors, coverage, width of the intervals."""
    heads, sides = planned(rows), sides_of(rows)
    lines = [_header("n", "median", "95 %", "worst", "covered", "width/err")]
    lines += [_line(c, heads) for c in (PLANE, PLANE_DEG, *LANDMARKS)]
    lines.append(_line(ENTRY, sides))
    lines += [_line(c, sides, judged=True) for c in SIX]
    for how in ("measured", "estimated"):
        ones = [s for s in sides if (s["suture_how"] == "measured") == (how == "measured")]
        lines.append(_line(SUTURE, ones, label=f"  suture {how}"))
    lines.append(_line(_ANGLE, sides))
    return lines


def target_lines(rows: Sequence[Row]) -> list[Line]:
    """Errors against their limits; a head holds where each of its figures does."""
    heads = planned(thin(rows))
    lines = [Line(text=f"  {'':22}{'n':>6}{'median':>9}{'95 %':>8}{'worst':>8}{'heads':>9}"
                       "   targets")]
    for c in (ENTRY, SKULL, SCALP, SUTURE):
        parts = [[s for s in r["sides"].values() if c.limit_of(s) is not None] for r in heads]
        label = "suture measured" if c is SUTURE else c.name
        lines.append(_against(c, parts, label))
    lines += [_against(c, [[r] for r in heads], c.name, PLANE_WORST) for c in (PLANE, PLANE_DEG)]
    return lines


def _against(c: Component, parts: Sequence[Sequence[Row]], label: str,
             most: float | None = None) -> Line:
    per_head = [e for e in (_errors(c, part) for part in parts) if len(e)]
    if not per_head or c.limit_mm is None:
        return Line(text=f"  {label:22}{0:>6}")
    error = np.concatenate(per_head)
    within = sum(bool(e.max() <= c.limit_mm) for e in per_head) / len(per_head)
    median, high = float(np.median(error)), float(np.percentile(error, 95))
    holds = high <= c.limit_mm and within >= 0.95
    targets = f"95 % {c.limit_mm:g}"
    if c.median_mm is not None:
        holds = holds and median <= c.median_mm
        targets = f"median {c.median_mm:g}, {targets}"
    if most is not None:
        holds = holds and float(error.max()) <= most
        targets += f", worst {most:g}"
    return Line(text=f"  {label:22}{len(error):>6}{median:>9.2f}{high:>8.2f}{error.max():>8.2f}"
                     f"{100 * within:>8.1f}%   {targets}", verdict=verdict(holds))


def _finding_lines(rows: Sequence[Row]) -> list[Line]:
    lines = []
    for level in ("stop", "caution", "note"):
        heads: Counter[str] = Counter()
        for r in planned(rows):
            every = [*r["said"], *(f for s in r["sides"].values() for f in s["said"]),
                     *(f for s in r["missing"].values() for f in s)]
            heads.update({f["code"] for f in every if f["level"] == level})
        said = ", ".join(f"{c} {n}" for c, n in heads.most_common()) or "none"
        lines.append(Line(text=f"  heads with a {level}: {said}"))
    return lines


def _cost_lines(rows: Sequence[Row]) -> list[Line]:
    if not rows:
        return []
    voxels = np.median([r["voxels"] for r in rows]) / 1e6
    fine = sum(r["slice_mm"] <= 0.5 for r in rows)
    both = sum(max(r["slice_mm"], r["voxel_mm"]) <= 0.5 for r in rows)
    plans = [r["plan_s"] for r in planned(rows)] or [float("nan")]
    total = (sum(plans) + sum(r["made_s"] for r in rows)) / 3600.0
    return [
        Line(text=f"  CPU seconds a plan: median {np.median(plans):.2f}, worst {max(plans):.2f}; "
                  f"CPU hours of the run {total:.2f}"),
        Line(text=f"  voxels: median {voxels:.1f} million; slices of 0.5 mm or finer in {fine} "
                  f"heads ({percent(fine, len(rows)):.0f} %), every edge so in {both}"),
    ]
