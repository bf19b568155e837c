"""``entrypoint draw``: files, one or many, and what is refused before any work."""

from __future__ import annotations

import pytest

from entrypoint.cli.app import main
from entrypoint.io.record import write_plan


@pytest.fixture
def run(capsys):
    def call(*arguments):
        code = main([str(a) for a in arguments])
        said = capsys.readouterr()
        assert "Traceback" not in said.out + said.err
        return code, said.out, said.err

    return call


@pytest.fixture
def record(adult, tmp_path):
    return write_plan(adult.plan, tmp_path / "plan.json")


def test_one_picture_into_one_file(run, adult, record, tmp_path):
    out = tmp_path / "p.svg"
    code, said, err = run("draw", record, "--volume", adult.path, "--view", "profile", "--side",
                          "left", "--out", out, "--size", "120", "--ground", "dark",
                          "--labels", "short", "--dpi", "60")  # fmt: skip
    assert (code, err) == (0, "")
    assert said == "p.svg\n"
    text = out.read_text(encoding="utf-8")
    assert "PATIENT'S LEFT" in text
    width = float(text.split('width="')[1].split("pt")[0])
    assert width / 72.0 * 25.4 == pytest.approx(120.0, abs=0.1)
    again = run("draw", record, "--volume", adult.path, "--view", "profile", "--side", "left",
                "--out", out)  # fmt: skip
    assert again[0] == 3
    assert "exists already" in again[2]


def test_without_a_volume_a_folder_gets_the_tapes_and_says_what_is_missing(run, record, tmp_path):
    folder = tmp_path / "out"
    folder.mkdir()
    code, said, err = run("draw", record, "--out", folder, "--format", "pdf")
    assert code == 0
    assert said == "tape.pdf\n"
    assert [p.name for p in folder.iterdir()] == ["tape.pdf"]
    assert err.count("Not drawn: ") == 9
    code, _, err = run("draw", record, "--out", folder, "--view", "section")
    assert code == 3
    assert "without its volume" in err


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["--out", "a.jpg", "--view", "tape"], 2, ".png"),
        (["--out", "a.png"], 2, "--view"),
        (["--out", "a.png", "--view", "section"], 2, "--side"),
        (["--out", "a.png", "--view", "tape", "--size", "5"], 2, "--size"),
        (["--out", "a.png", "--view", "tape", "--size", "wide"], 2, "--size"),
        (["--out", "a.png", "--view", "tape", "--size", "1500", "--dpi", "600"], 2, "--size"),
        (["--out", "a.png", "--view", "tape", "--dpi", "5"], 2, "--dpi"),
        (["--out", "none/a.png", "--view", "tape"], 3, "folder"),
    ],
)
def test_refused_before_any_work(run, record, tmp_path, monkeypatch, arguments, code, words):
    monkeypatch.chdir(tmp_path)
    got, out, err = run("draw", record, *arguments)
    assert got == code
    assert words in err
    assert not out
    assert [p.name for p in tmp_path.iterdir()] == [record.name]


def test_another_volume_and_what_is_no_plan_are_refused(run, record, small_head, tmp_path):
    code, _, err = run("draw", record, "--volume", small_head.path, "--view", "tape", "--out",
                       tmp_path / "a.png")  # fmt: skip
    assert code == 3
    assert "not the one that the plan was made from" in err
    assert run("draw", tmp_path / "none.json", "--out", tmp_path)[0] == 3
