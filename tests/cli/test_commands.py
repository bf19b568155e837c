"""The command line: exit codes, where output goes, and that a user's mistake shows no traceback."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import jsonschema
import pytest
import trimesh

from entrypoint import __version__
from entrypoint.cli import plan as plan_command
from entrypoint.cli.app import main
from entrypoint.io.schema import schema
from entrypoint.planning.model import CAVEAT, Level
from tests.io.make import head_hu, nifti1, write
from tests.report.plans import ct_plan, tape_plan

# Template positions, check row 2.5 (standard_1020 of the package mne), mm RAS.
POINTS = {
    "nasion": [0.0083, 86.8110, -39.9830],
    "inion": [0.0045, -118.5650, -23.0780],
    "left_preauricular": [-86.0761, -19.9897, -47.9860],
    "right_preauricular": [85.7939, -20.0093, -48.0310],
    "vertex": [0.4009, -9.1670, 100.2440],
}


@pytest.fixture
def landmark_file(tmp_path):
    path = tmp_path / "landmarks.json"
    path.write_text(json.dumps({"coordinate_space": "RAS", "unit": "mm", "landmarks": POINTS}))
    return str(path)


@pytest.fixture
def run(capsys):
    def call(*arguments):
        code = main([str(a) for a in arguments])
        said = capsys.readouterr()
        assert "Traceback" not in said.out + said.err
        return code, said.out, said.err

    return call


def flat(text):
    return " ".join(text.split())


def test_tape_alone_with_no_measure_and_with_some(run):
    for arguments in (
        [],
        ["--nasion-inion-mm", 366],
        ["--circumference-mm", 570, "--tragus-tragus-mm", 360, "--side", "left"],
        ["--lateral", "mid-pupillary", "--interpupillary-mm", 64],
        ["--lateral", "25"],
    ):
        code, out, err = run("plan", *arguments)
        assert code == 0, err
        assert flat(out).startswith(CAVEAT)
        assert flat(out).endswith(CAVEAT)
        assert "NOT KNOWN WITHOUT A SCAN" in out
        assert err == ""


def test_landmarks_and_scalp_surface(run, landmark_file, tmp_path):
    code, out, _ = run("plan", landmark_file, "--side", "right")
    assert code == 0
    assert "PATIENT'S RIGHT" in out
    assert "PATIENT'S LEFT" not in out
    ball = trimesh.creation.icosphere(subdivisions=4, radius=90.0)
    ball.export(tmp_path / "scalp.stl")
    points = {
        "nasion": [0.0, 85.0, -29.6],
        "inion": [0.0, -85.0, -29.6],
        "left_preauricular": [-85.0, 0.0, -29.6],
        "right_preauricular": [85.0, 0.0, -29.6],
        "vertex": [0.0, 0.0, 90.0],
    }
    marks = tmp_path / "ball.json"
    marks.write_text(json.dumps({"coordinate_space": "RAS", "unit": "mm", "landmarks": points}))
    surface = tmp_path / "scalp.stl"
    code, out, err = run("plan", surface, "--landmarks", marks, "--unit", "mm", "--json", "-")
    assert code == 0, err
    record = json.loads(out)
    jsonschema.Draft202012Validator(schema()).validate(record)
    assert record["input"]["kind"] == "scalp"
    code, _, err = run("plan", surface, "--landmarks", marks)
    assert (code, "--unit" in err) == (3, True)
    code, _, err = run("plan", surface)
    assert (code, "--landmarks" in err) == (2, True)


def test_json_goes_to_a_file_or_alone_to_standard_output(run, tmp_path):
    path = tmp_path / "plan.json"
    code, out, _ = run("plan", "--json", path)
    assert code == 0
    assert "FIGURES" in out
    written = path.read_text(encoding="utf-8")
    assert json.loads(written)["record"] == "entrypoint.plan"
    code, out, err = run("plan", "--json", "-")
    assert code == 0
    assert out == written
    assert err == ""
    code, out, err = run("plan", "--json", path)
    assert code == 3
    assert "--force" in err
    assert out == ""
    assert run("plan", "--json", path, "--force")[0] == 0
    code, _, err = run("plan", "--json", tmp_path)
    assert (code, "directory" in err) == (3, True)
    code, _, err = run("plan", "--json", tmp_path / "no" / "plan.json")
    assert (code, "folder" in err) == (3, True)


def test_label_names_the_plan_and_file_names_never_do(run, landmark_file):
    _, out, _ = run("plan", landmark_file, "--json", "-")
    assert "landmarks.json" not in out
    _, out, _ = run("plan", landmark_file, "--label", "  bed   7 ", "--json", "-")
    assert json.loads(out)["input"]["name"] == "bed 7"
    code, _, err = run("plan", "--label", "x" * 41)
    assert (code, "label" in err) == (3, True)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--side", "up"], "up"),
        (["--stop-seats-on", "skin"], "skin"),
        (["--midline-arc-mm", "11"], "40 to 200 mm (110 mm?)"),
        (["--lateral-arc-mm", "300"], "5 to 80 mm (30 mm?)"),
        (["--lateral", "x"], "neither"),
        (["--lateral", "30", "--lateral-arc-mm", "30"], "one of"),
        (["--interpupillary-mm", "640"], "(64 mm?)"),
        (["--circumference-mm", "57.0"], "(570 mm?)"),
        (["--sensor-depth-mm", "nan"], "cannot be meant"),
        (["--sensor-depth-mm", "inf"], "cannot be meant"),
        (["--drill-allowance-mm", "-1"], "0 to 5 mm"),
        (["--adult", "--child"], "--child"),
        (["--bogus"], "--bogus"),
    ],
)
def test_usage_mistakes_end_with_2_and_one_line(run, arguments, words):
    code, out, err = run("plan", *arguments)
    assert code == 2
    assert out == ""
    assert words in err
    assert err.count("\n") == 1


def test_refused_inputs_end_with_3_and_one_line(run, tmp_path, landmark_file):
    for content, words in (
        (b"", "empty"),
        (b"%PDF", "PDF"),
        (nifti1(head_hu())[:3000], "more than a file"),
        (nifti1(head_hu(), sform=0), "no orientation"),
        (nifti1(head_hu() * 0.1 + 300, kind="f4"), "not HU"),
        (b'{"unit": "mm", "landmarks": {}}', "coordinate_space"),
    ):
        path = write(tmp_path / "name_of_a_person", content)
        code, out, err = run("plan", path)
        assert code == 3, err
        assert words in err
        assert out == ""
        assert err.count("\n") == 1
        assert "name_of_a_person" not in err
    assert run("plan", tmp_path)[0] == 3
    assert run("plan", tmp_path / "none")[0] == 3
    assert run("plan", landmark_file, "--landmarks", landmark_file)[0] == 2
    assert run("plan", landmark_file, "--nasion-inion-mm", 360)[0] == 2
    code, out, _ = run("plan", "--json", "-")
    path = write(tmp_path / "plan.json", out.encode())
    assert run("plan", path)[0] == 2


@pytest.mark.parametrize("level", list(Level))
def test_a_stop_finding_ends_with_1(run, monkeypatch, level):
    made = tape_plan()
    found = ct_plan().sides["right"].findings[0]
    import dataclasses

    made = dataclasses.replace(made, findings=(dataclasses.replace(found, level=level),))
    monkeypatch.setattr(plan_command, "_make", lambda *_: made)
    code, out, _ = run("plan")
    assert code == (1 if level is Level.STOP else 0)
    assert "FIGURES" in out


def test_inspect(run, tmp_path, landmark_file):
    path = write(tmp_path / "a.nii.gz", nifti1(head_hu(), unit=0, zipped=True))
    code, out, err = run("inspect", path)
    assert code == 0, err
    assert flat(out).startswith(CAVEAT)
    assert flat(out).endswith(CAVEAT)
    assert "36 x 44 x 32 voxels" in out
    assert "no length unit" in flat(out)
    code, out, _ = run("inspect", path, "--json", "-")
    found = json.loads(out)
    assert found["caveat"] == CAVEAT
    assert found["shape"] == [36, 44, 32]
    assert found["stored_axes_run"] == ["right", "front", "top"]
    code, _, err = run("inspect", landmark_file)
    assert (code, "landmarks" in err) == (3, True)
    target = tmp_path / "out.json"
    assert run("inspect", path, "--json", target)[0] == 0
    assert run("inspect", path, "--json", target)[0] == 3


def test_inspect_marks_a_practice_head(run, tmp_path):
    path = write(tmp_path / "a.nii", nifti1(head_hu(), descrip=b"entrypoint practice head"))
    _, out, _ = run("inspect", path)
    assert out.count("PRACTICE HEAD, NOT A PATIENT") == 2


def test_explain_and_schema_and_version(run):
    code, out, _ = run("explain", "suture-margin")
    assert code == 0
    assert "WHERE THE LIMIT COMES FROM" in out
    code, out, _ = run("explain")
    assert code == 0
    assert "suture-margin" in out
    code, _, err = run("explain", "suture-margn")
    assert (code, "suture-margin" in err, err.count("\n")) == (2, True, 1)
    code, out, _ = run("schema")
    jsonschema.Draft202012Validator.check_schema(json.loads(out))
    assert run("--version")[1].strip() == f"entrypoint {__version__}"


def test_an_error_of_the_program_shows_no_traceback(run, monkeypatch):
    def broken(*_):
        raise ZeroDivisionError("x")

    monkeypatch.setattr(plan_command, "_make", broken)
    code, out, err = run("plan")
    assert (code, out) == (70, "")
    assert "ENTRYPOINT_DEBUG" in err
    monkeypatch.setenv("ENTRYPOINT_DEBUG", "1")
    with pytest.raises(ZeroDivisionError):
        main(["plan"])


@pytest.mark.parametrize(("error", "code"), [(KeyboardInterrupt(), 130), (MemoryError(), 3)])
def test_stopped_and_out_of_memory(run, monkeypatch, error, code):
    def broken(*_):
        raise error

    monkeypatch.setattr(plan_command, "_make", broken)
    found, _, err = run("plan")
    assert found == code
    assert err.count("\n") == 1


def process(*arguments, **options):
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    return subprocess.Popen(
        [sys.executable, "-m", "entrypoint", *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=environment,
        **options,
    )


def test_a_reader_that_leaves_early_is_no_error():
    with process("schema") as child:
        child.stdout.close()
        assert child.stderr.read() == b""
        assert child.wait(20) == 0


def test_output_is_utf8_whatever_the_locale():
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path), "LC_ALL": "C"}
    environment |= {"PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"}
    done = subprocess.run(
        [sys.executable, "-m", "entrypoint", "plan"],
        capture_output=True,
        env=environment,
        timeout=30,
        check=True,
    )
    assert "±" in done.stdout.decode("utf-8")
    assert done.stderr == b""  # nothing but the plan when piped: no progress
