"""Long fuzzing of every reader: ``python -m tests.benchmarks.fuzz --files 20000 --seed S --out F``.

Each mutant is read in a process of its own (a fork with nothing read before), which is killed
after 30 s; its peak memory is noted. An answer and a refusal of the error
family count; anything else is kept as a file and ends the run with exit code 1.
"""

from __future__ import annotations

import argparse
import gzip
import io
import json
import os
import signal
import tempfile
import zipfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np

from entrypoint.api import read_landmarks, read_plan, read_surface, read_volume
from entrypoint.errors import EntrypointError
from tests.io.dicom_series import enhanced, head_slices, to_bytes
from tests.io.make import CODES, head_hu, nifti1

_SECONDS = 30
_ANSWER, _REFUSAL, _STRAY = 0, 3, 9
_TOKENS = (b"NaN", b"Infinity", b"-1e999", b"null", b"[]", b"{}", b'""', b"true", b"0", b"-1",
           b"1e308", b"\x00", b"\xff\xfe", b"<script>", b"../../x", b"\n" * 50, b"[" * 500)


def seeds() -> dict[str, tuple[list[bytes], Callable[[Path], object], str]]:
    """For each reader: sound files, the call, and a file name's ending."""
    hu = head_hu()
    samples = Path(__file__).parents[2] / "sample_volumes"
    record = (samples / "adult.landmarks.json").read_bytes()
    points = json.loads(record)["landmarks"]
    table = "# coordinate_space: RAS\n# unit: mm\nname,x,y,z\n" + "".join(
        f"{name},{','.join(str(v) for v in p)}\n" for name, p in points.items())
    import trimesh

    ball = trimesh.creation.icosphere(subdivisions=2, radius=90.0)
    meshes = [ball.export(file_type=kind) for kind in ("stl", "ply", "obj", "glb")]
    from entrypoint.api import plan_tape
    from entrypoint.io.record import dumps

    plan = dumps(plan_tape({"nasion_inion_mm": 360.0})).encode()

    def surface(path: Path) -> object:
        return read_surface(path, unit="mm", space="RAS")

    volumes = [nifti1(np.clip(hu, 0, 255) if kind == "u1" else np.clip(hu, -128, 127)
                      if kind == "i1" else np.maximum(hu, 0) if kind[0] == "u" else hu, kind=kind)
               for kind in CODES]
    from pydicom.uid import (
        ExplicitVRLittleEndian,
        ImplicitVRLittleEndian,
        JPEG2000Lossless,
        JPEGLSLossless,
        RLELossless,
    )

    objects = [to_bytes(enhanced(), syntax) for syntax in (
        ExplicitVRLittleEndian, ImplicitVRLittleEndian, RLELossless, JPEGLSLossless,
        JPEG2000Lossless)]
    archive = io.BytesIO()
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as packed:
        for k, data in enumerate(head_slices()):
            packed.writestr(str(k), to_bytes(data))
    return {
        "dicom": (objects, read_volume, ".dcm"),
        "dicom.zip": ([archive.getvalue()], read_volume, ".zip"),
        "nifti": (volumes, read_volume, ".nii"),
        "nifti.gz": ([gzip.compress(v, 1) for v in volumes], read_volume, ".nii.gz"),
        "landmarks.json": ([record], read_landmarks, ".json"),
        "landmarks.csv": ([table.encode()], read_landmarks, ".csv"),
        **{f"mesh.{k}": ([m if isinstance(m, bytes) else m.encode()], surface, f".{k}")
           for k, m in zip(("stl", "ply", "obj", "glb"), meshes, strict=True)},
        "plan": ([plan], read_plan, ".json"),
    }


def mutant(content: bytes, rng: np.random.Generator, *, header: bool) -> bytes:
    """A few bytes changed, a token put in, a stretch cut out or doubled."""
    data = bytearray(content)
    for _ in range(int(rng.integers(1, 6))):
        kind = int(rng.integers(6))
        if header and kind >= 3 and rng.random() < 0.85:
            kind = 0  # a shifted header fails at once: most mutants must get further
        at = int(rng.integers(40, 348)) if header and rng.random() < 0.7 else int(
            rng.integers(len(data)))
        at = min(at, len(data) - 1)
        if kind <= 2:
            data[at] = int(rng.integers(256))
        elif kind == 3 and not header:
            data[at : at + int(rng.integers(4))] = _TOKENS[int(rng.integers(len(_TOKENS)))]
        elif kind == 4:
            del data[at : at + int(rng.integers(1, 64))]
        else:
            data[at:at] = data[at : at + int(rng.integers(1, 200))]
        if len(data) < 2:
            break
    return bytes(data)


def read_alone(path: Path, call: Callable[[Path], object]) -> tuple[int, float]:
    """Exit kind of a child that reads the file, and its peak memory (MB), libraries included."""
    child = os.fork()
    if child == 0:
        signal.alarm(_SECONDS)
        code = _STRAY
        try:
            call(path)
            code = _ANSWER
        except EntrypointError as error:
            code = _STRAY if "\n" in str(error) else _REFUSAL
        except BaseException:
            code = _STRAY
        finally:
            os._exit(code)
    _, status, usage = os.wait4(child, 0)
    kind = os.waitstatus_to_exitcode(status)
    return kind, usage.ru_maxrss / 1024.0


def main() -> int:
    """Mutate, read, count."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=20000)
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument("--out", type=Path, required=True)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(args.seed)
    readers = seeds()
    names = list(readers)
    share = np.array([3.0, 1.0, 3.0, 1.0, 1.0, 1.0, 0.5, 0.5, 0.5, 0.5, 1.0])
    counts: Counter[tuple[str, int]] = Counter()
    worst: Counter[str] = Counter()
    strays = 0
    with tempfile.TemporaryDirectory() as folder:
        for number in range(args.files):
            name = names[int(rng.choice(len(names), p=share / share.sum()))]
            sound, call, ending = readers[name]
            whole = sound[int(rng.integers(len(sound)))]
            if name == "nifti.gz" and rng.random() < 0.7:
                content = gzip.compress(mutant(gzip.decompress(whole), rng, header=True), 1)
            else:
                content = mutant(whole, rng, header=name == "nifti")
            path = Path(folder) / f"mutant{ending}"
            path.write_bytes(content)
            kind, grown = read_alone(path, call)
            counts[name, kind] += 1
            worst[name] = max(worst[name], round(grown))
            if kind not in (_ANSWER, _REFUSAL):
                strays += 1
                (args.out / f"stray-{args.seed}-{number}{ending}").write_bytes(content)
    lines = [f"{args.files} mutants, seed {args.seed}: {strays} neither answered nor refused",
             f"{'reader':16}{'answered':>9}{'refused':>9}{'other':>7}{'peak MB':>9}"]
    for name in names:
        total = sum(n for (who, _), n in counts.items() if who == name)
        fine = counts[name, _ANSWER], counts[name, _REFUSAL]
        lines.append(f"{name:16}{fine[0]:>9}{fine[1]:>9}{total - sum(fine):>7}{worst[name]:>9}")
    text = "\n".join(lines) + "\n"
    (args.out / f"fuzz-{args.seed}.txt").write_text(text)
    print(text)
    return 1 if strays else 0


if __name__ == "__main__":
    raise SystemExit(main())
