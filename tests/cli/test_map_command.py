"""``entrypoint map``: everything at once, and what is refused before any work."""

from __future__ import annotations

import json
import shutil

import jsonschema
import nibabel
import numpy as np
import pytest

from entrypoint.cli.app import main
from entrypoint.io.site_map_record import map_schema
from entrypoint.planning.model import CAVEAT
from tests.conftest import SAMPLES

ADULT = SAMPLES / "adult.nii.gz"


@pytest.fixture
def run(capsys):
    def call(*arguments):
        code = main([str(a) for a in arguments])
        said = capsys.readouterr()
        assert "Traceback" not in said.out + said.err
        return code, said.out, said.err

    return call


def test_record_arrays_labels_and_text_of_one_run(run, tmp_path):
    json_path, npz, nii = tmp_path / "m.json", tmp_path / "m.npz", tmp_path / "m.nii.gz"
    code, out, err = run("map", ADULT, "--json", json_path, "--arrays", npz, "--labels", nii,
                         "--hand", "--side", "right")  # fmt: skip
    assert code == 0
    assert not err
    said = " ".join(out.split())
    assert said.startswith(CAVEAT)
    assert said.endswith(CAVEAT)
    assert "A hand adds to the place of the mark" in said
    assert "11 cm and mid-pupillary" in said
    assert "The rule: 11 cm and 3 cm" in said
    record = json.loads(json_path.read_text(encoding="utf-8"))
    jsonschema.validate(record, map_schema())
    assert record["practice"]
    assert list(record["sides"]) == ["right"]
    side = record["sides"]["right"]
    with np.load(npz) as kept:
        assert kept["right_skull_mm"].shape == (61, 36)
        assert "left_skull_mm" not in kept
        inside = kept["right_label"] >= 2
    image, given = nibabel.load(nii), nibabel.load(ADULT)
    assert image.shape == given.shape
    np.testing.assert_allclose(image.affine, given.affine, atol=1e-4)
    labels = np.asanyarray(image.dataobj)
    assert set(np.unique(labels)) <= {0, 1, 2, 3}
    assert np.count_nonzero(labels == 3) > 1000
    shares = {limit["margin"]: limit["share_broken"] for limit in side["limits"]}
    assert 1.0 - inside.mean() == pytest.approx(shares["suture"], abs=0.02)


def test_the_schema_of_the_map_is_printed(run):
    code, out, _ = run("schema", "map")
    assert code == 0
    assert json.loads(out) == map_schema()
    assert run("schema", "nothing")[0] == 2


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["--arrays", "m.npy"], 2, ".npz"),
        (["--labels", "m.nrrd"], 2, ".nii"),
        (["--suture-margin-mm", "600"], 2, "--suture-margin-mm"),
        (["--adult", "--child"], 2, "--child"),
        (["--labels", "copy.nii.gz"], 3, "exists already"),
        (["--labels", "copy.nii.gz", "--force"], 3, "over the input"),
    ],
)
def test_refused_before_any_work(run, tmp_path, monkeypatch, arguments, code, words):
    shutil.copy(ADULT, tmp_path / "copy.nii.gz")
    monkeypatch.chdir(tmp_path)
    before = (tmp_path / "copy.nii.gz").read_bytes()
    got, out, err = run("map", "copy.nii.gz", *arguments)
    assert got == code
    assert words in err
    assert not out
    assert (tmp_path / "copy.nii.gz").read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["copy.nii.gz"]


def test_what_is_no_volume_is_refused(run, tmp_path):
    path = tmp_path / "a.nii"
    path.write_text("nothing")
    assert run("map", path)[0] == 3
    assert run("map", tmp_path / "none.nii.gz")[0] == 3
