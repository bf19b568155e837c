"""DEVELOPERS.md, the requirements and the code say the same."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

import entrypoint
from tests.conventions.test_layers import FILES, ORDER, imports, layer_of

ROOT = Path(entrypoint.__file__).parents[1]
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
RUNTIME = PROJECT["dependencies"]
TEST = PROJECT["optional-dependencies"]["test"]
MODULE_OF = {"pillow": "PIL", "simpleitk": "SimpleITK"}
RUN_AS_COMMANDS = {"ruff", "mypy", "pytest-xdist"}
# Decoders that pydicom finds where they are installed; nothing here imports them by name.
FOUND_BY_PYDICOM = {"pyjpegls", "pylibjpeg", "pylibjpeg-libjpeg", "pylibjpeg-openjpeg"}


def name_of(requirement):
    return re.split(r"[<>=!~;\[ ]", requirement)[0].lower()


def module_of(requirement):
    return MODULE_OF.get(name_of(requirement), name_of(requirement))


def imported(paths):
    return {name.split(".")[0] for path in paths for name, _ in imports(path)}


def test_the_layers_are_told_in_their_order():
    told = re.findall(r"^\| `(\w+)` \|", GUIDE.split("## Layers")[1].split("## ")[0], re.M)
    there = {layer_of(path) for path in FILES} - {"__init__", "__main__", "phantoms"}
    assert told == [layer for layer in ORDER if layer in there]


@pytest.mark.parametrize("requirement", RUNTIME)
def test_what_is_required_is_imported_and_its_reason_told(requirement):
    found = name_of(requirement) in FOUND_BY_PYDICOM or module_of(requirement) in imported(FILES)
    assert found
    assert name_of(requirement) in GUIDE.split("## Libraries")[1].split("## ")[0]


@pytest.mark.parametrize("requirement", TEST)
def test_what_the_tests_require_is_used_and_told(requirement):
    used = imported((ROOT / "tests").rglob("*.py")) | RUN_AS_COMMANDS | FOUND_BY_PYDICOM
    assert module_of(requirement) in used
    assert name_of(requirement) in GUIDE.split("## Libraries")[1].split("## ")[0]


def pinned(page):
    text = (ROOT / page).read_text(encoding="utf-8")
    assert "://" not in text, "an address"
    assert "--index" not in text
    pins = {}
    for entry in re.split(r"\n(?=[a-z0-9])", text.split("\n", 2)[2]):
        match = re.match(r"([a-z0-9._-]+)==(\S+)", entry)
        assert match, entry[:60]
        assert "--hash=sha256:" in entry, match[1]
        pins[match[1]] = match[2]
    return pins


def test_the_requirements_are_pinned_with_hashes_and_agree():
    run, test = pinned("requirements.txt"), pinned("requirements-test.txt")
    assert run.items() <= test.items()
    assert {name_of(r) for r in RUNTIME} <= set(run)
    assert {name_of(r) for r in TEST} <= set(test)
    assert not {name_of(r) for r in TEST} & set(run)


def test_every_library_that_is_imported_is_required():
    import sys

    own = {"entrypoint", "tests"} | sys.stdlib_module_names
    assert imported(FILES) - own <= {module_of(r) for r in RUNTIME}
