"""``entrypoint teach``: its files, its forms, and what is refused before any work."""

from __future__ import annotations

import json

import pytest

from entrypoint.cli.app import main
from entrypoint.cli.teach import Figure
from entrypoint.figures.teach.plates import PLATES
from tests.conftest import SAMPLES

SCAN = SAMPLES / "small-head.nii.gz"


@pytest.fixture
def run(capsys):
    def call(*arguments):
        code = main([str(a) for a in arguments])
        said = capsys.readouterr()
        assert "Traceback" not in said.out + said.err
        return code, said.out, said.err

    return call


def test_the_command_knows_every_figure():
    assert [f.value for f in Figure] == [*PLATES, "all"]


def test_a_form_of_a_scan_with_its_answers_beside_it(run, tmp_path):
    words = ["teach", "converging-path", "--volume", SCAN, "--side", "left", "--blank",
             "--out", tmp_path, "--ground", "dark", "--size", "160", "--dpi", "60"]  # fmt: skip
    code, out, err = run(*words)
    assert (code, err) == (0, "")
    names = [f"converging-path-form.{ending}" for ending in ("svg", "png", "answers.json")]
    assert out.split() == names
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(names)
    told = json.loads((tmp_path / names[2]).read_text(encoding="utf-8"))
    assert told["practice"] is True
    svg = (tmp_path / names[0]).read_text(encoding="utf-8")
    assert "PATIENT'S LEFT" in svg
    assert told["title"] not in svg
    for answer in told["answers"]:
        assert answer["text"].split(" at ")[0] not in svg
    width = float(svg.split('width="')[1].split("pt")[0])
    assert width / 72.0 * 25.4 == pytest.approx(160.0, abs=0.1)
    code, _, err = run(*words)
    assert code == 3
    assert "exists already" in err


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["brain", "--out", "."], 2, "brain"),
        (["layers", "--out", "none"], 2, "--out"),
        (["layers"], 2, "--out"),
        (["layers", "--out", ".", "--volume", "a.nii.gz"], 2, "--side"),
        (["layers", "--out", ".", "--side", "both"], 2, "--side"),
        (["layers", "--out", ".", "--size", "2"], 2, "--size"),
        (["layers", "--out", ".", "--dpi", "1"], 2, "--dpi"),
        (["layers", "--out", ".", "--volume", "a.nii.gz", "--side", "left"], 3, "file"),
    ],
)
def test_refused_before_any_work(run, tmp_path, monkeypatch, arguments, code, words):
    monkeypatch.chdir(tmp_path)
    got, out, err = run("teach", *arguments)
    assert got == code
    assert words in err
    assert not out
    assert not list(tmp_path.iterdir())
