"""What is loaded, and when: read from the modules in memory, never from a clock."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest

from tests.io.make import head_hu, nifti1, write

DRAWING = {"pyvista", "vtk", "vtkmodules", "matplotlib", "PIL"}
MANY_HEADS = {"dask", "distributed", "pandas"}
HEAVY = DRAWING | MANY_HEADS | {"scipy", "nibabel", "trimesh", "SimpleITK", "skimage"}


def loaded_after(code, *arguments):
    """Top-level modules in memory after some code has run in a process of its own."""
    ending = (
        "\nimport json, sys\n"
        "sys.stderr.write(json.dumps(sorted({m.split('.')[0] for m in sys.modules})))\n"
    )
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    done = subprocess.run(
        [sys.executable, "-c", code + ending, *map(str, arguments)],
        capture_output=True,
        encoding="utf-8",
        env=environment,
        timeout=60,
        check=True,
    )
    return set(json.loads(done.stderr.strip().splitlines()[-1]))


def test_importing_the_package_loads_no_library():
    loaded = loaded_after("import entrypoint")
    assert not loaded & (HEAVY | {"numpy", "typer", "rich"})


def test_a_public_name_is_found_when_it_is_used():
    loaded = loaded_after("import entrypoint; entrypoint.Rule(); dir(entrypoint)")
    assert "numpy" in loaded
    assert not loaded & HEAVY


@pytest.mark.parametrize("words", [["--help"], ["plan", "--help"], ["--version"]])
def test_help_loads_neither_numpy_nor_rich(words):
    loaded = loaded_after(
        "from entrypoint.cli.app import main; main(__import__('sys').argv[1:])", *words
    )
    assert not loaded & (HEAVY | {"numpy", "rich"})


def test_a_tape_plan_and_an_inspection_load_little(tmp_path):
    run = "import sys; from entrypoint.cli.app import main; assert main(sys.argv[1:]) == 0"
    assert not loaded_after(run, "plan") & (HEAVY | {"rich"})
    path = write(tmp_path / "a.nii.gz", nifti1(head_hu(), zipped=True))
    assert not loaded_after(run, "inspect", path) & (HEAVY - {"nibabel", "scipy"} | {"rich"})


def test_the_main_job_loads_neither_drawing_nor_mesh_libraries():
    loaded = loaded_after(
        "import entrypoint.planning.ct, entrypoint.io.nifti, entrypoint.io.record"
    )
    assert not loaded & (DRAWING | MANY_HEADS | {"trimesh", "SimpleITK"})


def test_public_names_are_sorted_and_all_there():
    import entrypoint

    assert list(entrypoint.__all__) == sorted(entrypoint.__all__)
    for name in entrypoint.__all__:
        assert getattr(entrypoint, name) is not None
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = entrypoint.nothing
