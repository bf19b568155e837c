"""The order of the layers, read from the imports themselves."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import entrypoint

ROOT = Path(entrypoint.__file__).parent
# Each may import what stands before it, and itself. Phantoms stand apart: see below.
ORDER = (
    "errors",
    "reference",
    "geometry",
    "anatomy",
    "volume",
    "planning",
    "io",
    "report",
    "figures",
    "api",
    "cohort",
    "rehearsal",
    "cli",
    "__main__",
)
PHANTOMS_MAY_IMPORT = {"errors", "reference", "phantoms"}
# Above planning a phantom may be made, shown and rehearsed on; below it never.
MAY_IMPORT_PHANTOMS = {"phantoms", "cohort", "rehearsal", "cli", "figures", "report"}
# Where a heavy or file-reading library is at home: nowhere else is it imported.
HOMES = {
    "nibabel": {"io"},
    "pydicom": {"io"},
    "trimesh": {"io", "planning"},  # planning: sections and nearest points of a given surface
    "isal": {"io"},
    "pyvista": {"figures", "rehearsal"},
    "vtk": {"figures", "rehearsal"},
    "matplotlib": {"figures", "rehearsal"},
    "typer": {"cli"},
    "rich": {"cli", "report"},
    "dask": {"cohort"},
}
FILES = sorted(ROOT.rglob("*.py"))


def layer_of(path: Path) -> str:
    return path.relative_to(ROOT).with_suffix("").parts[0]


def imports(path: Path) -> list[tuple[str, bool]]:
    """Every module that a file imports, also inside functions, and whether it is absolute."""
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [(alias.name, True) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            module = node.module or ""
            found.append((module, node.level == 0))
            if module == "entrypoint":
                found += [(f"entrypoint.{alias.name}", True) for alias in node.names]
    return found


def inner(path: Path) -> set[str]:
    names = {name.split(".")[1] for name, _ in imports(path) if name.startswith("entrypoint.")}
    return {name for name in names if not name.startswith("__version")}


def test_there_is_something_to_look_at():
    assert len(FILES) > 40
    assert {"geometry", "anatomy", "volume", "planning", "phantoms"} <= {layer_of(p) for p in FILES}


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(ROOT)))
def test_imports_go_down_only(path):
    layer = layer_of(path)
    if layer == "__init__":
        assert not inner(path)
        return
    used = inner(path)
    if layer == "phantoms":
        assert used <= PHANTOMS_MAY_IMPORT
        return
    assert layer in ORDER, f"{layer} has no place in the order of layers"
    if "phantoms" in used:
        assert layer in MAY_IMPORT_PHANTOMS
    allowed = {*ORDER[: ORDER.index(layer) + 1], "phantoms"}
    assert used <= allowed, f"{layer} imports {sorted(used - allowed)}"


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(ROOT)))
def test_imports_are_absolute_and_libraries_are_at_home(path):
    for name, absolute in imports(path):
        assert absolute
        top = name.split(".")[0]
        if top in HOMES:
            assert layer_of(path) in HOMES[top], f"{top} is imported in {layer_of(path)}"


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(ROOT)))
def test_modules_stay_small(path):
    lines = len(path.read_text(encoding="utf-8").splitlines())
    assert lines <= 440, f"{lines} lines: split it"
