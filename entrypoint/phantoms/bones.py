"""The skull with its base, as layers."""

from __future__ import annotations

import numpy as np

from entrypoint.phantoms.fields import Array, Points, capsule, ellipsoid, meet, step, union
from entrypoint.phantoms.layers import Context, Layer
from entrypoint.phantoms.shape import Shape
from entrypoint.phantoms.skin import face_points

__all__ = ["base_low", "cavity", "floor", "nasal_bones", "skull_layers"]


def _floor(c: Context) -> Array:
    return c.once("floor", lambda: floor(_q(c)))


def _base_low(c: Context) -> Array:
    return c.once("base", lambda: base_low(_q(c), _floor(c)))


def _q(c: Context) -> Points:
    return face_points(c.shape, c.p)


def floor(q: Points) -> Array:
    """Height of the floor of the cranial cavity, in reference coordinates."""
    m = np.abs(q.x)
    # roofs of the orbits bulge upwards on either side of the low middle
    roof = 5.0 * np.exp(-(((m - 29.0) / 15.0) ** 2) - (((q.y - 55.0) / 20.0) ** 2))
    ant = -24.0 + roof - 7.0 * np.exp(-((m / 7.5) ** 2)) + 0.05 * (q.y - 50.0)
    bowl = 0.012 * (q.y - 6.0) ** 2 + 0.010 * (m - 36.0) ** 2
    mid = -46.0 + np.minimum(bowl, 12.0) * step(m - 14.0, 14.0)
    mid = (
        mid
        + 14.0 * np.exp(-((m / 12.0) ** 4))
        - 8.0 * np.exp(-((m / 7.5) ** 2)) * np.exp(-(((q.y - 9.0) / 6.5) ** 2))
    )
    back = -80.0 + 0.0 * m
    # the lesser wing is an arc: farther back at its ends than in the middle of each side
    wing_y = 27.0 + 6.0 * np.exp(-(((m - 34.0) / 14.0) ** 2))
    f = mid + (ant - mid) * step(q.y - wing_y, 15.0)
    # petrous ridge: from beside the clivus outwards and backwards
    ridge_y = -2.0 - 0.50 * m
    behind = step(ridge_y - q.y, 12.0)
    f = f + (back - f) * behind
    ridge = (11.0 - 0.06 * m) * np.exp(-(((q.y - ridge_y) / 9.0) ** 2)) * step(m - 9.0, 8.0)
    clivus = -36.0 - 0.95 * np.maximum(-2.0 - q.y, 0.0)
    middle = step(13.0 - m, 8.0)
    f = f + ridge * step(68.0 - m, 10.0)
    return np.where(q.y < 4.0, np.maximum(f, clivus + (-90.0 - clivus) * (1.0 - middle)), f)


def base_low(q: Points, f: Array) -> Array:
    """Height of the lower face of the bone of the skull base, given its floor ``f``."""
    m = np.abs(q.x)
    ant = f - 2.6
    mid = f - 4.0 - 7.0 * np.exp(-((m / 14.0) ** 2))
    ridge_y = -4.0 - 0.50 * m
    # the petrous pyramids are solid under their ridges
    mid = mid - 15.0 * np.exp(-(((q.y - ridge_y) / 10.0) ** 2)) * step(m - 8.0, 8.0)
    low = mid + (ant - mid) * step(q.y - 30.0, 8.0)
    return low + (-85.0 - low) * step(-10.0 - 0.5 * m - q.y, 16.0)


def nasal_bones(shape: Shape, p: Points) -> Array:
    """Nasal bones: the part of the outer bone surface below the nasal root."""
    q = face_points(shape, p)
    squeezed = Points(q.x * 0.75, q.y, q.z)
    return capsule(squeezed, (0, 79.0, -27), (0, 94.5, -52), 5.2, 3.4)


def outer_bone(c: Context) -> Array:
    """Calvaria with the base cut free and the nasal bones joined."""
    q = _q(c)
    cut = meet(c.d_out, _base_low(c) - q.z, 9.0)
    return union(cut, nasal_bones(c.shape, c.p), 4.0)


def cavity(c: Context) -> Array:
    """Cranial cavity."""
    return c.once("cavity", lambda: _cavity(c))


def _cavity(c: Context) -> Array:
    q = _q(c)
    d = meet(c.d_in, _floor(c) - q.z, 13.0)
    hole = np.maximum(ellipsoid(q, (0, -29, -56), (14.5, 17.5, 18)), q.z + 48)
    return union(d, hole, 4.0)


def _lobes(c: Context) -> Array:
    """Frontal sinus: two uneven lobes between the tables."""
    k = c.shape.spec.frontal_sinus
    q = _q(c)
    rng = np.random.default_rng([c.shape.spec.seed, 23])
    r = rng.uniform(0.75, 1.25, 2)
    a = ellipsoid(q, (8.5, 84, -17 + 5 * k), (9.5 * k * r[0], 9, 11 * k * r[0]))
    b = ellipsoid(q, (-8.5, 84, -17 + 5 * k), (9.5 * k * r[1], 9, 11 * k * r[1]))
    scalloped = np.minimum(a, b) + 1.3 * c.texture("frontal sinus", 15.0)
    lobes = np.maximum(scalloped, 0.7 - np.abs(q.x - 1.0))
    between = np.maximum(c.d_diploe_out + 0.7, 0.4 - c.d_in)
    return np.maximum(lobes, np.maximum(between, -26.0 - q.z))


def skull_layers(shape: Shape) -> list[Layer]:
    """Bone from outside inwards, then what is hollowed out of it."""
    s = shape.spec
    cort = s.cortical_hu

    def diploe(c: Context) -> Array:
        q = _q(c)
        low = _base_low(c)
        return np.maximum(np.maximum(c.d_diploe_out, low + 3.2 - q.z), -1e3)

    def inner(c: Context) -> Array:
        q = _q(c)
        return meet(c.d_diploe_in, _floor(c) - 1.6 - q.z, 13.0)

    def dip_hu(c: Context) -> Array:
        t = c.texture("diploe", 6.0) + 0.7 * c.texture("diploe large", 17.0)
        return s.diploe_hu + s.diploe_texture_hu * t

    layers = [
        Layer("skull", outer_bone, cort),
        Layer("diploe", diploe, dip_hu),
        Layer("inner table", inner, cort * 1.04),
        Layer("frontal sinus", _lobes, -990.0, ((-40, 50, -35), (40, 110, 30)))
        if s.frontal_sinus > 0
        else None,
    ]
    return [x for x in layers if x is not None]
