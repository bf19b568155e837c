"""DICOM on the command line: listing, converting, choosing, and mistakes."""

from __future__ import annotations

import json

import jsonschema
import pytest

from entrypoint.cli.app import main
from entrypoint.io.nifti import read_nifti
from entrypoint.io.schema import schema
from entrypoint.planning.model import CAVEAT
from tests.conftest import SAMPLES
from tests.io.dicom_series import SERIES, head_slices, save

ONE_LINE = " ".join(CAVEAT.split())


@pytest.fixture
def two(tmp_path):
    """A folder of two series that the rule cannot tell apart."""
    folder = save(tmp_path / "two", head_slices())
    return save(folder, head_slices(series=SERIES + ".2", number=2), seed=2)


def said(capsys):
    out, err = capsys.readouterr()
    return " ".join(out.split()), err


def test_inspect_lists_the_series_also_where_none_is_chosen(two, tmp_path, capsys):
    assert main(["inspect", str(two)]) == 3
    out, err = said(capsys)
    assert ONE_LINE in out
    assert "1 CT, original, primary, axial, 32 slices" in out
    assert "2 CT, original, primary, axial, 32 slices" in out
    assert "leaves more than one series" in err
    assert "Traceback" not in err
    record = tmp_path / "out.json"
    assert main(["inspect", str(two), "--series", "2", "--json", str(record)]) == 0
    found = json.loads(record.read_text(encoding="utf-8"))
    assert [s["number"] for s in found["series"]] == [1, 2]
    assert found["facts"]["world_matrix_from"] == "dicom"


def test_convert_and_its_mistakes(two, tmp_path, capsys):
    target = tmp_path / "out.nii.gz"
    assert main(["convert", str(two), str(target), "--series", "1"]) == 0
    assert ONE_LINE in said(capsys)[0]
    assert read_nifti(target).volume.shape == (36, 44, 32)
    for words, code in (
        (["convert", str(two), str(target), "--series", "1"], 3),  # exists
        (["convert", str(two), str(tmp_path / "x.mha"), "--series", "1"], 2),
        (["convert", str(two), str(tmp_path / "x.nii")], 3),  # which of two
        (["convert", str(target), str(target), "--force"], 3),  # onto itself
        (["convert", str(target), str(tmp_path / "y.nii"), "--series", "1"], 3),
        (["convert", str(two), "--dicom", str(tmp_path / "z"), "--series", "1"], 3),  # no practice
        (["plan", str(target), "--series", "1"], 2),
        (["plan", "--series", "1"], 2),
    ):
        assert main(words) == code, words
        out, err = capsys.readouterr()
        assert not out
        assert err.count("\n") == 1
        assert "Traceback" not in err
    assert not (tmp_path / "z").exists()


def test_a_practice_head_to_a_series_and_back(tmp_path, capsys):
    folder, back = tmp_path / "series", tmp_path / "back.nii"
    source = SAMPLES / "adult.nii.gz"
    assert main(["convert", str(source), "--dicom", str(folder)]) == 0
    assert "NOT A PATIENT" in said(capsys)[0]
    assert main(["convert", str(source), "--dicom", str(folder)]) == 3
    assert main(["convert", str(source), "--dicom", str(folder), "--force"]) == 0
    (folder / "mine.txt").write_text("x")
    assert main(["convert", str(source), "--dicom", str(folder), "--force"]) == 3
    assert (folder / "mine.txt").read_text(encoding="utf-8") == "x"
    assert main(["convert", str(folder), str(back)]) == 0
    again = read_nifti(back)
    assert again.sha256 == read_nifti(source).sha256
    assert again.practice
    capsys.readouterr()
    assert main(["plan", str(folder), "--side", "right", "--json", "-"]) in (0, 1)
    record = json.loads(capsys.readouterr().out)
    jsonschema.validate(record, schema())
    assert record["practice"]
    assert record["input"]["sha256"] == again.sha256
