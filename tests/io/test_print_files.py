"""Files to print and to show, read back by other programs' rules."""

from __future__ import annotations

import io
import json
import struct
import zipfile
from xml.etree import ElementTree

import numpy as np
import pytest
import trimesh

from entrypoint.errors import FieldRefused
from entrypoint.geometry.triangles import Triangles
from entrypoint.io.print_files import Solid, Words, glb_bytes, stl_bytes, three_mf_bytes, to_bytes
from entrypoint.planning.model import CAVEAT, SIDES_NOTE

CORE = "{http://schemas.microsoft.com/3dmanufacturing/core/2015/02}"
BANNER = "PRACTICE HEAD, NOT A PATIENT"
WORDS = Words(caveat=CAVEAT, sides_note=SIDES_NOTE, practice=BANNER)


def box(name, size_mm, at_mm=(0.0, 0.0, 0.0)):
    made = trimesh.creation.box(extents=size_mm)
    points = np.array(made.vertices) - made.bounds[0] + at_mm
    mesh = Triangles(points=points, faces=np.array(made.faces, dtype=np.int64))
    return Solid(name=name, mesh=mesh, colour=(216, 180, 154, 255))


BOXES = [box("scalp", (160.0, 200.0, 150.0)), box("skull", (140.0, 180.0, 120.0), (170.0, 0, 0))]


def test_3mf_is_in_millimetres_and_says_what_it_is():
    content = three_mf_bytes(BOXES, WORDS)
    with zipfile.ZipFile(io.BytesIO(content)) as package:
        assert package.testzip() is None
        assert package.namelist() == ["[Content_Types].xml", "_rels/.rels", "3D/3dmodel.model"]
        assert {info.date_time[0] for info in package.infolist()} == {1980}
        for name in package.namelist():
            ElementTree.fromstring(package.read(name))
        model = ElementTree.fromstring(package.read("3D/3dmodel.model"))
    assert model.get("unit") == "millimeter"
    said = {m.get("name"): m.text for m in model.iter(f"{CORE}metadata")}
    assert said["Title"] == BANNER
    assert CAVEAT in said["Description"]
    assert "millimetres" in said["Description"]
    objects = list(model.iter(f"{CORE}object"))
    assert [o.get("name") for o in objects] == ["scalp", "skull"]
    built = [item.get("objectid") for item in model.iter(f"{CORE}item")]
    assert built == [o.get("id") for o in objects]
    for solid, found in zip(BOXES, objects, strict=True):
        points = [[float(v.get(k)) for k in "xyz"] for v in found.iter(f"{CORE}vertex")]
        faces = [[int(t.get(k)) for k in ("v1", "v2", "v3")] for t in found.iter(f"{CORE}triangle")]
        np.testing.assert_allclose(points, solid.mesh.points, atol=1e-4)
        np.testing.assert_array_equal(faces, solid.mesh.faces)
    assert content == three_mf_bytes(BOXES, WORDS)


def test_glb_is_read_in_metres_with_its_words():
    content = glb_bytes(BOXES, WORDS)
    scene = trimesh.load(io.BytesIO(content), file_type="glb", process=False)
    assert set(scene.geometry) == {"scalp", "skull"}
    # Right, front and up of the bodies are -x, z and y in the file, in metres.
    np.testing.assert_allclose(scene.extents, [0.310, 0.150, 0.200], atol=1e-6)
    whole = scene.to_mesh()
    assert whole.volume == pytest.approx(0.16 * 0.2 * 0.15 + 0.14 * 0.18 * 0.12, rel=1e-5)
    mesh = scene.geometry["scalp"]
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    assert mesh.volume == pytest.approx(160 * 200 * 150, rel=1e-6)
    length = struct.unpack_from("<I", content, 12)[0]
    extras = json.loads(content[20 : 20 + length])["asset"]["extras"]
    assert extras["caveat"] == CAVEAT
    assert extras["practice"] is True
    assert BANNER in extras["description"]
    assert extras["positions"].startswith("millimetres")


def test_stl_keeps_its_words_in_its_header():
    content = stl_bytes(BOXES[0], WORDS)
    head = content[:80].decode("ascii")
    assert head.startswith(f"{BANNER}; mm; planning and teaching only")
    assert not head.startswith("solid")
    assert len(content) == 84 + 50 * 12
    mesh = trimesh.load(io.BytesIO(content), file_type="stl")
    assert mesh.is_watertight
    assert mesh.volume == pytest.approx(160 * 200 * 150, rel=1e-6)
    np.testing.assert_allclose(mesh.extents, [160, 200, 150])


def test_another_size_is_said_in_every_kind_of_file():
    half = Words(caveat=CAVEAT, sides_note=SIDES_NOTE, practice=None, scale_ratio=0.5)
    assert "at 50 % of the head's size" in half.description
    assert b"mm at 50 %; planning" in stl_bytes(BOXES[0], half)[:80]
    assert b'"scale_percent":50.0' in glb_bytes(BOXES, half)
    assert b"PRACTICE" not in glb_bytes(BOXES, half) + stl_bytes(BOXES[0], half)


@pytest.mark.parametrize(("ending", "words"), [(".stl", "one body"), (".obj", "ends in")])
def test_what_does_not_fit_is_refused(ending, words):
    with pytest.raises(FieldRefused, match=words):
        to_bytes(ending, BOXES, WORDS)
