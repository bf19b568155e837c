"""Files of practice heads: marked as such, readable by others, the same each time."""

from __future__ import annotations

import gzip
import hashlib
import json
import struct
from pathlib import Path
from typing import Any

import nibabel
import numpy as np
import pytest

from entrypoint.phantoms import (
    PRACTICE,
    GridSpec,
    Scanner,
    build,
    head_files,
    named_spec,
    nifti_bytes,
)
from entrypoint.phantoms.files import SAMPLES, landmark_dict
from entrypoint.phantoms.files import _rounded as rounded

_FOLDER = Path(__file__).parents[2] / "sample_volumes"


@pytest.mark.parametrize("axes", ["RAS", "LPS", "PIR", "SLA"])
def test_header_is_read_by_others_as_it_was_meant(axes: str, tmp_path: Path) -> None:
    grid = GridSpec.around(
        (-5.0, -6.0, -7.0),
        (9.0, 8.0, 7.0),
        voxel_mm=0.7,
        slice_mm=1.3,
        axes=axes,
        oblique_deg=(8.0, -14.0, 25.0),
    )
    hu = np.random.default_rng(2).integers(-1000, 2000, grid.shape).astype(np.int16)
    path = tmp_path / "x.nii.gz"
    path.write_bytes(nifti_bytes(hu, grid.world_from_index))
    image = nibabel.load(path)
    assert np.array_equal(np.asanyarray(image.dataobj), hu)
    assert image.affine == pytest.approx(grid.world_from_index, abs=1e-4)
    assert image.get_qform() == pytest.approx(image.get_sform(), abs=1e-4)
    assert int(image.header["sform_code"]) == int(image.header["qform_code"]) == 1
    assert image.header.get_xyzt_units()[0] == "mm"
    assert image.header["descrip"].item().decode() == PRACTICE == "entrypoint practice head"


def test_gzip_carries_no_name_and_no_time() -> None:
    raw = nifti_bytes(np.zeros((2, 2, 2), np.int16), np.eye(4))
    assert raw[3] == 0  # no optional fields, so no name
    assert struct.unpack("<I", raw[4:8])[0] == 0


def test_files_of_a_head(tmp_path: Path) -> None:
    head = build(named_spec("small"))
    grid = head.grid(voxel_mm=4.0, slice_mm=4.0)
    files = head_files(head, grid, Scanner(noise_hu=10.0), "x")
    assert sorted(files) == ["x.landmarks.json", "x.nii.gz", "x.truth.json"]
    marks = json.loads(files["x.landmarks.json"])
    assert marks["practice"] is True
    assert (marks["coordinate_space"], marks["unit"]) == ("RAS", "mm")
    assert {
        "nasion",
        "inion",
        "left_preauricular",
        "right_preauricular",
        "bregma",
        "vertex",
        "left_pupil",
        "right_pupil",
    } == set(marks["landmarks"])
    truth = json.loads(files["x.truth.json"])
    hu = np.frombuffer(gzip.decompress(files["x.nii.gz"])[352:], "<i2")
    assert hashlib.sha256(hu.tobytes()).hexdigest() == truth["volume"]["voxels_sha256"]


def test_checksums() -> None:
    lines = (_FOLDER / "SHA256SUMS").read_text(encoding="utf-8").splitlines()
    names = {line.split("  ")[1] for line in lines}
    assert names == {
        f"{s}{e}" for s, _, _ in SAMPLES for e in (".nii.gz", ".landmarks.json", ".truth.json")
    }
    for line in lines:
        want, name = line.split("  ")
        assert hashlib.sha256((_FOLDER / name).read_bytes()).hexdigest() == want, name


@pytest.mark.parametrize(("stem", "name"), [(s, n) for s, n, _ in SAMPLES])
def test_samples_are_what_the_formulas_give(stem: str, name: str) -> None:
    path = _FOLDER / f"{stem}.nii.gz"
    assert path.stat().st_size < 4_000_000
    stored: dict[str, Any] = json.loads((_FOLDER / f"{stem}.truth.json").read_text())
    volume = stored.pop("volume")
    head = build(named_spec(name))
    again = head.truth()
    assert rounded(again) == stored
    marks = json.loads((_FOLDER / f"{stem}.landmarks.json").read_text(encoding="utf-8"))
    assert marks == rounded(landmark_dict(again))

    image = nibabel.load(path)
    hu = np.asanyarray(image.dataobj)
    assert list(hu.shape) == volume["shape"]
    data = hu.astype("<i2").tobytes(order="F")
    assert hashlib.sha256(data).hexdigest() == volume["voxels_sha256"]
    assert image.header["descrip"].item().decode() == PRACTICE
    # a part round one site, rendered again without noise
    world = image.affine.astype(float)
    at = np.linalg.inv(world) @ np.append(stored["sides"]["left"]["outer_table_mm"], 1.0)
    lo = np.maximum(np.rint(at[:3]).astype(int) - 12, 0)
    hi = np.minimum(lo + 24, hu.shape)
    grid = GridSpec(shape=hu.shape, world_from_index=world).cropped(tuple(lo), tuple(hi))
    quiet, _ = head.render(grid, Scanner(fwhm_mm=0.9, noise_hu=0.0))
    part = hu[lo[0] : hi[0], lo[1] : hi[1], lo[2] : hi[2]].astype(float)
    inside = quiet > -800
    diff = (part - quiet)[inside]
    assert abs(diff.mean()) < 2.0
    assert 8.0 < np.percentile(np.abs(diff), 68) < 16.0  # the noise, with its steps of 8


def test_the_samples_show_the_nose_and_the_back_of_the_head() -> None:
    for stem, _, _ in SAMPLES:
        marks = json.loads((_FOLDER / f"{stem}.landmarks.json").read_text())["landmarks"]
        image = nibabel.load(_FOLDER / f"{stem}.nii.gz")
        inverse = np.linalg.inv(image.affine)
        for name, p in marks.items():
            index = (inverse @ np.append(p, 1.0))[:3]
            assert (index > 2).all(), (stem, name)
            assert (index < np.array(image.shape) - 3).all(), (stem, name)
