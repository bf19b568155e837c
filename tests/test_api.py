"""The Python API does what the command line does, in a few lines."""

from __future__ import annotations

import json

import numpy as np
import pytest

import entrypoint
from entrypoint import FieldRefused, Rule, Side, UnitRefused
from entrypoint.cli.app import main
from tests.cli.test_commands import POINTS
from tests.io.make import head_hu, nifti1, write


@pytest.fixture
def marks(tmp_path):
    path = tmp_path / "marks.json"
    path.write_text(json.dumps({"coordinate_space": "RAS", "unit": "mm", "landmarks": POINTS}))
    return path


def test_a_few_lines_do_what_the_command_does(marks, capsys, tmp_path):
    plan = entrypoint.plan_landmarks(marks, sides=["right"])
    assert list(plan.sides) == [Side.RIGHT]
    assert main(["plan", str(marks), "--side", "right"]) == 0
    assert capsys.readouterr().out == entrypoint.plan_text(plan)
    path = entrypoint.write_plan(plan, tmp_path / "plan.json")
    again = entrypoint.read_plan(path)
    assert again.input.sha256 == plan.input.sha256
    assert main(["plan", str(marks), "--side", "right", "--json", "-"]) == 0
    assert capsys.readouterr().out == path.read_text(encoding="utf-8")


def test_name_of_the_file_and_order_of_runs_do_not_matter(marks, tmp_path):
    first = entrypoint.plan_text(entrypoint.plan_landmarks(marks))
    other = tmp_path / "another name.csv"
    rows = "".join(f"{n},{x},{y},{z}\n" for n, (x, y, z) in reversed(POINTS.items()))
    other.write_text(f"# coordinate_space: RAS\n# unit: mm\nname,x,y,z\n{rows}")
    entrypoint.plan_tape({"nasion_inion_mm": 350.0})
    assert entrypoint.plan_text(entrypoint.plan_landmarks(other)) == first


def test_practice_follows_the_input(tmp_path):
    data = {"coordinate_space": "RAS", "unit": "mm", "landmarks": POINTS, "practice": True}
    path = tmp_path / "a.json"
    path.write_text(json.dumps(data))
    plan = entrypoint.plan_landmarks(path)
    assert plan.practice
    assert "PRACTICE HEAD, NOT A PATIENT" in entrypoint.plan_text(plan)


def test_what_cannot_be_meant_is_refused():
    with pytest.raises(FieldRefused, match=r"idline_arc_mm is 11 mm.*110 mm\?"):
        entrypoint.plan_tape(rule=Rule(midline_arc_mm=11.0))
    with pytest.raises(FieldRefused, match="nterpupillary_mm"):
        entrypoint.plan_tape({"interpupillary_mm": 640.0})
    with pytest.raises(FieldRefused, match="measure named"):
        entrypoint.plan_tape({"nasion_inion": 360.0})
    with pytest.raises(FieldRefused, match="name the patient's side"):
        entrypoint.plan_tape(sides=["up"])
    with pytest.raises(FieldRefused, match="name the patient's side"):
        entrypoint.plan_tape(sides=[])
    for label in ("", "x" * 41, "a\x1bb"):
        with pytest.raises(FieldRefused, match="label"):
            entrypoint.plan_tape(label=label)


def test_one_side_by_its_word(marks):
    assert list(entrypoint.plan_landmarks(marks, sides="left").sides) == [Side.LEFT]


def test_a_surface_needs_its_unit(tmp_path):
    with pytest.raises(UnitRefused):
        entrypoint.read_surface(tmp_path / "a.stl", unit="inch", space="RAS")


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 0, 1)])
def test_a_ball_is_no_head_and_is_never_answered_silently(tmp_path, order):
    # Bone in a scalp, but no face, no suture and no neck.
    hu = head_hu((120, 140, 116)).transpose(order)
    matrix = np.eye(4)
    matrix[:3, :3] = np.diag([1.6, 1.6, 1.7])[:, list(order)]
    path = write(tmp_path / "ball.nii.gz", nifti1(hu, matrix, zipped=True))
    code = main(["plan", str(path), "--json", str(tmp_path / "plan.json")])
    if code in (3, 4):
        assert not (tmp_path / "plan.json").exists()
        return
    assert code in (0, 1)
    plan = entrypoint.read_plan(tmp_path / "plan.json")
    warned = {f.code for f in plan.findings if f.level is not entrypoint.Level.NOTE}
    assert warned & {"nasion-shallow", "landmark-doubtful"}
    for side in plan.sides.values():
        assert "suture-not-visible" in {f.code for f in side.findings}
