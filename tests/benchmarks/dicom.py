"""Reading a DICOM series against the same voxels in .nii: ``python -m tests.benchmarks.dicom``.

Whole processes in turn, in one run, 300 slices of 512 x 512 int16 with noise, warm file cache:
reading the converted .nii and then opening every file of the series once (the floor), reading the
series, and reading it in each compressed syntax. Times are of the process's own processor as well
as of the clock: on a shared machine the first are the steadier.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import time
from pathlib import Path

SLICES, SIDE = 300, 512
READ = "import sys; from entrypoint import read_volume; read_volume(sys.argv[1])"
FLOOR = (
    READ + "; import os\n"
    "for entry in os.scandir(sys.argv[2]):\n"
    "    with open(entry.path, 'rb', buffering=0) as stream:\n"
    "        stream.read(4096)\n"
)
SYNTAXES = {
    "plain": "1.2.840.10008.1.2.1",
    "deflated": "1.2.840.10008.1.2.1.99",
    "RLE": "1.2.840.10008.1.2.5",
    "JPEG lossless": "1.2.840.10008.1.2.4.70",
    "JPEG-LS": "1.2.840.10008.1.2.4.80",
    "JPEG 2000": "1.2.840.10008.1.2.4.90",
}


def make_series(folder: Path, name: str) -> None:
    """A ball of head in noise, the same voxels in every syntax."""
    import numpy as np

    from tests.io.dicom_series import ds_of, lps_matrix, to_bytes
    from tests.io.make import head_hu

    small = np.round(head_hu((SIDE // 4, SIDE // 4, SLICES // 4), noise_hu=0.0)).astype(np.int16)
    noise = np.random.default_rng(1).normal(0.0, 20.0, (SIDE, SIDE)).astype(np.int16)
    matrix = lps_matrix((0.47, 0.47, 0.75), (SIDE, SIDE, SLICES))
    folder.mkdir()
    if name == "JPEG lossless":  # pydicom has no encoder for it: GDCM's, from the plain series
        for path in sorted((folder.parent / "plain").iterdir()):
            _by_gdcm(path, folder / f"{path.name}.dcm")
        return
    for k in range(SLICES):
        plane = small[:, :, min(k // 4, small.shape[2] - 1)].repeat(4, 0).repeat(4, 1)
        data = ds_of((plane + np.roll(noise, 37 * k)).T, matrix, k)
        (folder / f"{k:04d}").write_bytes(to_bytes(data, SYNTAXES[name]))


def _by_gdcm(source: Path, target: Path) -> None:
    import SimpleITK as sitk  # noqa: N813

    reader = sitk.ImageFileReader()
    reader.SetFileName(str(source))
    reader.LoadPrivateTagsOn()
    writer = sitk.ImageFileWriter()
    writer.SetImageIO("GDCMImageIO")
    writer.KeepOriginalImageUIDOn()
    writer.SetUseCompression(True)
    writer.SetCompressor("JPEG")
    writer.SetFileName(str(target))
    writer.Execute(reader.Execute())


def run(code: str, *arguments: object) -> tuple[float, float]:
    """Clock and processor seconds of a process of its own."""
    began = time.perf_counter()
    child = subprocess.Popen([sys.executable, "-c", code, *map(str, arguments)])
    _, status, usage = os.wait4(child.pid, 0)
    if status:
        raise SystemExit("failed")
    return time.perf_counter() - began, usage.ru_utime + usage.ru_stime


def main() -> None:
    """Alternate, print medians and ratios."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("--compressed-rounds", type=int, default=1)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    for name in SYNTAXES:
        if not (args.out / name).exists():
            make_series(args.out / name, name)
    nii = args.out / "same.nii"
    if not nii.exists():
        run("import sys; from entrypoint.cli.app import main; main(sys.argv[1:])",
            "convert", args.out / "plain", nii)  # fmt: skip
    seen: dict[str, list[tuple[float, float]]] = {".nii and opening": [], "plain": []}
    for number in range(args.rounds + 1):
        floor, plain = run(FLOOR, nii, args.out / "plain"), run(READ, args.out / "plain")
        if number:  # the first fills the file cache
            seen[".nii and opening"].append(floor)
            seen["plain"].append(plain)
    for name in SYNTAXES:
        if name != "plain":
            seen[name] = [run(READ, args.out / name) for _ in range(args.compressed_rounds)]
    lines = [f"{SLICES} slices of {SIDE} x {SIDE} int16, {args.rounds} rounds in turn, "
             f"{os.cpu_count()} cores, compressed {args.compressed_rounds} round(s)",
             f"{'reading':18}{'clock s':>9}{'x':>6}{'best s':>9}{'x':>6}{'cpu s':>9}{'x':>6}"]
    first: list[float] = []
    for name, values in seen.items():
        clock, cpu = ([v[a] for v in values] for a in (0, 1))
        row = [statistics.median(clock), min(clock), statistics.median(cpu)]
        first = first or row
        lines.append(f"{name:18}" + "".join(f"{x:9.2f}{x / f:6.2f}"
                                            for x, f in zip(row, first, strict=True)))
    text = "\n".join(lines) + "\n"
    (args.out / "dicom.txt").write_text(text)
    print(text)


if __name__ == "__main__":
    main()
