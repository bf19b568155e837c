"""``entrypoint after`` from the outside: what it refuses before it looks at anything."""

from __future__ import annotations

import pytest

from entrypoint.cli.app import main
from tests.conftest import SAMPLES

SCAN = str(SAMPLES / "adult.nii.gz")


@pytest.fixture
def plan(tmp_path, capsysbinary):
    out = tmp_path / "plan.json"
    assert main(["plan", "--nasion-inion-mm", "360", "--side", "right", "--json", str(out)]) == 0
    capsysbinary.readouterr()
    return str(out)


@pytest.mark.parametrize(
    ("words", "code", "hint"),
    [
        ([SCAN, "--side", "right"], 2, "--plan"),
        ([SCAN, "--plan", "PLAN"], 2, "--side"),
        ([SCAN, "--plan", "PLAN", "--side", "both"], 2, "--side"),
        ([SCAN, "--plan", SCAN, "--side", "right"], 3, "too large"),
        ([SCAN, "--plan", "PLAN", "--side", "right", "--json", "PLAN"], 3, "exists already"),
        ([SCAN, "--plan", "PLAN", "--side", "right", "--json", "PLAN", "--force"], 3,
         "written over the input"),
        (["PLAN", "--plan", "PLAN", "--side", "right"], 3, "NIfTI"),
        ([SCAN, "--plan", "PLAN", "--side", "right", "--before", SCAN], 3,
         "is not the one that the plan was made on"),
    ],
)  # fmt: skip
def test_what_is_refused(plan, capsysbinary, words, code, hint):
    assert main(["after", *(plan if w == "PLAN" else w for w in words)]) == code
    _, err = capsysbinary.readouterr()
    assert hint in err.decode()


def test_its_schema_is_printed(capsysbinary):
    for record in ("after", "log"):
        assert main(["schema", record]) == 0
        out, _ = capsysbinary.readouterr()
        assert f'"entrypoint.{record}"'.encode() in out
