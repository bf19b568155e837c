"""Scalp, fat, muscle and airway layers."""

from __future__ import annotations

import numpy as np

from entrypoint.phantoms.fields import Array, Points, chain, step, union
from entrypoint.phantoms.layers import Context, Layer, texture_at
from entrypoint.phantoms.shape import Shape
from entrypoint.phantoms.skin import ears, face_points

__all__ = ["airway_layers", "soft_layers"]


def soft_layers(shape: Shape) -> list[Layer]:
    """From the skin inwards to the bone."""

    def whole(c: Context) -> Array:
        return union(c.d_skin, ears(shape, c.p), 4.0)

    def fat(c: Context) -> Array:
        return c.d_skin + 1.7 + 0.25 * c.texture("dermis", 14.0)

    def fat_hu(c: Context) -> Array:
        strands = np.maximum(c.texture("strands", 5.5) - 0.9, 0.0)
        return -92.0 + 60.0 * strands

    def deep(c: Context) -> Array:
        # galea and pericranium over the vault; muscle behind a thickness of fat elsewhere
        q = face_points(shape, c.p)
        under = c.d_skin + 5.5 + 1.8 * c.texture("fat depth", 24.0)
        vault = c.d_out - 2.0 - 0.45 * c.texture("galea", 18.0)
        temporal = c.d_out - 10.5 * np.exp(
            -(((q.y - 22.0) / 30.0) ** 4) - (((q.z + 20.0) / 34.0) ** 4)
        ) * step(np.abs(q.x) - 42.0, 14.0)
        return np.maximum(np.minimum(np.minimum(under, vault), temporal), c.d_skin + 2.0)

    def deep_hu(c: Context) -> Array:
        q = face_points(shape, c.p)
        low = step(-26.0 - q.z, 14.0) * step(c.d_out - 2.0, 6.0)
        # muscles run mostly up and down, fat in thin planes between them
        t = texture_at(c, "planes", 19.0, Points(q.x, q.y, 0.28 * q.z))
        planes = np.exp(-((2.6 * t) ** 2)) * low
        value: Array = 54.0 + 5.0 * c.texture("muscle", 7.0) - 105.0 * planes
        return value

    def buccal(c: Context) -> Array:
        m = face_points(shape, c.p).mirrored()
        pad = chain(m, [(44, 52, -78, 7.0), (40, 42, -92, 8.0)])
        infra = chain(m, [(52, 22, -62, 3.5), (54, 34, -50, 4.5)])
        return np.minimum(pad, infra)

    return [
        Layer("skin", whole, 45.0),
        Layer("fat", fat, fat_hu),
        Layer("muscle", deep, deep_hu),
        Layer("buccal fat", buccal, -95.0, ((-66, 10, -104), (66, 66, -42))),
    ]


def airway_layers(shape: Shape) -> list[Layer]:
    """Pharynx and larynx."""

    def air(c: Context) -> Array:
        q = face_points(shape, c.p)
        m = q.mirrored()
        tube = chain(
            m,
            [
                (0, 12, -64, 8.0),
                (0, 3, -84, 7.5),
                (0, 6, -104, 7.0),
                (0, 9, -130, 6.0),
                (0, 10, -200, 8.0),
            ],
        )
        mouth = np.maximum(
            np.abs(q.z + 92.0 + 0.010 * (q.y - 50) ** 2) - 1.2,
            np.maximum(np.abs(q.x) - 20.0, np.maximum(25.0 - q.y, q.y - 72.0)),
        )
        return np.minimum(tube, mouth)

    return [Layer("airway", air, -990.0, ((-26, -10, -205), (26, 78, -50)))]
