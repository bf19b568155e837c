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

    def files(
        head: Head, grid: GridSpec, scanner: Scanner, stem: str, *, stored_as: str
    ) -> dict[str, bytes]:
        text = f"{head.spec} {grid} {scanner.noise_hu} {stored_as}".encode()
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
    truth = json.loads((out / "small-burr-hole.truth.json").read_text(encoding="utf-8"))
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
    with pytest.raises(FieldRefused, match="no field of view named"):
        _run("adult", "--field", "nothing", "--out", str(tmp_path))
    with pytest.raises(FieldRefused, match="no way of storing named"):
        _run("adult", "--stored-as", "nothing", "--out", str(tmp_path))
    with pytest.raises(FieldRefused, match="cannot be planted in one head"):
        _run("adult", "--with", "thin", "--with", "thick", "--out", str(tmp_path / "none"))
    assert not (tmp_path / "none").exists()
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputRefused, match="is a file"):
        _run("adult", "--out", str(tmp_path / "file"))
    for words in (("adult",), (), ("adult", "--list"), ("--random", "2")):
        assert CliRunner().invoke(_APP, list(words)).exit_code == 2, words


def test_list_names_everything() -> None:
    from entrypoint.phantoms import CONDITIONS, FIELDS, STORAGE, names

    text = _run("--list")
    for name in (*names(), *CONDITIONS, *FIELDS):
        assert f"  {name}" in text
    for name in STORAGE:
        assert name.startswith("axes-") or f"  {name}\n" in text
    assert "  bolt (side drawn from the seed)\n" in text
    assert "  bandage\n" in text


@pytest.mark.usefixtures("quick")
def test_the_sides_that_were_drawn_are_told(tmp_path: Path) -> None:
    words = ("--with", "bolt", "--with", "bandage", "--with", "midline-shift", "--out")
    said = {}
    for seed in range(8):
        out = tmp_path / str(seed)
        text = _run("adult", *words, str(out), "--seed", str(seed))
        made = next(out.glob("*.json")).read_text(encoding="utf-8")
        for side in ("right", "left"):
            assert (f"bolt: PATIENT'S {side.upper()}" in text) == (f"Bolt(side='{side}'" in made)
        assert "midline-shift: PATIENT'S" in text
        assert "bandage:" not in text
        said[text] = seed
    assert len(said) > 1


@pytest.mark.usefixtures("quick")
def test_field_of_view_and_storage_are_taken(tmp_path: Path) -> None:
    made = []
    for k, words in enumerate(([], ["--field", "no-vertex"], ["--stored-as", "float32"])):
        _run("adult", "--out", str(tmp_path / str(k)), *words)
        made.append((tmp_path / str(k) / "adult.nii.gz").read_bytes())
    assert len(set(made)) == 3
    assert b"float32" in made[2]
