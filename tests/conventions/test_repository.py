"""What is committed: no machine's paths, no registry's address, one version, every command told."""

from __future__ import annotations

import re
import subprocess
import tomllib
from pathlib import Path

import pytest

import entrypoint
from entrypoint.cli.app import app

ROOT = Path(entrypoint.__file__).parents[1]
SUFFIXES = {
    ".py", ".ipynb", ".toml", ".md", ".txt", ".json", ".csv", ".cfg", ".ini", ".yml", ".yaml",
    ".sh", ".html", ".js", ".css", "",
}  # fmt: skip
APART = {".git", "__pycache__", ".mypy_cache", ".ruff_cache", ".pytest_cache", ".hypothesis",
         ".venv", "build", "dist"}  # fmt: skip
TOP = {
    "DEVELOPERS.md", "LICENSE", "README.md", "entrypoint", "notebooks", "pyproject.toml",
    "requirements-test.txt", "requirements.txt", "sample_volumes", "tests",
}  # fmt: skip
# Written in pieces, so that this file does not hold what it looks for.
UNWANTED = {
    "a path of one machine": re.compile("(?<![A-Za-z0-9_.~])/" + "(work|tmp|home|root|Users)/"),
    "a registry's address": re.compile("(files" + r"\.pythonhosted|pypi" + r"\.org/simple)"),
    "an index option": re.compile("--(extra-)?" + "index-url"),
}


def tracked():
    for path in sorted(ROOT.rglob("*")):
        parts = path.relative_to(ROOT).parts
        apart = APART & set(parts) or any(part.endswith(".egg-info") for part in parts)
        if path.is_file() and not apart and path.suffix in SUFFIXES:
            yield path


FILES = list(tracked())


def test_the_top_holds_what_it_is_said_to_hold():
    # What is committed: a reader's own files may lie beside it.
    listed = subprocess.run(
        ["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, encoding="utf-8", check=True
    ).stdout
    there = {name.split("/")[0] for name in listed.split("\0") if name}
    assert {name for name in there if not name.startswith(".")} == TOP


def test_there_is_something_to_look_at():
    assert len(FILES) > 80


@pytest.mark.parametrize("what", sorted(UNWANTED))
def test_nothing_of_one_machine_is_committed(what):
    hits = []
    for path in FILES:
        for number, line in enumerate(
            path.read_text(encoding="utf-8", errors="replace").splitlines(), start=1
        ):
            if UNWANTED[what].search(line):
                hits.append(f"{path.relative_to(ROOT)}:{number}")
    assert not hits, what


def test_one_version():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["version"] == entrypoint.__version__


COMMANDS = [command.name for command in app.registered_commands]


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_is_in_the_readme_and_says_what_it_does(command):
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert f"entrypoint {command}" in readme
    found = next(c for c in app.registered_commands if c.name == command)
    assert found.callback is not None
    assert len((found.callback.__doc__ or "").strip()) > 20
    assert found.short_help


def test_every_public_name_has_a_docstring():
    for name in entrypoint.__all__:
        thing = getattr(entrypoint, name)
        if callable(thing):
            assert (thing.__doc__ or "").strip(), name
