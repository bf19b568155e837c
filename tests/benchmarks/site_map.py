"""The site map on random heads: ``python -m tests.benchmarks.site_map --heads 8 --seed 4000000``.

Voxels of 1 mm. Thickness at random tape distances at least 8 mm from the suture, and the places
where margins begin to be broken, against the head's exact answers: once with the true landmarks
and the true suture given, once with nothing given.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path
from typing import Any

import numpy as np

from entrypoint.errors import EntrypointError
from entrypoint.phantoms import build, random_case
from entrypoint.phantoms.site_truth import SiteTruth
from entrypoint.planning.chart_lookup import look_up
from entrypoint.planning.chart_read import read_chart
from entrypoint.planning.ct_parts import ct_parts
from entrypoint.planning.map_margins import Spreads
from entrypoint.planning.model import Rule, Side
from entrypoint.planning.site_chart import SiteChart
from entrypoint.planning.site_map import side_map
from entrypoint.volume.grid import Grid
from entrypoint.volume.volume import Volume

# Margins that end inside the map on most heads, so that every kind of edge is met.
RULE = Rule(suture_margin_mm=10.0, midline_margin_mm=22.0, sinus_margin_mm=4.0)
POINTS = 14  # a side
FROM_SUTURE_MM = 8.0
GIVEN = ("nasion", "inion", "left_preauricular", "right_preauricular")
NO_SPREADS = Spreads(suture_mm=2.0, midline_mm=1.0, sinus_mm=1.0, along_mm=2.0, across_mm=1.0)


def head_rows(seed: int) -> list[dict[str, Any]]:
    """Errors of one head: rows of kind, whether given, side, error."""
    case = random_case(seed, slices_mm=(1.0,), voxel_mm=(1.0, 1.0))
    head = build(case.spec)
    hu, matrix = head.render(head.grid(**case.grid), case.scanner)
    volume = Volume(grid=Grid(shape=hu.shape, world_from_index=matrix), stored=hu).canonical()
    truth, exact = head.truth(), SiteTruth(head)
    marks = {
        name: np.array(truth["landmarks"].get(name, truth["landmarks"].get(f"{name}_skin")))
        for name in GIVEN
    }
    options: dict[str, dict[str, Any]] = {
        "given": {
            "landmarks": marks,
            "coronal_suture_mm": np.array(truth["coronal_suture"]["curve_mm"]),
        },
        "nothing": {},
    }
    charts: dict[str, dict[Side, SiteChart]] = {}
    rows: list[dict[str, Any]] = []
    for name, extra in options.items():
        try:
            parts = ct_parts(volume, rule=RULE, **extra)
            start = time.process_time()
            charts[name] = {
                side: read_chart(parts.head, parts.tape, parts.midsagittal, parts.suture, RULE,
                                 side)
                for side in Side
            }
            for side in Side:
                side_map(charts[name][side], RULE, NO_SPREADS, parts.suture.how[side])
            rows.append({"kind": "cpu_s", "with": name, "error": time.process_time() - start})
        except EntrypointError as error:
            rows.append({"kind": "refused", "with": name, "error": 1.0, "why": str(error)})
    rng = np.random.default_rng([seed, 11])
    for side in Side:
        rows += _thickness(rng, exact, charts, side)
        rows += _edges(exact, charts, side)
    return [{"seed": seed, **row} for row in rows]


def _thickness(rng, exact, charts, side):
    rows = []
    while len(rows) < 7 * POINTS * max(1, len(charts)):
        at = float(rng.uniform(82, 138)), float(rng.uniform(17, 49))
        true = exact.at(*at, side.value)
        if abs(true.suture_nearest_mm) < FROM_SUTURE_MM:
            continue
        for name, both in charts.items():
            got = look_up(both[side], *at)
            rows += [
                {"kind": kind, "with": name, "error": float(value[0]) - exact_value,
                 "sd": sd}
                for kind, value, exact_value, sd in (
                    ("skull_mm", got.skull_mm, true.skull_mm, both[side].skull_sd_mm),
                    ("scalp_mm", got.scalp_mm, true.scalp_mm, both[side].scalp_sd_mm),
                    ("outer_layer_mm", got.outer_layer_mm, true.outer_table_mm, None),
                    ("inner_layer_mm", got.inner_layer_mm, true.inner_table_mm, None),
                    ("midline_scalp_mm", got.midline_scalp_mm, true.midline_scalp_mm, None),
                    ("sinus_mm", got.sinus_mm, true.sinus_mm, None),
                    ("suture_nearest_mm", got.suture_nearest_mm, true.suture_nearest_mm, None),
                )
            ]  # fmt: skip
        if not charts:
            break
    return rows


def _edges(exact, charts, side):
    """Where each margin begins to be broken, along one tape with the other held, mm of tape."""
    rows = []
    for figure, limit, along_midline, held_arcs, between in (
        ("suture_nearest_mm", RULE.suture_margin_mm, True, (20.0, 30.0, 42.0), (82.0, 138.0)),
        ("midline_scalp_mm", RULE.midline_margin_mm, False, (95.0, 120.0), (16.0, 48.0)),
        ("sinus_mm", RULE.sinus_margin_mm, False, (90.0, 115.0), (16.0, 48.0)),
    ):
        for held in held_arcs:
            find = exact.midline_arc_where if along_midline else exact.lateral_arc_where
            true = find(figure, limit, held, side.value, between)
            if true is None:
                continue
            for name, both in charts.items():
                arcs = np.arange(between[0] - 1.5, between[1] + 1.51, 0.25)
                at = (arcs, held) if along_midline else (held, arcs)
                value = getattr(look_up(both[side], *at), figure) - limit
                flips = np.flatnonzero((value[1:] >= 0) != (value[:-1] >= 0))
                if not len(flips):
                    rows.append({"kind": f"edge_{figure}", "with": name, "error": np.inf})
                    continue
                k = flips[np.argmin(np.abs(arcs[flips] - true))]
                mine = arcs[k] + 0.25 * value[k] / (value[k] - value[k + 1])
                rows.append({"kind": f"edge_{figure}", "with": name, "error": float(mine - true)})
    return rows


def summary(rows: list[dict[str, Any]], *, heads: int, seed: int) -> str:
    """A table of errors a kind."""
    lines = [
        f"Site map on {heads} random heads, seeds from {seed}: voxels of 1 mm, noise 15 to 30 HU, "
        "point spread 0.7 to 1.2 mm,",
        "turned by up to 10 degrees, both sides; limits: thickness 0.5 mm with true landmarks and "
        "suture given, 0.6 with nothing;",
        "edges 2 mm and 4 mm of tape. Edges at margins of "
        f"{RULE.suture_margin_mm:g} mm (suture), {RULE.midline_margin_mm:g} mm (midline) and "
        f"{RULE.sinus_margin_mm:g} mm (sinus).",
        "",
        f"{'figure':<26}{'given':<9}{'n':>5}{'median':>9}{'95 %':>9}{'largest':>9}{'mean':>9}"
        f"{'in 95 %':>9}",
    ]
    kinds = list(dict.fromkeys(row["kind"] for row in rows))
    for kind in kinds:
        for name in ("given", "nothing"):
            part = [row for row in rows if row["kind"] == kind and row["with"] == name]
            if not part:
                continue
            error = np.array([row["error"] for row in part])
            known = error[np.isfinite(error)]
            size = np.abs(known)
            sds = np.array([row.get("sd") or np.nan for row in part])[np.isfinite(error)]
            held = np.abs(known) <= 1.96 * np.hypot(sds, 0.0)
            inside = f"{100 * held.mean():.0f} %" if np.isfinite(sds).all() else ""
            lost = len(error) - len(known)
            lines.append(
                f"{kind:<26}{name:<9}{len(part):>5}{np.median(size):>9.2f}"
                f"{np.percentile(size, 95):>9.2f}{size.max():>9.2f}{known.mean():>9.2f}{inside:>9}"
                + (f"   {lost} not found" if lost else "")
            )
    return "\n".join(lines) + "\n"


def main() -> None:
    """Make the heads, map them, print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--heads", type=int, default=8)
    parser.add_argument("--seed", type=int, required=True, help="first seed of the range")
    parser.add_argument("--out", type=Path, help="where to write the table")
    args = parser.parse_args()
    rows: list[dict[str, Any]] = []
    for seed in range(args.seed, args.seed + args.heads):
        rows += head_rows(seed)
        print(f"head {seed}: {len(rows)} rows", flush=True)
    text = summary(rows, heads=args.heads, seed=args.seed)
    print(text)
    if args.out is not None:
        args.out.write_text(text)


if __name__ == "__main__":
    main()
