"""The README works as it is written: its examples are run, its commands kept in step with CI."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

import entrypoint
from entrypoint.cli.app import app
from entrypoint.planning.model import CAVEAT

ROOT = Path(entrypoint.__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCK = re.compile(
    r"<!-- (?P<kind>run|setup)(?P<words>[^>]*) -->\n"
    r"```(?P<language>\w+)\n(?P<code>.*?)\n```",
    re.S,
)


@dataclass(frozen=True)
class Block:
    """A marked block: ``run`` may have an ``id`` and say ``after`` which other block it comes."""

    kind: str
    words: str
    language: str
    code: str

    def option(self, name):
        found = re.search(rf"\b{name}=(\w+)", self.words)
        return found and found.group(1)


BLOCKS = [Block(**m.groupdict()) for m in BLOCK.finditer(README)]
RUN = [b for b in BLOCKS if b.kind == "run"]
SETUP = {b.words.strip(": "): b.code for b in BLOCKS if b.kind == "setup"}


def test_there_is_something_to_run():
    assert len(RUN) >= 12
    assert set(SETUP) == {"plan, pip", "plan, uv", "test, pip", "test, uv"}
    fences = len(re.findall(r"^```(?:sh|python)$", README, re.M))
    assert fences == len(BLOCKS), "a block of commands that nothing runs"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A folder like the clone's top, with the console command on the path."""
    made = tmp_path_factory.mktemp("readme")
    (made / "sample_volumes").symlink_to(ROOT / "sample_volumes")
    command = made / "bin" / "entrypoint"
    command.parent.mkdir()
    command.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m entrypoint "$@"\n')
    command.chmod(0o755)
    return made


def run(block, folder):
    environment = {
        **os.environ,
        "PATH": os.pathsep.join([str(folder / "bin"), os.environ.get("PATH", "")]),
        "PYTHONPATH": str(ROOT),
        "MPLBACKEND": "Agg",
    }
    start = [sys.executable, "-c"] if block.language == "python" else ["sh", "-e", "-c"]
    return subprocess.run(
        [*start, block.code], cwd=folder, env=environment, capture_output=True, encoding="utf-8",
        timeout=120, check=False,
    )  # fmt: skip


@pytest.mark.parametrize("block", RUN, ids=lambda b: b.code.splitlines()[0][:60])
def test_an_example_runs(block, folder):
    needed = block.option("after")
    if needed:
        first = next(b for b in RUN if b.option("id") == needed)
        made = first.code.rsplit('"', 2)[1]
        if not (folder / made).exists():
            assert run(first, folder).returncode == 0
    done = run(block, folder)
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    if block.language == "sh" and " plan " in block.code:
        assert " ".join(CAVEAT.split()) in " ".join(done.stdout.split())


def test_a_json_example_is_read(tmp_path):
    example = re.search(r"```json\n(.*?)\n```", README, re.S)
    assert example
    path = tmp_path / "landmarks.json"
    path.write_text(example.group(1))
    given = entrypoint.read_landmarks(path)
    assert {"nasion", "inion", "vertex"} <= set(given.points_mm)
    assert given.coronal_suture_mm is not None


def test_every_command_and_every_option_of_plan_is_told():
    for command in app.registered_commands:
        assert f"entrypoint {command.name}" in README
    help_text = subprocess.run(
        [sys.executable, "-m", "entrypoint", "plan", "--help"], capture_output=True,
        encoding="utf-8",
        check=True, cwd=ROOT,
    ).stdout  # fmt: skip
    options = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", help_text)) - {"--help"}
    assert len(options) > 20
    missing = {o for o in options - {"--space"} if o not in README}
    assert not missing


def test_the_caveat_stands_at_the_top():
    top = " ".join(README.split("## Set up")[0].replace(">", " ").replace("**", "").split())
    assert " ".join(CAVEAT.split()) in top


def test_the_setup_commands_are_one_line_each_and_say_the_same():
    for name, command in SETUP.items():
        assert "\n" not in command, name
        needs = "requirements-test.txt" if name.startswith("test") else "requirements.txt"
        assert f" -r {needs} " in command
        assert "--no-deps -e . && .venv/bin/" in command
        assert ("uv pip" in command) == name.endswith("uv")
        assert "sudo" not in command
        assert "apt" not in command
    for job, last in (
        ("plan", ".venv/bin/entrypoint plan sample_volumes/adult.nii.gz"),
        ("test", ".venv/bin/python -m pytest"),
    ):
        assert {SETUP[f"{job}, {way}"].rsplit("&& ", 1)[1] for way in ("pip", "uv")} == {last}


def test_ci_runs_the_readmes_own_command():
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    take = re.search(r"command=\$\((.*)\)\n", script)
    assert take
    taken = subprocess.run(
        ["bash", "-c", take.group(1)], cwd=ROOT, capture_output=True, encoding="utf-8", check=True
    ).stdout.strip()
    assert taken == SETUP["test, pip"]
    assert 'sh -c "$command"' in script
    assert "set -euo pipefail" in script
    assert os.access(ROOT / ".ci" / "run", os.X_OK)


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md"])
def test_what_a_page_points_to_is_there(page):
    text = (ROOT / page).read_text(encoding="utf-8")
    targets = re.findall(r"\]\(([^)#]+)\)", text) + re.findall(r'src="([^"]+)"', text)
    for target in targets:
        assert "://" in target or (ROOT / target).exists(), target
    for path in re.findall(r"`((?:entrypoint|tests|sample_volumes|notebooks)/[\w./-]*)`", text):
        assert (ROOT / path).exists(), path
