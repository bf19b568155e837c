"""``entrypoint sheet``: one page into one file, and what has to be typed."""

from __future__ import annotations

from dataclasses import replace

import pytest

from entrypoint import Rule, Side, api
from entrypoint.cli.app import main
from entrypoint.io.record import write_plan
from entrypoint.planning.model import Finding, Level


@pytest.fixture
def run(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    def call(*arguments):
        code = main(["sheet", *(str(a) for a in arguments)])
        said = capsys.readouterr()
        assert "Traceback" not in said.out + said.err
        return code, said.out, said.err

    return call


@pytest.fixture
def plan():
    return api.plan_tape({"nasion_inion_mm": 350.0}, rule=Rule())


@pytest.fixture
def record(plan, tmp_path):
    return write_plan(plan, tmp_path / "plan.json")


def test_a_page_is_written_once(run, record, tmp_path):
    typed = (record, "--side", "right", "--adult", "--paper", "letter", "--out", "sheet.pdf")
    assert run(*typed) == (0, "sheet.pdf\n", "")
    content = (tmp_path / "sheet.pdf").read_bytes()
    assert content.startswith(b"%PDF")
    assert b"/MediaBox [ 0 0 612 792 ]" in content
    code, out, err = run(*typed)
    assert (code, out) == (3, "")
    assert "exists already" in err
    assert (tmp_path / "sheet.pdf").read_bytes() == content


def test_a_stop_finding_is_written_and_told_by_the_exit_code(run, plan, tmp_path):
    stop = Finding(code="side-not-measured", level=Level.STOP, text="nothing was measured")
    left = replace(plan.sides[Side.LEFT], findings=(stop,), tapes=None)
    record = write_plan(replace(plan, sides={**plan.sides, Side.LEFT: left}), tmp_path / "p.json")
    assert run(record, "--side", "left", "--adult", "--out", "a.pdf")[:2] == (1, "a.pdf\n")


@pytest.mark.parametrize(
    ("typed", "code", "words"),
    [
        (["--adult", "--out", "a.pdf"], 2, "--side"),
        (["--side", "both", "--adult", "--out", "a.pdf"], 2, "--side"),
        (["--side", "left", "--out", "a.pdf"], 3, "--adult or --child"),
        (["--side", "left", "--adult", "--child", "--out", "a.pdf"], 2, "--child"),
        (["--side", "left", "--adult", "--out", "a.png"], 2, ".pdf"),
        (["--side", "left", "--adult", "--out", "none/a.pdf"], 3, "folder"),
        (["--side", "left", "--adult", "--paper", "a5", "--out", "a.pdf"], 2, "--paper"),
    ],
)
def test_what_has_to_be_typed(run, record, tmp_path, typed, code, words):
    got, out, err = run(record, *typed)
    assert (got, out) == (code, "")
    assert words in err
    assert [p.name for p in tmp_path.iterdir()] == [record.name]


def test_what_is_no_plan_is_refused(run, tmp_path):
    (tmp_path / "a.json").write_text("{}")
    assert run("a.json", "--side", "left", "--adult", "--out", "a.pdf")[0] == 3
