"""Time and memory of a whole plan: ``python -m tests.benchmarks.speed --out FOLDER``.

Whole processes in turn, in one run: a process that only loads the voxels with nibabel (the
floor), the default plan, and the plain pipeline. The volume is a phantom of 512 x 512 x 300
voxels with noise, made once in the folder.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import time
from pathlib import Path

FLOOR = ("import sys, numpy as np, nibabel; "
         "np.asanyarray(nibabel.load(sys.argv[1]).dataobj)")
SHAPE = (512, 512, 300)


def make_volume(path: Path) -> None:
    """Write the phantom, 512 x 512 x 300 at 0.47 x 0.47 x 0.75 mm."""
    import numpy as np

    from entrypoint.phantoms import GridSpec, Scanner, build, nifti_bytes, random_spec

    head = build(random_spec(11))
    roomy = head.grid(voxel_mm=0.47, slice_mm=0.75)
    matrix = roomy.world_from_index.copy()
    shift = (np.array(roomy.shape) - np.array(SHAPE)) // 2
    # The field is centred from side to side and keeps its top: the vertex stays in view.
    shift[2] = roomy.shape[2] - SHAPE[2]
    matrix[:3, 3] = (matrix @ np.array([*shift, 1.0]))[:3]
    hu, world = head.render(GridSpec(shape=SHAPE, world_from_index=matrix),
                            Scanner(noise_hu=25.0))
    path.write_bytes(nifti_bytes(hu, world, level=4))


def run(command: list[str]) -> tuple[float, float]:
    """Wall seconds and peak memory (MB) of one process and what it starts."""
    began = time.perf_counter()
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    if os.waitstatus_to_exitcode(status) not in (0, 1):
        raise SystemExit(f"failed: {command}")
    return time.perf_counter() - began, usage.ru_maxrss / 1024.0


def main() -> None:
    """Alternate the three, print medians and ratios."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--rounds", type=int, default=9)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    path = args.out / "speed.nii.gz"
    if not path.exists():
        # In a process of its own: a child's peak memory includes what its parent held at the fork.
        subprocess.run([sys.executable, "-c", "import sys; from pathlib import Path; "
                        "from tests.benchmarks.speed import make_volume; "
                        "make_volume(Path(sys.argv[1]))", str(path)], check=True)
    plan = [sys.executable, "-m", "entrypoint.cli.app", "plan", str(path), "--json",
            str(args.out / "speed.json"), "--force"]
    plain = [sys.executable, str(Path(__file__).with_name("plain_pipeline.py")), str(path)]
    jobs = {"floor": [sys.executable, "-c", FLOOR, str(path)], "plan": plan}
    seen: dict[str, list[tuple[float, float]]] = {name: [] for name in jobs}
    for name in jobs:
        run(jobs[name])  # fills the file cache
    for _ in range(args.rounds):
        for name, command in jobs.items():
            seen[name].append(run(command))
    seen["plain"] = [run(plain) for _ in range(3)]
    raw = 2 * SHAPE[0] * SHAPE[1] * SHAPE[2] / 1e6
    lines = [f"{path.stat().st_size / 1e6:.0f} MB .nii.gz, {SHAPE} int16, {raw:.0f} MB of voxels, "
             f"{args.rounds} rounds, {os.cpu_count()} cores"]
    floor = statistics.median(t for t, _ in seen["floor"])
    for name, values in seen.items():
        t = statistics.median(v[0] for v in values)
        m = max(v[1] for v in values)
        lines.append(f"{name:6} {t:6.2f} s  {t / floor:5.2f} x floor  peak {m:5.0f} MB  "
                     f"{m / raw:4.2f} x voxels")
    text = "\n".join(lines) + "\n"
    (args.out / "speed.txt").write_text(text)
    print(text)


if __name__ == "__main__":
    main()
