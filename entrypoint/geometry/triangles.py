"""Triangle meshes: whether they are closed, finer where it matters, and raised along lines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import GeometryError

__all__ = ["Triangles", "check_closed", "finer_near", "is_closed", "mended", "raised"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
_NEXT = (1, 2, 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Triangles:
    """Corners (n, 3), mm, and faces (m, 3) of corner numbers, turned outwards."""

    points: FloatArray
    faces: IntArray

    def volume_mm3(self) -> float:
        """Signed volume: positive where the faces are turned outwards."""
        a, b, c = (self.points[self.faces[:, k]] - self.points.mean(axis=0) for k in range(3))
        return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6.0)

    def extent_mm(self) -> FloatArray:
        """Size along the three axes, mm."""
        return np.asarray(np.ptp(self.points, axis=0))

    def inside_out(self) -> Triangles:
        """The same with its faces turned the other way."""
        return Triangles(points=self.points, faces=self.faces[:, ::-1].copy())

    def unit_normals(self) -> FloatArray:
        """Outward directions at the corners, by the area of the faces round them, (n, 3)."""
        a, b, c = (self.points[self.faces[:, k]] for k in range(3))
        face = np.cross(b - a, c - a)
        total = np.stack(
            [
                sum(
                    np.bincount(self.faces[:, k], face[:, axis], minlength=len(self.points))
                    for k in range(3)
                )
                for axis in range(3)
            ],
            axis=1,
        )
        length = np.linalg.norm(total, axis=1, keepdims=True)
        return np.asarray(total / np.where(length > 0.0, length, 1.0))


def is_closed(mesh: Triangles) -> bool:
    """Whether every edge is run along exactly once each way: watertight, one winding."""
    n = len(mesh.points)
    if not len(mesh.faces):
        return False
    there = np.concatenate([mesh.faces[:, k] * n + mesh.faces[:, _NEXT[k]] for k in range(3)])
    back = np.concatenate([mesh.faces[:, _NEXT[k]] * n + mesh.faces[:, k] for k in range(3)])
    there.sort()
    back.sort()
    return bool((np.diff(there) > 0).all() and np.array_equal(there, back))


def check_closed(mesh: Triangles, name: str) -> None:
    """Refuse a mesh that could not be printed.

    Raises
    ------
    GeometryError
        When it has a gap, an edge of more than two faces, faces turned both ways, or no volume.

    Examples
    --------
    >>> corners = np.vstack([np.zeros(3), np.eye(3)])
    >>> faces = np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]])
    >>> check_closed(Triangles(points=corners, faces=faces), "corner")
    >>> check_closed(Triangles(points=corners, faces=faces[:3]), "corner")
    Traceback (most recent call last):
    ...
    entrypoint.errors.GeometryError: The surface of the corner has gaps, folds or faces turned \
both ways; expected a watertight surface with one winding; try another number of triangles.
    """
    if not is_closed(mesh):
        raise GeometryError(
            found=f"the surface of the {name} has gaps, folds or faces turned both ways",
            expected="a watertight surface with one winding",
            next_step="try another number of triangles",
        )
    if not mesh.volume_mm3() > 0.0:
        raise GeometryError(
            found=f"the surface of the {name} encloses no volume",
            expected="a body with its faces turned outwards",
            next_step="check the scan's field of view",
        )


def mended(mesh: Triangles, *, rounds: int = 8) -> Triangles:
    """The mesh with its pinched places opened and closed again.

    Where two sheets have come to share an edge, the faces round it are left out and each hole is
    closed by a fan round its middle. What is still not closed after some rounds is given back as
    it is: look at it with :func:`is_closed`.
    """
    for _ in range(rounds):
        bad = _pinched(mesh)
        if not bad.size:
            break
        faces = mesh.faces
        while bad.size:  # a corner at which two holes meet goes too
            faces = faces[~np.isin(faces, bad).any(axis=1)]
            rim = _rim(faces, len(mesh.points))
            starts, count = np.unique(rim[:, 0], return_counts=True)
            bad = starts[count > 1]
        points, fans = list(mesh.points), [faces]
        after = dict(rim.tolist())
        while after:
            start, at = after.popitem()
            loop = [start]
            while at != start:
                loop.append(at)
                at = after.pop(at)
            points.append(mesh.points[loop].mean(axis=0))
            ring = np.array(loop)
            middle = np.full(len(loop), len(points) - 1)
            fans.append(np.stack([np.roll(ring, -1), ring, middle], axis=1))
        faces = np.concatenate(fans)
        used, numbers = np.unique(faces, return_inverse=True)
        mesh = Triangles(points=np.array(points)[used], faces=numbers.reshape(-1, 3))
    return mesh


def _pinched(mesh: Triangles) -> IntArray:
    """Corners of edges that are not run along exactly once each way."""
    n = len(mesh.points)
    there = np.concatenate([mesh.faces[:, k] * n + mesh.faces[:, _NEXT[k]] for k in range(3)])
    edge, count = np.unique(there, return_counts=True)
    alone = np.setdiff1d(edge, (edge % n) * n + edge // n)
    wrong = np.concatenate([edge[count > 1], alone])
    return np.unique(np.concatenate([wrong // n, wrong % n]))


def _rim(faces: IntArray, n: int) -> IntArray:
    """Edges (from, to) that no other face runs along the other way."""
    there = np.concatenate([faces[:, k] * n + faces[:, _NEXT[k]] for k in range(3)])
    alone = there[~np.isin(there, (there % n) * n + there // n)]
    return np.stack([alone // n, alone % n], axis=1)


def finer_near(
    mesh: Triangles, line_points_mm: FloatArray, *, within_mm: float, edge_mm: float, rounds: int
) -> Triangles:
    """Halve the longer edges near points, again and again; the surface stays closed.

    Parameters
    ----------
    mesh : Triangles
    line_points_mm : (k, 3) array
    within_mm : float
        An edge is near if its middle is.
    edge_mm : float
        Edges up to this length are left.
    rounds : int
        How often, at most.

    Returns
    -------
    Triangles
    """
    from scipy.spatial import cKDTree

    tree = cKDTree(line_points_mm)
    for _ in range(rounds):
        n = len(mesh.points)
        ends = np.stack([mesh.faces, mesh.faces[:, _NEXT]], axis=-1)  # (m, 3, 2)
        keys = np.sort(ends, axis=-1)
        flat = keys[..., 0] * n + keys[..., 1]
        unique, which = np.unique(flat.ravel(), return_inverse=True)
        a, b = unique // n, unique % n
        middle = 0.5 * (mesh.points[a] + mesh.points[b])
        long = np.linalg.norm(mesh.points[a] - mesh.points[b], axis=1) > edge_mm
        near = np.zeros(len(unique), dtype=bool)
        near[long] = np.isfinite(
            tree.query(middle[long], distance_upper_bound=within_mm)[0]
        )
        if not near.any():
            break
        number = np.where(near, n + np.cumsum(near) - 1, -1)[which].reshape(-1, 3)
        mesh = Triangles(
            points=np.vstack([mesh.points, middle[near]]), faces=_split(mesh.faces, number)
        )
    return mesh


def _split(faces: IntArray, middle: IntArray) -> IntArray:
    """Faces with their marked edges halved; ``middle[:, k]`` lies between corners k and k + 1."""
    count = (middle >= 0).sum(axis=1)
    out = [faces[count == 0]]
    whole, m = faces[count == 3], middle[count == 3]
    for k in range(3):
        out.append(np.stack([whole[:, k], m[:, k], m[:, k - 1]], axis=1))
    out.append(m)
    for wanted, turn in ((1, _only), (2, _but_one)):
        at = np.flatnonzero(count == wanted)
        first = turn(middle[at])
        # Turned so that the odd edge comes first: both cases are then one picture each.
        order = (first[:, None] + np.arange(3)) % 3
        f = np.take_along_axis(faces[at], order, axis=1)
        e = np.take_along_axis(middle[at], order, axis=1)
        if wanted == 1:
            out += [np.stack([f[:, 0], e[:, 0], f[:, 2]], axis=1),
                    np.stack([e[:, 0], f[:, 1], f[:, 2]], axis=1)]  # fmt: skip
        else:
            out += [np.stack([e[:, 1], f[:, 2], e[:, 2]], axis=1),
                    np.stack([f[:, 0], f[:, 1], e[:, 1]], axis=1),
                    np.stack([f[:, 0], e[:, 1], e[:, 2]], axis=1)]  # fmt: skip
    return np.concatenate(out)


def _only(middle: IntArray) -> IntArray:
    return np.asarray(np.argmax(middle >= 0, axis=1), dtype=np.int64)


def _but_one(middle: IntArray) -> IntArray:
    return np.asarray(np.argmin(middle >= 0, axis=1), dtype=np.int64)


def raised(
    mesh: Triangles,
    lines: list[tuple[FloatArray, float]],
    *,
    height_mm: float,
    flank_mm: float,
    step_mm: float,
) -> Triangles:
    """The mesh with ridges along lines that lie on it (grooves where the height is negative).

    Parameters
    ----------
    mesh : Triangles
    lines : list of (points, width_mm)
        Points close together, (k, 3), and the width of the flat top.
    height_mm : float
    flank_mm : float
        From the top's edge to the foot, along the surface.
    step_mm : float
        Edge of the triangles along the lines.

    Returns
    -------
    Triangles
    """
    from scipy.spatial import cKDTree

    if not lines:
        return mesh
    everywhere = np.vstack([points for points, _ in lines])
    widest = max(width for _, width in lines)
    mesh = finer_near(
        mesh, everywhere, within_mm=0.5 * widest + flank_mm + 2.0 * step_mm, edge_mm=step_mm,
        rounds=4,
    )  # fmt: skip
    share = np.zeros(len(mesh.points))
    normals = mesh.unit_normals()
    for points, width in lines:
        reach = 0.5 * width + flank_mm
        away, near = cKDTree(points).query(mesh.points, distance_upper_bound=reach + step_mm)
        at = np.flatnonzero(np.isfinite(away))
        # Along the surface: how far a line lies above or below it does not count.
        gap = mesh.points[at] - points[near[at]]
        gap -= np.einsum("ij,ij->i", gap, normals[at])[:, None] * normals[at]
        top = np.clip((reach - np.linalg.norm(gap, axis=1)) / flank_mm, 0.0, 1.0)
        share[at] = np.maximum(share[at], top)
    moved = mesh.points + height_mm * share[:, None] * normals
    return Triangles(points=moved, faces=mesh.faces)
