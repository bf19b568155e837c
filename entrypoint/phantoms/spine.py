"""Upper cervical spine as layers."""

from __future__ import annotations

import numpy as np

from entrypoint.phantoms.fields import Array, Points, capsule, ellipsoid, meet
from entrypoint.phantoms.layers import Box, Context, Layer
from entrypoint.phantoms.shape import Shape
from entrypoint.phantoms.skin import face_points

__all__ = ["spine_layers"]


def _q(c: Context) -> Points:
    return face_points(c.shape, c.p)


def _b(lo: tuple[float, float, float], hi: tuple[float, float, float]) -> Box:
    return (lo, hi)


def spine_layers(shape: Shape) -> list[Layer]:
    """Upper cervical vertebrae with the canal."""
    hu = shape.spec.cortical_hu

    def q_of(c: Context) -> Points:
        return _q(c)

    def bone(c: Context) -> Array:
        m = q_of(c).mirrored()
        atlas = np.minimum(
            ellipsoid(m, (19, -24, -72), (9, 11, 7.5)),
            np.maximum(
                np.sqrt(
                    (np.sqrt((m.x / 1.15) ** 2 + (m.y + 30) ** 2) - 22.0) ** 2 + (m.z + 73) ** 2
                )
                - 3.6,
                -1e3,
            ),
        )
        dens = capsule(m, (0, -15, -67), (0, -16, -92), 4.6, 6.0)
        out = np.minimum(atlas, dens)
        for z in (-96.0, -114.0, -132.0, -150.0, -168.0):
            y = -17.0 + 0.10 * (z + 96.0)
            body = meet(
                np.sqrt((m.x / 1.25) ** 2 + (m.y - y) ** 2) - 8.4,
                np.abs(m.z - z + 0.12 * (m.y - y)) - 6.9,
                4.0,
            )
            pillar = ellipsoid(m, (20, y - 12, z), (6.5, 7, 8))
            lamina = capsule(m, (18, y - 17, z), (0, y - 31, z - 2), 3.0, 3.2)
            spin = capsule(m, (0, y - 31, z - 3), (2, y - 46, z - 8), 3.2, 2.8)
            pedicle = capsule(m, (8, y - 4, z), (18, y - 10, z), 3.0)
            for part in (body, pillar, lamina, spin, pedicle):
                out = np.minimum(out, part)
        value: Array = out
        return value

    def spongy(c: Context) -> Array:
        return bone(c) + 1.9

    def canal(c: Context) -> Array:
        m = q_of(c).mirrored()
        y = -33.0 + 0.10 * (m.z + 96.0)
        tube = np.sqrt((m.x / 1.25) ** 2 + (m.y - y) ** 2) - 8.2
        return np.maximum(tube, m.z + 58.0)

    def cord(c: Context) -> Array:
        m = q_of(c).mirrored()
        y = -32.0 + 0.10 * (m.z + 96.0)
        tube = np.sqrt((m.x / 1.35) ** 2 + (m.y - y) ** 2) - 4.2
        return np.maximum(tube, m.z + 58.0)

    where = _b((-36, -84, -190), (36, 4, -52))
    return [
        Layer("vertebrae", bone, 0.62 * hu, where),
        Layer("vertebral marrow", spongy, 300.0, where),
        Layer("spinal canal", canal, 14.0, where),
        Layer("spinal cord", cord, 36.0, where),
    ]
