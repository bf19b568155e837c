"""``entrypoint model``: what is made of a sample head, and what is refused before any work."""

from __future__ import annotations

import re
import shutil

import numpy as np
import pytest
import trimesh

from entrypoint.api.printed import head_model
from entrypoint.cli.app import main
from entrypoint.figures.solid import surface_of
from entrypoint.geometry.triangles import is_closed
from entrypoint.planning.ct_parts import ct_parts
from entrypoint.planning.model import CAVEAT, Rule, Side
from entrypoint.planning.model_marks import scalp_ridges
from entrypoint.volume.shells import scalp_body
from tests.conftest import SAMPLES

ADULT = SAMPLES / "adult.nii.gz"


@pytest.fixture
def run(capsys):
    def call(*arguments):
        code = main([str(a) for a in arguments])
        said = capsys.readouterr()
        assert "Traceback" not in said.out + said.err
        return code, " ".join(said.out.split()), said.err

    return call


def test_a_scalp_to_print(run, tmp_path):
    target = tmp_path / "head.stl"
    code, said, err = run("model", ADULT, "--out", target, "--cut", "axial:-10", "--side", "right")
    assert code == 0
    assert not err
    assert said.startswith(CAVEAT)
    assert said.endswith(CAVEAT)
    assert "PRACTICE HEAD, NOT A PATIENT" in said
    assert "PATIENT'S RIGHT" in said
    assert "PATIENT'S LEFT" not in said
    assert "cut flat 10 mm below the nasion" in said
    content = target.read_bytes()
    assert b"PRACTICE HEAD" in content[:80]
    assert b"adult" not in content[:80]
    mesh = trimesh.load(target)
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    assert mesh.volume > 0
    assert mesh.body_count == 1
    told = re.search(r"print bed (\d+) x (\d+) x (\d+) mm", said)
    np.testing.assert_allclose([int(n) for n in told.groups()], mesh.extents, atol=1.0)
    assert int(re.search(r"triangles (\d+)", said)[1]) == len(mesh.faces)
    np.testing.assert_allclose(mesh.bounds[0], 0.0, atol=1e-3)
    on_bed = (mesh.triangles[:, :, 2] < 0.02).all(axis=1)
    assert mesh.area_faces[on_bed].sum() > 10_000.0
    assert run("model", ADULT, "--out", target)[0] == 3


def test_both_bodies_half_size_without_marks(run, tmp_path):
    target = tmp_path / "head.glb"
    code, said, _ = run("model", ADULT, "--out", target, "--what", "both", "--marks", "none",
                        "--scale", "50", "--cut", "axial:20")  # fmt: skip
    assert code == 0
    assert "50 % of the head" in said
    assert "Marks none" in said
    scene = trimesh.load(target, process=False)
    scalp, skull = scene.geometry["scalp"], scene.geometry["skull"]
    for mesh in (scalp, skull):
        assert mesh.is_watertight
        assert mesh.is_winding_consistent
    assert skull.volume < scalp.volume
    low, high = scalp.bounds
    assert (skull.bounds[0] >= low - 0.05).all()
    assert (skull.bounds[1] <= high).all()
    assert 70.0 < scalp.extents[0] < 100.0


def test_the_tapes_are_where_the_rule_lays_them(adult):
    plain, marked = (
        head_model(adult.loaded, marks=marks, cut_mm=-10.0).in_place[0].mesh
        for marks in ("none", "raised")
    )
    n = len(plain.points)
    rise = np.linalg.norm(marked.points[:n] - plain.points, axis=1)
    assert rise.max() == pytest.approx(0.8, abs=0.05)
    parts = ct_parts(adult.volume, rule=Rule())
    frame = parts.head.frame
    shift = frame.head_from_world(parts.sites[Side.RIGHT].entry.scalp_entry_mm)
    # Both stand on the corner of their own extent: found again from the body itself.
    cut = float(frame.head_from_world(parts.head.nasion_skin_mm)[2]) - 10.0
    world = surface_of(scalp_body(adult.volume, parts.head.coarse, frame, step_mm=2.0, cut_mm=cut))
    lowest = frame.head_from_world(world.points).min(axis=0)
    away = np.linalg.norm(plain.points - (shift - lowest), axis=1)
    ring = rise[(away > 4.6) & (away < 5.4)]
    assert np.median(ring) > 0.7
    assert rise[(away > 7.5) & (away < 9.0)].mean() < 0.2
    ridges = scalp_ridges(parts, world, [Side.RIGHT, Side.LEFT])
    tape, width_mm = ridges[0]
    assert width_mm == pytest.approx(1.8)
    steps = np.linalg.norm(np.diff(tape, axis=0), axis=1)
    assert steps.sum() == pytest.approx(110.0, abs=1.5)
    np.testing.assert_allclose(tape[0], parts.head.nasion_skin_mm, atol=1.0)


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["--out", "m.obj"], 2, "--out"),
        (["--out", "m.stl", "--what", "both"], 2, "--what"),
        (["--out", "m.stl", "--cut", "coronal:10"], 2, "--cut"),
        (["--out", "m.stl", "--cut", "axial:low"], 2, "--cut"),
        (["--out", "m.stl", "--cut", "axial:nan"], 3, "cut"),
        (["--out", "m.stl", "--triangles", "10"], 3, "triangles"),
        (["--out", "m.stl", "--scale", "1000"], 3, "scale"),
        (["--out", "none/m.stl"], 3, "folder"),
    ],
)
def test_refused_before_any_work(run, tmp_path, monkeypatch, arguments, code, words):
    shutil.copy(ADULT, tmp_path / "copy.nii.gz")
    monkeypatch.chdir(tmp_path)
    got, out, err = run("model", "copy.nii.gz", *arguments)
    assert got == code
    assert words in err
    assert not out
    assert [p.name for p in tmp_path.iterdir()] == ["copy.nii.gz"]


def test_few_triangles_and_two_bodies_beside_each_other(adult):
    made = head_model(adult.loaded, what="both", marks="none", triangles=30_000)
    scalp, skull = (solid.mesh for solid in made.solids)
    assert skull.points[:, 0].min() > scalp.points[:, 0].max()
    assert max(len(scalp.faces), len(skull.faces)) <= 30_000
    assert is_closed(scalp)
    assert is_closed(skull)
