"""Scalp surfaces: four formats, units, spaces, and what is refused. Closed forms as truth."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from entrypoint.errors import EntrypointError, FileRefused, UnitRefused
from entrypoint.io.mesh import read_surface
from entrypoint.io.recognise import FileKind, recognise

BALL = trimesh.creation.icosphere(subdivisions=3, radius=85.0)


def saved(tmp_path, kind, mesh=BALL):
    path = tmp_path / f"scalp.{kind}"
    mesh.export(path)
    return path


@pytest.mark.parametrize("kind", ["stl", "ply", "obj", "glb"])
def test_every_format_gives_the_same_sphere(tmp_path, kind):
    path = saved(tmp_path, kind)
    assert recognise(path) is FileKind.SURFACE
    found = read_surface(path, unit="mm", space="RAS")
    radii = np.linalg.norm(found.vertices_mm, axis=1)
    np.testing.assert_allclose(radii, 85.0, atol=1e-3)
    # Area of the sphere, 4 pi R^2, less what facets lose at this fineness (under 1 %).
    corners = found.vertices_mm[found.faces]
    area = np.linalg.norm(
        np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1
    ).sum()
    assert area / 2 == pytest.approx(4 * np.pi * 85.0**2, rel=0.01)
    assert len(found.sha256) == 64
    assert not found.vertices_mm.flags.writeable


def test_unit_and_space_are_converted(tmp_path):
    small = BALL.copy()
    small.apply_translation([10.0, 20.0, 30.0])
    small.apply_scale(0.001)
    found = read_surface(saved(tmp_path, "ply", small), unit="m", space="LPS")
    np.testing.assert_allclose(found.vertices_mm.mean(axis=0), [-10.0, -20.0, 30.0], atol=0.2)


def test_unit_and_space_are_never_assumed(tmp_path):
    path = saved(tmp_path, "stl")
    with pytest.raises(UnitRefused, match="--unit"):
        read_surface(path, unit=None, space="RAS")
    with pytest.raises(UnitRefused, match="--space"):
        read_surface(path, unit="mm", space=None)
    for unit in ("cm", "m"):
        with pytest.raises(UnitRefused, match="size of a head"):
            read_surface(path, unit=unit, space="RAS")


def test_empty_flat_and_damaged_surfaces_are_refused(tmp_path):
    def refused(name, content, words):
        path = tmp_path / name
        path.write_bytes(content)
        with pytest.raises(EntrypointError, match=words) as caught:
            read_surface(path, unit="mm", space="RAS")
        assert "\n" not in str(caught.value)

    refused("empty.stl", bytes(84), r"cannot be read|no triangles")
    refused("nothing.stl", b"", r"cannot be read|no triangles")
    refused("words.obj", b"hello\nworld\n", r"cannot be read|no triangles")
    refused("points.obj", b"v 0 0 0\nv 90 0 0\nv 0 90 0\nv 0 0 90\n", r"cannot be|no triangles")
    flat = b"v 0 0 0\nv 150 0 0\nv 0 150 0\nv 150 150 0\nf 1 2 3\nf 2 3 4\n"
    refused("flat.obj", flat, "size of a head")
    refused("nan.obj", flat.replace(b"v 150 150 0", b"v nan 150 90"), "not finite")
    refused("out.obj", flat.replace(b"f 2 3 4", b"f 2 3 99"), r"cannot be read|does not hold")
    refused("other.xyz", b"1 2 3\n", "no surface that is known")
    refused("zipped.stl", b"\x1f\x8b" + bytes(40), "compressed|damaged|ends too early")
    whole = saved(tmp_path, "ply").read_bytes()
    refused("cut.ply", whole[: len(whole) // 2], "cannot be read|does not hold|no triangles")
    refused(
        "claim.stl",
        bytes(80) + (2**31 - 1).to_bytes(4, "little") + bytes(200),
        r"cannot be read|no triangles",
    )
    with pytest.raises(FileRefused, match="directory"):
        read_surface(tmp_path, unit="mm", space="RAS")


@pytest.mark.parametrize("kind", ["stl", "ply", "obj", "glb"])
def test_mutated_surfaces_end_in_an_answer_or_a_refusal(tmp_path, kind):
    rng = np.random.default_rng(11)
    coarse = trimesh.creation.icosphere(subdivisions=1, radius=85.0)
    whole = saved(tmp_path, kind, coarse).read_bytes()
    path = tmp_path / f"mutant.{kind}"
    sentences = []
    for _ in range(40):
        content = bytearray(whole)
        for _ in range(int(rng.integers(1, 5))):
            where = int(
                rng.integers(min(len(content), 300 if rng.random() < 0.5 else len(content)))
            )
            content[where] = int(rng.integers(256))
        if rng.random() < 0.2:
            content = content[: int(rng.integers(len(content)))]
        path.write_bytes(bytes(content))
        try:
            found = read_surface(path, unit="mm", space="RAS")
        except EntrypointError as error:
            sentences.append(str(error))
        else:
            assert np.isfinite(found.vertices_mm).all()
    assert not any("\n" in sentence for sentence in sentences)
