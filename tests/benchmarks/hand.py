"""CPU time of simulated placements on a chart of the usual size, and of each part of it.

    python -m tests.benchmarks.hand [--out FOLDER]

The chart is one of concentric shells: what is timed is the same on a scan, whose chart is read
once before. Quote the shares of one run; seconds differ between machines.
"""

from __future__ import annotations

import argparse
import statistics
import time
from pathlib import Path

import numpy as np

from entrypoint.planning.hand import hand_of_side
from entrypoint.planning.hand_draws import lay_tapes, normal_table
from entrypoint.planning.hand_model import HandOptions, HandSpreads
from entrypoint.planning.model import Side
from entrypoint.planning.tape import plan_from_tape
from tests.planning.charts import sphere_chart, sphere_plan

ROUNDS = 9


def cpu_seconds(what) -> float:
    """Median CPU time of nine calls after one that warms up."""
    what()
    taken = []
    for _ in range(ROUNDS):
        start = time.process_time()
        what()
        taken.append(time.process_time() - start)
    return statistics.median(taken)


def main() -> None:
    """Measure, print, and write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path)
    out = parser.parse_args().out
    chart, scan, tape = sphere_chart(), sphere_plan(skull=0.3), plan_from_tape({})
    side = Side.RIGHT
    table = normal_table(10_000, 1)
    lines = [
        f"chart {chart.skull_mm.shape[0]} x {chart.skull_mm.shape[1]} nodes, numpy "
        f"{np.__version__}, median of {ROUNDS} calls, one thread",
        "",
        "what                                         CPU seconds",
    ]
    rows = [
        ("10,000 normal numbers for each part", lambda: normal_table(10_000, 1)),
        ("both tapes laid 10,000 times", lambda: lay_tapes(table, HandSpreads(), 110.0, 30.0)),
    ]
    for draws in (1_000, 10_000, 100_000):
        options = HandOptions(draws=draws)
        rows.append(
            (f"one side on a scan's chart, {draws:,} draws",
             lambda options=options: hand_of_side(scan, side, chart, options))
        )  # fmt: skip
    rows.append(
        ("one side from tape measures, 10,000 draws",
         lambda: hand_of_side(tape, side, None, HandOptions()))
    )  # fmt: skip
    lines += [f"{words:<44} {cpu_seconds(what):10.4f}" for words, what in rows]
    lines += ["", "Wanted: 10,000 draws in under 1 second of CPU time."]
    text = "\n".join(lines) + "\n"
    print(text, end="")
    if out is not None:
        out.mkdir(parents=True, exist_ok=True)
        (out / "hand.txt").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
