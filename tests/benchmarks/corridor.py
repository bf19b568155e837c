"""What is found of things planted on the path, and what clean heads raise.

``python -m tests.benchmarks.corridor --first 5100000 --heads 40 --clean 160 --out FILE``

Only the part of each head round both corridors is scanned; planning is given the true frame,
suture and path, and reads site and corridor by itself. A kind counts as found where the finding
that names it is raised on its own side, by the site or by the corridor. Kinds and sizes:
swelling 4 mm; gap 3 mm (a hole or a slot); fracture 1 mm wide; metal a ball of 2 mm in the scalp,
the bone or the brain; air a ball of 4 mm in the scalp or inside the skull; clot a layer of 4 mm at
55 to 75 HU; fluid a layer of 4 mm that pushes the brain and its own fluid in, and "fluid-in-all"
one of 4 mm counted from the bone, the head's own fluid in it; sinus 4 mm of air between the tables;
dense-plate 1.5 mm at 400 to 900 HU, 2.5 mm below the inner table. Each lies up to 2 mm from the
path.
"""

from __future__ import annotations

import argparse
import subprocess
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from entrypoint.planning.corridor import read_corridor
from entrypoint.planning.corridor_findings import corridor_findings
from entrypoint.planning.model import Level, Rule, Side
from tests.benchmarks.corridor_heads import KINDS, MORE_KINDS, NOISE_HU, SLICES_MM, Scan, scan

WANTED = {
    "swelling": "scalp-swelling",
    "gap": "bone-missing",
    "fracture": "bone-missing",
    "metal": "metal",
    "air": "air-near-path",
    "clot": "denser-than-brain",
    "fluid": "fluid-under-bone",
    "fluid-in-all": "fluid-under-bone",
    "sinus": "frontal-sinus",
    "dense-plate": "dense-under-bone",
}
_OTHER = {Side.RIGHT: Side.LEFT, Side.LEFT: Side.RIGHT}


@dataclass
class Tally:
    """Counts over heads."""

    heads: int = 0
    found: int = 0
    cautioned: int = 0
    beside: Counter[str] = field(default_factory=Counter)
    missed: list[str] = field(default_factory=list)
    cpu_s: list[float] = field(default_factory=list)


def raised(made: Scan, side: Side, cpu_s: list[float]) -> dict[str, Level]:
    """Codes that a side raises, by its site or its corridor, each with its worst level."""
    own, other = made.sites[side], made.sites[_OTHER[side]]
    began = time.process_time()
    read = read_corridor(made.head, own, other, Rule())
    findings = corridor_findings(read, own)
    cpu_s.append(time.process_time() - began)
    out: dict[str, Level] = {}
    for f in findings:
        if out.get(f.code) is not Level.CAUTION:
            out[f.code] = f.level
    if own.no_bone is not None:
        out["metal" if "metal" in own.no_bone else "bone-missing"] = Level.STOP
    elif own.metal_mm is not None:
        out["metal"] = Level.NOTE
    if own.air_in_bone_mm is not None:
        out["frontal-sinus"] = Level.CAUTION
    return out


def of_kind(kind: str, seeds: range) -> Tally:
    """Heads with something planted."""
    tally = Tally()
    for seed in seeds:
        made = scan(seed, kind)
        side = made.true["side"]
        codes = raised(made, side, tally.cpu_s)
        tally.heads += 1
        if WANTED[kind] in codes:
            tally.found += 1
            tally.cautioned += codes[WANTED[kind]] is not Level.NOTE
        else:
            t = made.true
            tally.missed.append(
                f"{kind} seed {seed}: voxel {t['voxel_mm']:.2f} slices {t['slice_mm']:g} mm, noise "
                f"{t['noise_hu']:.0f} HU; raised {sorted(codes) or 'nothing'}")
        tally.beside.update(
            f"{c} ({v.value})" for c, v in codes.items() if c != WANTED[kind])
    return tally


def clean(seeds: range) -> tuple[Tally, Counter[str]]:
    """Heads with nothing planted, both sides."""
    tally, codes = Tally(), Counter[str]()
    for seed in seeds:
        made = scan(seed)
        worst = False
        for side in Side:
            got = raised(made, side, tally.cpu_s)
            codes.update(f"{c} ({v.value})" for c, v in got.items())
            if any(v is not Level.NOTE for v in got.values()):
                worst = True
                tally.missed.append(f"clean seed {seed} {side.value}: {sorted(got)}")
        tally.heads += 1
        tally.cautioned += worst
    return tally, codes


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first", type=int, required=True)
    parser.add_argument("--heads", type=int, default=40)
    parser.add_argument("--clean", type=int, default=160)
    parser.add_argument("--kinds", nargs="*", default=[*KINDS, *MORE_KINDS])
    parser.add_argument("--out", type=Path, required=True)
    given = parser.parse_args()
    seeds = range(given.first, given.first + given.heads)
    commit = subprocess.run(["git", "rev-parse", "--short", "HEAD"], capture_output=True,
        encoding="utf-8",
                            check=True).stdout.strip()
    lines = [
        f"code {commit}; heads drawn with seeds from {given.first}; slices "
        f"{', '.join(f'{s:g}' for s in SLICES_MM)} mm, voxels 0.4 to 1.0 mm, noise "
        f"{NOISE_HU[0]:.0f} to {NOISE_HU[1]:.0f} HU; frame, suture and path given",
        "",
        f"{'planted':<14}{'heads':>6}{'found':>7}{'share':>8}   as caution or stop",
    ]
    missed, beside, cpu_s = [], [], []
    for kind in given.kinds:
        t = of_kind(kind, seeds)
        lines.append(f"{kind:<14}{t.heads:>6}{t.found:>7}{t.found / t.heads:>8.1%}   {t.cautioned}")
        missed += t.missed
        cpu_s += t.cpu_s
        if t.beside:
            beside.append(f"{kind}: " + ", ".join(f"{c} {n}" for c, n in t.beside.most_common()))
    if given.clean:
        t, codes = clean(range(given.first, given.first + given.clean))
        cpu_s += t.cpu_s
        lines += ["", f"clean heads: {t.heads}, with a caution or stop: {t.cautioned} "
                  f"({t.cautioned / t.heads:.1%})",
                  "raised on their sides: "
                  + (", ".join(f"{c} {n}" for c, n in codes.most_common()) or "nothing")]
        missed += t.missed
    lines += ["", f"CPU seconds a side: median {np.median(cpu_s):.3f}, 95 % "
              f"{np.percentile(cpu_s, 95):.3f}"]
    if beside:
        lines += ["", "raised beside what was planted", *beside]
    if missed:
        lines += ["", "missed, and cautions on clean heads", *missed]
    given.out.parent.mkdir(parents=True, exist_ok=True)
    given.out.write_text("\n".join(lines) + "\n", encoding="utf-8")
    print("\n".join(lines))


if __name__ == "__main__":
    main()
