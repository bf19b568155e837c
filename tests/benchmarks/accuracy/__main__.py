"""Accuracy on random heads: ``python -m tests.benchmarks.accuracy --heads 100 --seed 5000``.

Rows are written as they come and are not made again: a run that was stopped goes on.
"""

from __future__ import annotations

import argparse
import json
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from tests.benchmarks.accuracy.heads import ANY, Settings, row_of
from tests.benchmarks.accuracy.plots import plot
from tests.benchmarks.accuracy.tables import summary


def main() -> None:
    """Make the population, run the tool, print and write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--heads", type=int, default=100)
    parser.add_argument("--seed", type=int, required=True, help="first seed of the range")
    parser.add_argument("--out", type=Path, required=True, help="folder for rows and table")
    parser.add_argument("--any", action="store_true",
                        help="poses to 25 degrees, all slices, and planted conditions")
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    path = args.out / f"rows-{args.seed}.jsonl"
    rows = [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []
    settings = ANY if args.any else Settings()
    done = {row["seed"] for row in rows}
    seeds = [s for s in range(args.seed, args.seed + args.heads) if s not in done]
    with ProcessPoolExecutor(args.workers) as pool, path.open("a") as file:
        for row in pool.map(row_of, seeds, [settings] * len(seeds)):
            file.write(json.dumps(row) + "\n")
            file.flush()
            rows.append(row)
    rows = sorted((r for r in rows if r["seed"] < args.seed + args.heads),
                  key=lambda r: r["seed"])
    text = summary(rows, first_seed=args.seed)
    (args.out / f"table-{args.seed}.txt").write_text(text)
    plot(rows, args.out / f"plot-{args.seed}.png",
         title=f"{len(rows)} heads, seeds from {args.seed}")
    print(text)


if __name__ == "__main__":
    main()
