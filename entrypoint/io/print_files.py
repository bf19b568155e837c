"""Closed bodies as files to print and to show: 3MF, STL and GLB.

Which can state its unit: 3MF does, as an attribute of its model (3MF Core Specification); its
positions are in millimetres. GLB is in metres by definition (glTF 2.0); its positions here are in
millimetres under a node that scales by 0.001, and its extras say so. STL has no place for a unit
but the 80 free bytes of its header, which few programs read.
"""

from __future__ import annotations

import io
import json
import struct
import zipfile
from dataclasses import dataclass
from typing import Any
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from entrypoint import __version__
from entrypoint.errors import FieldRefused
from entrypoint.geometry.triangles import Triangles

__all__ = ["ENDINGS", "Solid", "Words", "glb_bytes", "stl_bytes", "three_mf_bytes", "to_bytes"]

ENDINGS = (".3mf", ".stl", ".glb")
_STL_HEADER_BYTES = 80
_DATE = (1980, 1, 1, 0, 0, 0)  # the earliest that the container can hold: no real one is kept
_CONTENT_TYPES = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    '<Default Extension="rels" '
    'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel'
    '+xml"/></Types>'
)
_RELATIONS = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    '<Relationship Target="/3D/3dmodel.model" Id="rel0" '
    'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>'
)
_CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"


@dataclass(frozen=True, slots=True, kw_only=True)
class Solid:
    """A named body; x to the patient's right, y to the front, z up, mm."""

    name: str
    mesh: Triangles
    colour: tuple[int, int, int, int]  # sRGB and opacity, 0 to 255


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """What a file says about itself."""

    caveat: str
    sides_note: str
    practice: str | None  # the banner of a practice head
    scale_ratio: float = 1.0

    @property
    def description(self) -> str:
        """All of it in one text."""
        size = (
            "Lengths are in millimetres, at the size of the head."
            if self.scale_ratio == 1.0
            else f"Lengths are in millimetres, at {100.0 * self.scale_ratio:g} % of the head's "
            "size: no length of the head can be read from it as it is."
        )
        parts = (self.practice, self.caveat, size, self.sides_note)
        return " ".join(part if part[-1] == "." else f"{part}." for part in parts if part)


def to_bytes(ending: str, solids: list[Solid], words: Words) -> bytes:
    """A file of the kind that an ending names.

    Raises
    ------
    FieldRefused
        When the ending is none of ``ENDINGS``, or an STL would hold two bodies.
    """
    if ending == ".3mf":
        return three_mf_bytes(solids, words)
    if ending == ".glb":
        return glb_bytes(solids, words)
    if ending != ".stl":
        raise FieldRefused(
            found=f"a model file that ends in {ending!r}",
            expected=" or ".join(ENDINGS),
            next_step="choose another name",
        )
    if len(solids) != 1:
        raise FieldRefused(
            found=f"{len(solids)} bodies for one STL file, which cannot name them",
            expected="one body",
            next_step="name scalp or skull, or write a 3MF or GLB file",
        )
    return stl_bytes(solids[0], words)


def three_mf_bytes(solids: list[Solid], words: Words) -> bytes:
    """A 3MF package; every body an object of its own, in millimetres."""
    colours = "".join(
        f'<base name={quoteattr(s.name)} displaycolor="#{bytes(s.colour).hex().upper()}"/>'
        for s in solids
    )
    parts = [
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<model unit="millimeter" xml:lang="en" xmlns="{_CORE}">',
        f'<metadata name="Title">{escape(words.practice or "Head model")}</metadata>',
        f'<metadata name="Description">{escape(words.description)}</metadata>',
        f'<metadata name="Application">entrypoint {__version__}</metadata>',
        f'<resources><basematerials id="1">{colours}</basematerials>',
    ]
    for number, solid in enumerate(solids):
        parts.append(
            f'<object id="{number + 2}" type="model" name={quoteattr(solid.name)} pid="1" '
            f'pindex="{number}"><mesh><vertices>'
        )
        parts += ['<vertex x="%.4f" y="%.4f" z="%.4f"/>' % (x, y, z)  # noqa: UP031 (a third faster)
                  for x, y, z in solid.mesh.points.tolist()]  # fmt: skip
        parts.append("</vertices><triangles>")
        parts += ['<triangle v1="%d" v2="%d" v3="%d"/>' % (a, b, c)  # noqa: UP031
                  for a, b, c in solid.mesh.faces.tolist()]  # fmt: skip
        parts.append("</triangles></mesh></object>")
    items = "".join(f'<item objectid="{number + 2}"/>' for number in range(len(solids)))
    parts.append(f"</resources><build>{items}</build></model>")
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=4) as package:
        for name, text in (
            ("[Content_Types].xml", _CONTENT_TYPES),
            ("_rels/.rels", _RELATIONS),
            ("3D/3dmodel.model", "".join(parts)),
        ):
            package.writestr(_entry(name), text.encode("utf-8"))
    return out.getvalue()


def _entry(name: str) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name, date_time=_DATE)
    info.compress_type = zipfile.ZIP_DEFLATED
    return info


def stl_bytes(solid: Solid, words: Words) -> bytes:
    """A binary STL file, which holds no unit but in the words of its header."""
    # A header that starts with "solid" would be taken for the text form.
    practice = f"{words.practice}; " if words.practice else ""
    unit = "mm" if words.scale_ratio == 1.0 else f"mm at {100.0 * words.scale_ratio:g} %"
    header = f"{practice}{unit}; planning and teaching only; no medical device"
    corners = solid.mesh.points[solid.mesh.faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    rows = np.zeros(
        len(corners), dtype=[("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")]
    )
    rows["normal"] = normal / np.where(length > 0.0, length, 1.0)
    rows["corners"] = corners
    start = header.encode("ascii")[:_STL_HEADER_BYTES].ljust(_STL_HEADER_BYTES)
    return start + struct.pack("<I", len(rows)) + rows.tobytes()


def glb_bytes(solids: list[Solid], words: Words) -> bytes:
    """A binary glTF 2.0 file; a node turns it up and into the metres that the format is in."""
    extras = {
        "caveat": words.caveat,
        "description": words.description,
        "practice": words.practice is not None,
        "positions": "millimetres; the node's matrix takes them to metres, with y up",
        "scale_percent": 100.0 * words.scale_ratio,
    }
    views: list[dict[str, int]] = []
    accessors: list[dict[str, Any]] = []
    meshes, materials, nodes = [], [], []
    data = bytearray()

    def view(content: bytes, target: int) -> int:
        views.append({"buffer": 0, "byteOffset": len(data), "byteLength": len(content),
                      "target": target})  # fmt: skip
        data.extend(content)
        data.extend(b"\0" * (-len(data) % 4))
        return len(views) - 1

    for number, solid in enumerate(solids):
        points = solid.mesh.points.astype("<f4")
        normals = solid.mesh.unit_normals().astype("<f4")
        kept = len(accessors)
        accessors += [
            {"bufferView": view(points.tobytes(), 34962), "componentType": 5126,
             "count": len(points), "type": "VEC3", "min": points.min(axis=0).tolist(),
             "max": points.max(axis=0).tolist()},
            {"bufferView": view(normals.tobytes(), 34962), "componentType": 5126,
             "count": len(points), "type": "VEC3"},
            {"bufferView": view(solid.mesh.faces.astype("<u4").tobytes(), 34963),
             "componentType": 5125, "count": 3 * len(solid.mesh.faces), "type": "SCALAR"},
        ]  # fmt: skip
        meshes.append({"name": solid.name, "primitives": [
            {"attributes": {"POSITION": kept, "NORMAL": kept + 1}, "indices": kept + 2,
             "material": number}]})  # fmt: skip
        colour = [_linear(c) for c in solid.colour[:3]] + [solid.colour[3] / 255.0]
        materials.append({
            "name": solid.name, "alphaMode": "BLEND" if solid.colour[3] < 255 else "OPAQUE",
            "pbrMetallicRoughness": {"baseColorFactor": colour, "metallicFactor": 0.0,
                                     "roughnessFactor": 0.8},
        })  # fmt: skip
        # Columns. In glTF a thing faces +z with +y up, so its right is -x.
        mm = 0.001
        nodes.append({"name": solid.name, "mesh": number, "matrix": [
            -mm, 0, 0, 0, 0, 0, mm, 0, 0, mm, 0, 0, 0, 0, 0, 1]})  # fmt: skip
    document = {
        "asset": {"version": "2.0", "generator": f"entrypoint {__version__}", "extras": extras},
        "scene": 0,
        "scenes": [{"nodes": list(range(len(nodes))), "extras": extras}],
        "nodes": nodes, "meshes": meshes, "materials": materials, "accessors": accessors,
        "bufferViews": views, "buffers": [{"byteLength": len(data)}],
    }  # fmt: skip
    text = json.dumps(document, separators=(",", ":"), allow_nan=False).encode("utf-8")
    text += b" " * (-len(text) % 4)
    total = 12 + 8 + len(text) + 8 + len(data)
    return (
        struct.pack("<4sII", b"glTF", 2, total)
        + struct.pack("<I4s", len(text), b"JSON") + text
        + struct.pack("<I4s", len(data), b"BIN\0") + bytes(data)
    )  # fmt: skip


def _linear(value: int) -> float:
    """Of an sRGB value 0 to 255 (IEC 61966-2-1)."""
    share = value / 255.0
    return share / 12.92 if share <= 0.04045 else float(((share + 0.055) / 1.055) ** 2.4)
