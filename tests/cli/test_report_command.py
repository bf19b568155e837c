"""``entrypoint report``: one page into one file, and what is refused before any work."""

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
        code = main(["report", *(str(a) for a in arguments)])
        said = capsys.readouterr()
        assert "Traceback" not in said.out + said.err
        return code, said.out, said.err

    return call


@pytest.fixture
def record(tmp_path):
    plan = api.plan_tape({"nasion_inion_mm": 350.0}, rule=Rule())
    stop = Finding(code="side-not-measured", level=Level.STOP, text="nothing was measured")
    left = replace(plan.sides[Side.LEFT], findings=(stop,), tapes=None)
    return write_plan(replace(plan, sides={**plan.sides, Side.LEFT: left}), tmp_path / "p.json")


def test_a_page_is_written_once_and_a_stop_is_told_by_the_exit_code(run, record, tmp_path):
    assert run(record, "--side", "right", "--out", "a.html") == (0, "a.html\n", "")
    content = (tmp_path / "a.html").read_bytes()
    assert content.startswith(b"<!doctype html>")
    assert b"PATIENT&#39;S RIGHT" in content
    code, out, err = run(record, "--side", "right", "--out", "a.html")
    assert (code, out) == (3, "")
    assert "exists already" in err
    assert (tmp_path / "a.html").read_bytes() == content
    assert run(record, "--side", "left", "--out", "a.html", "--force")[:2] == (1, "a.html\n")


@pytest.mark.parametrize(
    ("typed", "code", "words"),
    [
        ([], 2, "--out"),
        (["--out", "a.pdf"], 2, ".html"),
        (["--adult", "--child", "--out", "a.html"], 2, "--child"),
        (["--stop-seats-on", "skin", "--out", "a.html"], 2, "--stop-seats-on"),
        (["--out", "none/a.html"], 3, "folder"),
        (["--volume", "none.nii.gz", "--out", "a.html"], 3, "no such file"),
    ],
)
def test_refused_before_any_work(run, record, tmp_path, typed, code, words):
    got, out, err = run(record, *typed)
    assert (got, out) == (code, "")
    assert words in err
    assert [p.name for p in tmp_path.iterdir()] == [record.name]


def test_what_is_no_plan_and_another_volume_are_refused(run, record, small_head, tmp_path):
    (tmp_path / "a.json").write_text("{}")
    assert run("a.json", "--out", "a.html")[0] == 3
    code, _, err = run(record, "--volume", small_head.path, "--out", "a.html")
    assert code == 3
    assert "made from tape input" in err
    assert not (tmp_path / "a.html").exists()
