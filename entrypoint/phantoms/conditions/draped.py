"""Things that lie on a head: where its skin is, smooth lines through points, boxes round them."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np

from entrypoint.phantoms.fields import Array, Point, Points, union
from entrypoint.phantoms.layers import Box, Context
from entrypoint.phantoms.skin import ears, skin

if TYPE_CHECKING:
    from entrypoint.phantoms.shape import Shape

__all__ = ["around", "d_skin", "on_skin", "smooth_line", "thread", "unit"]

Node = tuple[float, float, float, float]  # a point of the head's own frame, and a radius


def d_skin(c: Context) -> Array:
    """Signed field of the skin with the ears."""
    return c.once("skin with ears", lambda: union(c.d_skin, ears(c.shape, c.p), 4.0))


def unit(v: Array) -> Array:
    """The vector made of length 1."""
    value: Array = v / np.linalg.norm(v)
    return value


def on_skin(shape: Shape, direction: Array, above_mm: float) -> Array:
    """Point at a height above the skin, in a direction from the head's origin."""
    u = unit(np.asarray(direction, dtype=float))
    r = np.arange(45.0, 190.0, 0.5)
    inside = skin(shape, Points.of(r[:, None] * u)) < 0
    last = float(r[np.flatnonzero(inside)[-1]]) + 0.25
    value: Array = u * (last + above_mm)
    return value


def smooth_line(nodes: list[Node], step_mm: float = 7.0) -> list[Node]:
    """Pass a smooth curve through nodes, radius and all (centripetal enough for even nodes)."""
    p = np.array(nodes)
    ends = np.concatenate([[2 * p[0] - p[1]], p, [2 * p[-1] - p[-2]]])
    out: list[Node] = []
    for a, b, c, d in zip(ends, ends[1:], ends[2:], ends[3:], strict=False):
        n = max(1, round(float(np.linalg.norm(c[:3] - b[:3])) / step_mm))
        for t in np.arange(n) / n:
            v = b + 0.5 * t * (c - a + t * (2 * a - 5 * b + 4 * c - d + t * (3 * (b - c) + d - a)))
            out.append((float(v[0]), float(v[1]), float(v[2]), float(v[3])))
    return [*out, nodes[-1]]


def around(nodes: list[Node], more_mm: float = 4.0) -> Box:
    """Box that holds rods through nodes."""
    p = np.array(nodes)
    lo = (p[:, :3] - p[:, 3:]).min(axis=0) - more_mm
    hi = (p[:, :3] + p[:, 3:]).max(axis=0) + more_mm
    return (
        (float(lo[0]), float(lo[1]), float(lo[2])),
        (float(hi[0]), float(hi[1]), float(hi[2])),
    )


def thread(p: Points, points: list[Point], radius: float) -> Array:
    """A thin rod through points: quadratic in the distance, so that splines carry it unbent."""
    out: Array | None = None
    for a, b in itertools.pairwise(points):
        d = (b[0] - a[0], b[1] - a[1], b[2] - a[2])
        n = d[0] ** 2 + d[1] ** 2 + d[2] ** 2
        qx, qy, qz = p.x - a[0], p.y - a[1], p.z - a[2]
        t = np.clip((qx * d[0] + qy * d[1] + qz * d[2]) / n, 0.0, 1.0)
        square = (qx - t * d[0]) ** 2 + (qy - t * d[1]) ** 2 + (qz - t * d[2]) ** 2
        f = (square - radius**2) / (2.0 * radius)
        out = f if out is None else np.minimum(out, f)
    if out is None:
        raise ValueError("a thread needs at least two points")
    return out
