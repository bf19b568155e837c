"""Scalp surfaces, read by trimesh, in a unit that the caller states."""

from __future__ import annotations

import hashlib
import io
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import FileRefused, UnitRefused
from entrypoint.io.body import open_source
from entrypoint.io.recognise import surface_type

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

LARGEST_SURFACE_BYTES = 400 * 2**20
_MOST_FACES = 8_000_000
_MM_PER = {"mm": 1.0, "cm": 10.0, "m": 1000.0}
_SPACES = {"RAS": (1.0, 1.0, 1.0), "LPS": (-1.0, -1.0, 1.0)}
# A scalp from the brow to the occiput, with a wide margin: judgement, no source.
_EXTENT_RANGE_MM = (80.0, 900.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class SurfaceMesh:
    """Triangles in world RAS mm.

    Parameters
    ----------
    vertices_mm : (n, 3) array, world mm
    faces : (m, 3) array of vertex numbers
    sha256 : str, over vertices and faces in mm
    unit, space : as the caller stated them
    """

    vertices_mm: FloatArray
    faces: IntArray
    sha256: str
    unit: str
    space: str


def read_surface(path: str | Path, *, unit: str | None, space: str | None) -> SurfaceMesh:
    """Read a scalp surface.

    Parameters
    ----------
    path : .stl, .ply, .obj or .glb file
    unit : "mm", "cm" or "m"; a surface file states none, so it has to be given
    space : "RAS" or "LPS"

    Raises
    ------
    FileRefused
        When it cannot be read, is empty, degenerate, too large, or not finite.
    UnitRefused
        When unit or space are not given, or the size is not that of a head.
    """
    if unit not in _MM_PER:
        raise UnitRefused(
            found="no unit was given for the surface" if unit is None else f"the unit is {unit!r}",
            expected="mm, cm or m (a surface file states none)",
            next_step="add --unit",
        )
    if space not in _SPACES:
        raise UnitRefused(
            found="no coordinate space was given for the surface"
            if space is None
            else f"the coordinate space is {space!r}",
            expected="RAS or LPS (a surface file states none)",
            next_step="add --space",
        )
    content, kind = _content(Path(path))
    vertices, faces = _load(content, kind)
    if len(faces) == 0 or len(vertices) < 4:
        raise FileRefused(
            found="the surface file holds no triangles",
            expected="a scalp surface",
            next_step="export the surface again",
        )
    if not np.isfinite(vertices).all():
        raise FileRefused(
            found="the surface has corners that are not finite",
            expected="finite positions",
            next_step="export the surface again",
        )
    vertices = vertices * (np.array(_SPACES[space]) * _MM_PER[unit])
    extent = np.ptp(vertices[np.unique(faces)], axis=0)
    # A flat surface has one extent near 0; a head in another unit has all of them far off.
    if not (_EXTENT_RANGE_MM[0] <= extent.max() <= _EXTENT_RANGE_MM[1]) or extent.min() < 20.0:
        size = " x ".join(f"{x:.4g}" for x in extent)
        raise UnitRefused(
            found=f"read in {unit}, the surface measures {size} mm",
            expected="the size of a head",
            next_step="check the unit, and that the file holds one head",
        )
    digest = hashlib.sha256(b"entrypoint.surface.1")
    digest.update(np.ascontiguousarray(vertices, dtype="<f8").tobytes())
    digest.update(np.ascontiguousarray(faces, dtype="<i8").tobytes())
    vertices.setflags(write=False)
    faces.setflags(write=False)
    return SurfaceMesh(
        vertices_mm=vertices, faces=faces, sha256=digest.hexdigest(), unit=unit, space=space
    )


def _content(path: Path) -> tuple[bytes, str]:
    with open_source(path) as source:
        if source.is_gzip or source.file_bytes > LARGEST_SURFACE_BYTES:
            raise FileRefused(
                found="the surface file is compressed"
                if source.is_gzip
                else f"the surface file is {source.file_bytes} bytes long",
                expected=f"a plain surface file of at most {LARGEST_SURFACE_BYTES} bytes",
                next_step="unpack it, or reduce the surface",
            )
        content = source.read(source.file_bytes)
    kind = surface_type(content[:4096], path.suffix.lower())
    if kind is None:
        raise FileRefused(
            found="the file is no surface that is known here",
            expected="a scalp surface (.stl, .ply, .obj, .glb)",
            next_step="export the surface again",
        )
    return content, kind


def _load(content: bytes, kind: str) -> tuple[FloatArray, IntArray]:
    import trimesh  # late: 1.4 s of CPU that no other input needs

    try:
        with np.errstate(all="ignore"):
            # process=False: vertices are not merged; skip_materials: nothing but shape is read.
            mesh = trimesh.load(
                io.BytesIO(content),
                file_type=kind,
                process=False,
                force="mesh",
                skip_materials=True,
            )
        vertices = np.array(mesh.vertices, dtype=np.float64).reshape(-1, 3)
        faces = np.array(mesh.faces, dtype=np.int64).reshape(-1, 3)
    except Exception as error:
        # The library raises whatever its parsers meet; to the user it is one thing.
        raise FileRefused(
            found=f"the {kind} surface cannot be read",
            expected="a whole surface file of triangles",
            next_step="export the surface again",
        ) from error
    if len(faces) > _MOST_FACES:
        raise FileRefused(
            found=f"the surface has {len(faces)} triangles",
            expected=f"at most {_MOST_FACES}",
            next_step="reduce the surface",
        )
    if len(faces) and (faces.min() < 0 or faces.max() >= len(vertices)):
        raise FileRefused(
            found="the surface's triangles name corners that it does not hold",
            expected="a whole surface file",
            next_step="export the surface again",
        )
    return vertices, faces
