"""Bad files: each ends in one clear sentence of the error family, soon, and in little memory."""

from __future__ import annotations

import gzip
import os
import resource
import subprocess
import sys
import time

import numpy as np
import pytest

from entrypoint.errors import EntrypointError, FileRefused, InputError
from entrypoint.io.inspection import inspect_volume
from entrypoint.io.nifti import read_nifti
from entrypoint.io.recognise import recognise
from tests.io.make import CODES, head_hu, nifti1, write

HU = head_hu()


def refusal(path, call=read_nifti):
    with pytest.raises(InputError) as caught:
        call(path)
    error = caught.value
    text = str(error)
    assert "\n" not in text
    assert error.found.rstrip(".") in text or error.found[1:] in text
    assert error.expected in text
    assert error.next_step
    assert str(path.parent) not in text
    assert error.exit_code == 3
    return text


CASES = {
    "empty": (b"", "empty"),
    "text": (b"hello world, this is no volume at all", "does not begin as a NIfTI"),
    "cut in the header": (nifti1(HU)[:200], "inside its header"),
    "cut in the voxels": (nifti1(HU)[:5000], "more than a file of 5000 bytes can hold"),
    "cut gzip": (nifti1(HU, zipped=True)[:20000], "ends too early"),
    "damaged gzip": (
        nifti1(HU, zipped=True)[:9000] + b"\xff" * 900 + nifti1(HU, zipped=True)[9900:],
        "damaged|too early|ends after",
    ),
    "gzip of nothing": (gzip.compress(b""), "empty"),
    "2-D": (nifti1(HU[:, :, 0]), "single picture"),
    "one slice": (nifti1(HU[:, :, :1]), "single picture"),
    "4-D": (nifti1(HU, dim=(4, 36, 44, 16, 2)), "holds 4 dimensions"),
    "no dimensions": (nifti1(HU, dim=(0, 36, 44, 32)), "states 0 dimensions"),
    "negative size": (nifti1(HU, dim=(3, -36, 44, 32)), "positive sizes"),
    "RGB": (nifti1(HU, datatype=128, bitpix=24), "RGB"),
    "complex": (nifti1(HU, datatype=32, bitpix=64), "complex"),
    "unknown type": (nifti1(HU, datatype=77), "code 77"),
    "bits contradict": (nifti1(HU, bitpix=32), "32 bits"),
    "pair": (nifti1(HU, magic=b"ni1\0"), "pair"),
    "analyze": (nifti1(HU, magic=b"\0\0\0\0"), "Analyze"),
    "voxels begin in the header": (nifti1(HU, vox_offset=100.0), "begin at byte 100"),
    "voxels begin nowhere": (nifti1(HU, vox_offset=float("nan")), "begin at byte"),
    "huge claim": (nifti1(HU, dim=(3, 2000, 2000, 300)), "more than a file|voxels"),
    "absurd claim": (nifti1(HU, dim=(3, 32000, 32000, 32000)), "3.28e\\+13 voxels"),
    "huge claim, zipped": (
        nifti1(HU, dim=(3, 1000, 1000, 1000), zipped=True),
        "more than a file",
    ),
    "unit code": (nifti1(HU, unit=5), "code 5"),
    "NaN": (nifti1(np.where(HU > 1100, np.nan, HU), kind="f4"), "not numbers"),
    "infinite": (nifti1(np.where(HU > 1100, np.inf, HU), kind="f8"), "not numbers"),
    "one NaN": (
        nifti1(np.where(np.arange(HU.size).reshape(HU.shape) == 777, np.nan, HU), kind="f4"),
        "not numbers",
    ),
    "absurd voxel": (
        nifti1(np.where(np.arange(HU.size).reshape(HU.shape) == 777, 1e300, HU), kind="f8"),
        "read as much as 1e\\+300",
    ),
    "intercept": (nifti1(HU, slope=1.0, inter=float("nan")), "scaling"),
    "absurd slope": (nifti1(HU, slope=1e30), "not HU"),
    "much after the voxels": (nifti1(HU, tail=bytes(200_000)), "far more than"),
}


@pytest.mark.parametrize("name", sorted(CASES))
def test_each_is_refused_by_name(tmp_path, name):
    content, words = CASES[name]
    path = write(tmp_path / "patient_name.nii", content)
    with pytest.raises(InputError, match=words):
        read_nifti(path)
    assert "patient_name" not in refusal(path)


def test_missing_directory_other_kinds_and_no_permission(tmp_path):
    assert "no such file" in refusal(tmp_path / "none.nii")
    assert "directory" in refusal(tmp_path / ".")
    for content, words in (
        (b"%PDF-1.7 ....", "PDF"),
        (b"\x89PNG\r\n....", "PNG"),
        (b"\0\1\2\3" * 50, "not known"),
        (b"just some words\nand more", "not known"),
        (b"", "empty"),
    ):
        path = write(tmp_path / "x.dat", content)
        assert words in refusal(path, recognise)
        assert words in refusal(path, inspect_volume)
    for content, words in (
        (b"PK\x03\x04.....", "ZIP"),
        (bytes(128) + b"DICM" + bytes(50), "no slice of a CT"),
    ):
        path = write(tmp_path / "x.dat", content)
        assert words in refusal(path, inspect_volume)
    fifo = tmp_path / "fifo"
    os.mkfifo(fifo)
    assert "not an ordinary file" in refusal(fifo)
    locked = write(tmp_path / "locked.nii", nifti1(HU))
    locked.chmod(0)
    if os.geteuid() != 0:  # a superuser may read anything, so there is nothing to refuse
        assert "permission" in refusal(locked).lower()
    assert "bad name" in refusal(tmp_path / "a\0b")


def test_more_bytes_than_promised_are_tolerated_only_as_a_little_rest(tmp_path):
    path = write(tmp_path / "a.nii", nifti1(HU, tail=bytes(512)))
    assert read_nifti(path).volume.shape == HU.shape


def test_a_damaged_checksum_is_seen(tmp_path):
    content = bytearray(nifti1(HU, zipped=True))
    content[-6] ^= 0x55  # in the CRC of the gzip trailer: the voxels themselves decompress
    with pytest.raises(FileRefused, match="damaged"):
        read_nifti(write(tmp_path / "a.nii.gz", bytes(content)))


def peak_mb(path):
    """Peak memory of a process of its own that reads a file, MB, and what it printed."""
    code = (
        "import sys, resource\n"
        "from entrypoint.errors import EntrypointError\n"
        "from entrypoint.io.nifti import read_nifti\n"
        "try:\n"
        "    print(read_nifti(sys.argv[1]).volume.shape)\n"
        "except EntrypointError as error:\n"
        "    print(error)\n"
        "try:  # ru_maxrss of a child starts at its parent's; this peak does not\n"
        "    lines = open('/proc/self/status').read().splitlines()\n"
        "    print(next(x.split()[1] for x in lines if x.startswith('VmHWM')))\n"
        "except OSError:\n"
        "    print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)\n"
    )
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    run = subprocess.run(
        [sys.executable, "-c", code, str(path)],
        capture_output=True,
        encoding="utf-8",
        timeout=30,
        check=True,
        env=environment,
    )
    said, peak = run.stdout.strip().rsplit("\n", 1)
    return int(peak) / (1 if sys.platform == "darwin" else 1024), said


def test_a_gzip_bomb_is_bounded(tmp_path):
    # 1000 x 1000 x 500 zero voxels, about 1 MB compressed: 1000 to 1.
    head = nifti1(HU, np.diag([0.3, 0.3, 0.4, 1.0]), dim=(3, 1000, 1000, 500))[:352]
    path = tmp_path / "bomb.nii.gz"
    with gzip.open(path, "wb", compresslevel=6) as stream:
        stream.write(head)
        for _ in range(100):
            stream.write(bytes(10_000_000))
    assert path.stat().st_size < 1_100_000
    started = time.perf_counter()
    peak, said = peak_mb(path)
    assert "more than a file" in said
    assert peak < 300
    assert time.perf_counter() - started < 20


def test_a_plain_claim_takes_no_memory(tmp_path):
    content = nifti1(HU, np.diag([0.3, 0.3, 0.4, 1.0]), dim=(3, 1000, 1000, 500))
    peak, said = peak_mb(write(tmp_path / "a.nii", content))
    assert "more than a file" in said
    assert peak < 150


@pytest.mark.parametrize("seed", range(3))
def test_mutated_files_end_in_an_answer_or_a_refusal(tmp_path, seed):
    """300 mutants in all; most keep a header that passes its first check."""
    rng = np.random.default_rng(1000 + seed)
    kinds = list(CODES)
    passed_header = 0
    sentences = []
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    for number in range(100):
        kind = kinds[int(rng.integers(len(kinds)))]
        zipped = bool(rng.random() < 0.3)
        hu = np.maximum(HU, 0) if kind[0] == "u" else np.clip(HU, -128, 127) if kind == "i1" else HU
        content = bytearray(nifti1(np.clip(hu, -1e3, 255) if kind == "u1" else hu, kind=kind))
        for _ in range(int(rng.integers(1, 6))):
            where = int(rng.integers(40, 348) if rng.random() < 0.8 else rng.integers(len(content)))
            content[where] = int(rng.integers(256))
        if rng.random() < 0.2:
            content = content[: int(rng.integers(len(content)))]
        data = bytes(content)
        if zipped:
            data = bytearray(gzip.compress(data, 1))
            if rng.random() < 0.5:
                data[int(rng.integers(len(data)))] ^= int(rng.integers(1, 256))
            data = bytes(data)
        path = write(tmp_path / f"{number}.nii", data)
        started = time.perf_counter()
        try:
            loaded = read_nifti(path)
            passed_header += 1
            assert np.isfinite(loaded.volume.to_hu(loaded.volume.stored[:4])).all()
        except EntrypointError as error:
            sentences.append(str(error))
            passed_header += "NIfTI" not in error.expected
        assert time.perf_counter() - started < 5
        path.unlink()
    assert passed_header >= 50
    assert sentences
    assert not any("\n" in sentence for sentence in sentences)
    grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    assert grown < 300 * 1024
