"""The answers of a phantom come from code that shares nothing with what they check."""

from __future__ import annotations

import ast
from pathlib import Path

import entrypoint.phantoms

_FOLDER = Path(entrypoint.phantoms.__file__).parent
_ALLOWED = ("entrypoint.phantoms", "entrypoint.errors", "entrypoint.reference")


def _imports(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {a.name for a in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"relative import in {path.name}"
            found.add(node.module or "")
    return found


def test_no_layer_that_plans_or_measures_is_imported() -> None:
    modules = sorted(_FOLDER.rglob("*.py"))
    assert len(modules) > 15
    for path in modules:
        for name in _imports(path):
            if name.startswith("entrypoint"):
                assert name.startswith(_ALLOWED), f"{path.name} imports {name}"


def test_modules_stay_small() -> None:
    for path in _FOLDER.rglob("*.py"):
        assert len(path.read_text(encoding="utf-8").splitlines()) < 400, path.name
