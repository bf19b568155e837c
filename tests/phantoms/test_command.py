"""``entrypoint phantom``."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from entrypoint.cli.phantom import phantom
from entrypoint.errors import FieldRefused, OutputRefused
from entrypoint.phantoms import GridSpec, Head, Scanner

_ENDS = (".landmarks.json", ".nii.gz", ".truth.json")
_APP = typer.Typer()
_APP.command("phantom")(phantom)


def _run(*words: str) -> str:
    result = CliRunner().invoke(_APP, list(words), catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.output


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Files that hold the head's parameters: the picture has tests of its own."""

    def files(head: Head, grid: GridSpec, scanner: Scanner, stem: str) -> dict[str, bytes]:
        text = f"{head.spec} {grid.spacing_mm} {scanner.noise_hu}".encode()
        return {f"{stem}{end}": text for end in _ENDS}

    monkeypatch.setattr("entrypoint.phantoms.head_files", files)


def test_a_named_head_with_a_condition(tmp_path: Path) -> None:
    out = tmp_path / "new" / "folder"
    _run(
        "small",
        "--with",
        "burr-hole",
        "--out",
        str(out),
        "--voxel-mm",
        "3",
        "--slice-mm",
        "3",
        "--seed",
        "5",
    )
    assert {p.name for p in out.iterdir()} == {f"small-burr-hole{e}" for e in _ENDS}
    truth = json.loads((out / "small-burr-hole.truth.json").read_text())
    assert truth["practice"] is True
    assert truth["seed"] == 5
    assert truth["conditions"][0]["code"] == "missing_bone"


@pytest.mark.usefixtures("quick")
def test_nothing_is_replaced_unless_asked(tmp_path: Path) -> None:
    words = ("adult", "--out", str(tmp_path))
    _run(*words)
    before = (tmp_path / "adult.truth.json").read_bytes()
    with pytest.raises(OutputRefused, match="exists already"):
        _run(*words, "--voxel-mm", "0.9")
    assert (tmp_path / "adult.truth.json").read_bytes() == before
    _run(*words, "--voxel-mm", "0.9", "--force")
    assert (tmp_path / "adult.truth.json").read_bytes() != before


@pytest.mark.usefixtures("quick")
def test_random_heads_are_a_prefix_of_more(tmp_path: Path) -> None:
    _run("--random", "2", "--out", str(tmp_path / "a"), "--seed", "2")
    _run("--random", "4", "--out", str(tmp_path / "b"), "--seed", "2")
    _run("--random", "2", "--out", str(tmp_path / "c"), "--seed", "3")
    made = {}
    for folder in "abc":
        made[folder] = [p.read_bytes() for p in sorted((tmp_path / folder).glob("*.nii.gz"))]
    assert made["a"] == made["b"][:2]
    assert len(set(made["b"])) == 4
    assert not set(made["a"]) & set(made["c"])


def test_refusals(tmp_path: Path) -> None:
    with pytest.raises(FieldRefused, match="no practice head named"):
        _run("nobody", "--out", str(tmp_path))
    with pytest.raises(FieldRefused, match="no condition named"):
        _run("adult", "--with", "nothing", "--out", str(tmp_path))
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputRefused, match="is a file"):
        _run("adult", "--out", str(tmp_path / "file"))
    for words in (("adult",), (), ("adult", "--list"), ("--random", "2")):
        assert CliRunner().invoke(_APP, list(words)).exit_code == 2, words


def test_list_names_everything() -> None:
    from entrypoint.phantoms import CONDITIONS, names

    text = _run("--list")
    for name in (*names(), *CONDITIONS):
        assert name in text
