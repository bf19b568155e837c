"""Closed surfaces of bodies, and fewer triangles for them, by VTK: nothing is drawn here."""

from __future__ import annotations

from typing import Any

import numpy as np

from entrypoint.geometry.triangles import Triangles, is_closed, mended
from entrypoint.volume.shells import Body

__all__ = ["reduced", "surface_of"]

_TRIES = (0.995, 0.95)


def surface_of(body: Body) -> Triangles:
    """The largest closed surface of a body, world mm, its faces turned outwards."""
    import pyvista

    # In index space, and moved by the grid's own matrix: pyvista's contour leaves an image's
    # direction matrix out.
    image = pyvista.ImageData(dimensions=body.depth_ratio.shape)
    image.point_data["depth"] = body.depth_ratio.ravel(order="F")
    found = image.contour(
        [0.0], scalars="depth", method="flying_edges", compute_normals=False, compute_scalars=False
    )
    mesh = _largest(np.asarray(found.points), np.asarray(found.faces).reshape(-1, 4)[:, 1:])
    mesh = Triangles(points=body.grid.world(mesh.points), faces=mesh.faces)
    return mesh if mesh.volume_mm3() > 0.0 else mesh.inside_out()


def reduced(mesh: Triangles, most: int) -> Triangles | None:
    """The mesh with at most so many triangles, still closed; None where that did not succeed."""
    if len(mesh.faces) <= most:
        return mesh
    import pyvista

    given: Any = pyvista.PolyData.from_regular_faces(mesh.points, mesh.faces)
    for share in _TRIES:
        fewer = given.decimate(1.0 - share * most / len(mesh.faces), volume_preservation=True)
        faces = np.asarray(fewer.faces, dtype=np.int64).reshape(-1, 4)[:, 1:]
        made = Triangles(points=np.asarray(fewer.points, dtype=np.float64), faces=faces)
        if not is_closed(made):
            made = mended(made)
            made = _largest(made.points, made.faces)
        if len(made.faces) <= most and is_closed(made):
            return made
    return None


def _largest(points: Any, faces: Any) -> Triangles:
    """The connected piece with the most triangles."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    pairs = np.concatenate([faces[:, :2], faces[:, 1:]])
    links = coo_array((np.ones(len(pairs), dtype=bool), (pairs[:, 0], pairs[:, 1])),
                      shape=(len(points), len(points)))  # fmt: skip
    _, label = connected_components(links, directed=False)
    mine = np.argmax(np.bincount(label[faces[:, 0]])) if len(faces) else -1
    kept = label == mine
    number = np.cumsum(kept) - 1
    return Triangles(
        points=np.asarray(points[kept], dtype=np.float64),
        faces=np.asarray(number[faces[kept[faces[:, 0]]]], dtype=np.int64),
    )
