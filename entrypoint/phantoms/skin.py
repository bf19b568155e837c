"""The skin: scalp, brow, nose, lips, chin, ears and neck as one smooth field."""

from __future__ import annotations

import numpy as np

from entrypoint.phantoms.fields import Array, Points, capsule, ellipsoid, less, sphere, union
from entrypoint.phantoms.shape import Shape, directions

__all__ = ["ears", "face_points", "neck", "skin", "skin_without_ears"]


def face_points(shape: Shape, p: Points) -> Points:
    """Coordinates of the reference face that every head's face is scaled from."""
    sx, sy, sz = shape.scale
    return Points(p.x / sx, p.y / sy, p.z / sz)


def neck(q: Points) -> Array:
    """Neck, leaning forward as it rises, in reference coordinates."""
    lean = 0.16 * (q.z + 100.0)
    e = np.sqrt((q.x / 57.0) ** 2 + ((q.y + 34.0 - lean) / 57.0) ** 2) * 57.0 - 57.0
    return np.maximum(e, q.z + 45.0)


def nose(shape: Shape, q: Points) -> Array:
    """Nose with its wings, in reference coordinates."""
    k = shape.spec.nose_scale
    m = q.mirrored()
    ridge = capsule(q, (0, 83.5, -30), (0, 97.0 + 3 * (k - 1), -56), 5.2, 6.2)
    low = capsule(q, (0, 97.0 + 3 * (k - 1), -56), (0, 97.0 + 13.0 * k, -76), 6.2, 8.6)
    wing = ellipsoid(m, (10.5, 97.5, -79), (7.5, 11.0, 7.5))
    tip_y = 97.0 + 10.0 * k
    base = capsule(q, (0, tip_y, -79), (0, 90.0, -85.5), 5.5, 5.0)
    return union(union(union(ridge, low, 8.0), wing, 7.0), base, 5.0)


def skin_without_ears(shape: Shape, p: Points, scalp: Array | None = None) -> Array:
    """Signed field of the skin except the ears.

    Parameters
    ----------
    scalp : array, optional
        ``r - R_skin`` where it has been computed already.
    """
    q = face_points(shape, p)
    if scalp is None:
        u, r = directions(p)
        scalp = r - shape.outer(u) - shape.scalp(u)
    m = q.mirrored()
    face = ellipsoid(q, (0, 36, -66), (65, 53, 58))
    jaw = ellipsoid(q, (0, 38, -108), (50, 54, 40))
    cheek = ellipsoid(m, (35, 66, -66), (25, 24, 24))
    lips = union(
        ellipsoid(q, (0, 86, -98), (24, 14.0, 9.5)),
        ellipsoid(q, (0, 85, -110), (22, 13.0, 8.0)),
        3.0,
    )
    chin = ellipsoid(q, (0, 79.5, -134), (19, 15, 14))
    low = union(union(face, jaw, 22.0), cheek, 14.0)
    low = union(union(low, lips, 7.0), chin, 11.0)
    sockets = ellipsoid(m, (33, 100, -37), (19, 13.5, 12))
    low = less(low, sockets, 9.0)
    head = union(scalp, low, 12.0)
    lids = sphere(m, (shape.spec.interpupillary_mm / 2.0, 75.5, -37), 13.4)
    head = union(head, lids, 4.0)
    head = union(head, nose(shape, q), 9.0)
    return union(head, neck(q), 26.0)


def ears(shape: Shape, p: Points) -> Array:
    """Pinnae."""
    q = face_points(shape, p).mirrored()
    # tilt each ear outwards and backwards
    t = Points(q.x - 76.0 + 0.32 * (q.y + 14.0), q.y + 16.0 + 0.18 * (q.z + 40.0), q.z + 38.0)
    shell = ellipsoid(t, (0, 0, 0), (4.5, 16.5, 31.0))
    bowl = ellipsoid(t, (4.6, 3.0, -3.0), (4.6, 9.5, 14.0))
    return less(shell, bowl, 2.5)


def skin(shape: Shape, p: Points, scalp: Array | None = None) -> Array:
    """Signed field of the whole skin."""
    return union(skin_without_ears(shape, p, scalp), ears(shape, p), 4.0)
