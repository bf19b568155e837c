"""Petrous bone, orbits, nose, jaws, teeth and air cells as layers."""

from __future__ import annotations

import numpy as np

from entrypoint.phantoms.fields import Array, Points, box, capsule, chain, ellipsoid, sphere, union
from entrypoint.phantoms.layers import Box, Context, Layer
from entrypoint.phantoms.shape import Shape
from entrypoint.phantoms.skin import face_points

__all__ = ["face_layers"]


def _q(c: Context) -> Points:
    return face_points(c.shape, c.p)


def _b(lo: tuple[float, float, float], hi: tuple[float, float, float]) -> Box:
    return (lo, hi)


def face_layers(shape: Shape) -> list[Layer]:
    """Petrous bone, orbits, jaws, teeth and air cells."""
    hu = shape.spec.cortical_hu
    half_ipd = shape.spec.interpupillary_mm / 2.0

    def mq(c: Context) -> Points:
        return _q(c).mirrored()

    def petrous(c: Context) -> Array:
        m = mq(c)
        return union(
            capsule(m, (13, -8, -42), (52, -27, -42), 7.5, 11.0),
            ellipsoid(m, (56, -32, -54), (11, 14, 21)),
            8.0,
        )

    def cells(c: Context) -> Array:
        m = mq(c)
        body = np.minimum(
            ellipsoid(m, (56, -32, -53), (9.5, 12, 18)), ellipsoid(m, (46, -26, -41), (10, 7, 6.5))
        )
        return np.maximum(body, 1.1 * (c.texture("mastoid", 8.5) + 0.15))

    def cone(m: Points, grow: float) -> Array:
        return np.maximum(
            capsule(m, (half_ipd + 0.5, 79, -37), (11.5, 31, -36), 17.5 + grow, 4.0 + grow),
            m.y - 84.5 + 0.42 * (m.x - 18),
        )

    def orbit_wall(c: Context) -> Array:
        return cone(mq(c), 1.3)

    def rim(c: Context) -> Array:
        m = mq(c)
        t = Points(m.x - half_ipd - 1.0, m.y - 80.5 + 0.46 * (m.x - 24), m.z + 37.0)
        value: Array = np.sqrt((np.sqrt((t.x / 1.08) ** 2 + t.z**2) - 18.5) ** 2 + t.y**2) - 3.6
        return value

    def orbit(c: Context) -> Array:
        return cone(mq(c), 0.0)

    def muscles(c: Context) -> Array:
        m = mq(c)
        out: Array | None = None
        for dx, dz in ((9.5, 0.0), (-9.0, 0.0), (0.5, 9.5), (0.5, -9.5)):
            r = chain(
                m,
                [
                    (13, 35, -36, 1.2),
                    (0.45 * (half_ipd + dx) + 7.5, 52, -36.5 + 0.75 * dz, 2.6),
                    (half_ipd + dx * 1.12, 72, -37 + dz * 1.15, 1.3),
                ],
            )
            out = r if out is None else np.minimum(out, r)
        nerve = chain(m, [(12, 30, -36, 2.0), (half_ipd - 1.5, 65, -37, 2.2)])
        return np.minimum(out, nerve) if out is not None else nerve

    def globe(c: Context) -> Array:
        return sphere(mq(c), (half_ipd, 75.5, -37), 12.0)

    def lens(c: Context) -> Array:
        return ellipsoid(mq(c), (half_ipd, 83.0, -37), (4.6, 2.2, 4.6))

    def maxilla(c: Context) -> Array:
        m = mq(c)
        body = ellipsoid(m, (27, 58, -68), (19, 22, 23)) + 1.6 * c.texture("antrum", 24.0)
        arch = (
            np.sqrt(
                (np.sqrt((m.x / 0.80) ** 2 + (m.y - 52) ** 2) - 33.0) ** 2
                + (0.55 * (m.z + 89.0)) ** 2
            )
            - 5.5
        )
        arch = np.maximum(arch, 46.0 - m.y)
        palate = np.maximum(
            np.maximum(np.abs(m.z + 84.5) - 1.8, m.x - 22), np.maximum(38 - m.y, m.y - 82)
        )
        spine = capsule(m, (0, 80, -82), (0, 89, -83), 3.0, 1.5)
        return union(union(union(body, arch, 5.0), palate, 3.0), spine, 3.0)

    def antrum(c: Context) -> Array:
        m = mq(c)
        e = ellipsoid(m, (27.5, 57, -67), (16.6, 19.6, 19.8))
        return np.maximum(e, 13.5 - m.x) + 1.6 * c.texture("antrum", 24.0)

    def nasal(c: Context) -> Array:
        m = mq(c)
        slot = np.maximum(
            box(m, (-1, 20, -81), (12, 84, -44), 4.0), 0.55 * (m.y - 92 - 0.6 * (m.z + 50))
        )
        naris = capsule(m, (5.5, 85, -77), (7.5, 103, -84), 5.0, 4.2)
        return np.minimum(slot, naris)

    def turbinates(c: Context) -> Array:
        m = mq(c)
        a = chain(m, [(8.5, 30, -74, 3.4), (9.0, 76, -75, 3.6)])
        b = chain(m, [(8.0, 30, -61, 2.8), (8.0, 70, -61, 3.0)])
        return np.minimum(a, b)

    def septum(c: Context) -> Array:
        m = mq(c)
        value: Array = np.maximum(np.maximum(20 - m.y, m.z + 40), c.d_skin + 1.5)
        return value

    def septal_bone(c: Context) -> Array:
        return box(mq(c), (-2, 24, -82), (2, 68, -40))

    def ethmoid(c: Context) -> Array:
        m = mq(c)
        return box(m, (1.2, 31, -56), (12.0, 73, -28), 3.0)

    def ethmoid_cells(c: Context) -> Array:
        q = _q(c)
        m = q.mirrored()
        lattice = np.minimum(
            np.abs(((q.y + 1.6 * np.sin(q.z / 5)) % 9.5) - 4.75),
            np.abs(((q.z + 1.6 * np.sin(q.y / 6 + q.x)) % 9.0) - 4.5),
        )
        return np.maximum(box(m, (2.0, 32, -55), (11.2, 72, -29), 2.5), 0.75 - lattice)

    def sphenoid(c: Context) -> Array:
        q = _q(c)
        e = np.minimum(
            ellipsoid(q, (7.5, 18, -50), (8.5, 13, 9)), ellipsoid(q, (-7.0, 17, -51), (8.0, 12, 8))
        )
        return np.maximum(e, 0.6 - np.abs(q.x - 0.8))

    def sphenoid_bone(c: Context) -> Array:
        m = mq(c)
        body = ellipsoid(m, (0, 16, -50), (18, 17, 13))
        wing = chain(m, [(12, 26, -34, 3.2), (40, 33, -28, 2.6), (56, 38, -22, 3.0)])
        clivus = capsule(m, (0, 0, -46), (0, -11, -58), 7.0, 5.0)
        plate = chain(m, [(12, 22, -58, 2.2), (13, 18, -82, 1.8)])
        great = chain(m, [(20, 30, -46, 2.5), (44, 40, -40, 2.8), (50, 44, -32, 2.6)])
        return np.minimum(np.minimum(union(union(body, wing, 4.0), clivus, 4.0), plate), great)

    def zygoma(c: Context) -> Array:
        m = mq(c)
        body = chain(m, [(40, 72, -60, 4.5), (52, 60, -54, 4.8), (49, 64, -38, 3.4)])
        arch = chain(
            m, [(53, 58, -55, 3.6), (64, 30, -52, 2.4), (66, 8, -48, 2.8), (61, -4, -45, 3.4)]
        )
        return union(body, arch, 3.0)

    def mandible(c: Context) -> Array:
        m = mq(c)
        body = chain(
            m, [(0, 82, -131, 6.5), (14, 78, -130, 6.5), (33, 50, -124, 6.2), (45, 20, -116, 6.0)]
        )
        alveolar = chain(m, [(0, 83, -117, 4.6), (15, 77, -116, 4.8), (26, 54, -113, 4.8)])
        ramus = chain(m, [(46, 18, -116, 5.0), (49, 8, -82, 4.2), (50, 2, -58, 3.6)])
        head = ellipsoid(m, (50, 1, -53), (9, 5, 5))
        coronoid = chain(m, [(48, 18, -90, 3.2), (48, 24, -66, 2.0)])
        return union(union(union(union(body, alveolar, 6), ramus, 6), head, 4), coronoid, 4)

    def marrow(c: Context) -> Array:
        m = mq(c)
        jaw = chain(
            m,
            [
                (0, 82, -130, 3.8),
                (14, 78, -129, 3.8),
                (33, 50, -123, 3.6),
                (45, 20, -115, 3.4),
                (49, 8, -82, 1.9),
                (50, 2, -58, 1.6),
            ],
        )
        cheek = chain(m, [(40, 72, -60, 2.6), (52, 60, -54, 2.9), (49, 64, -38, 1.5)])
        return np.minimum(jaw, cheek) + 0.5 * c.texture("marrow", 9.0)

    def teeth(c: Context) -> Array:
        m = mq(c)
        out: Array | None = None
        for i, t in enumerate(np.deg2rad([7, 21, 35, 49, 63, 76, 88])):
            x, y = 29.5 * float(np.sin(t)), 52 + 32.0 * float(np.cos(t))
            w = (3.6, 3.2, 3.6, 3.4, 3.8, 4.4, 4.2)[i]
            up = capsule(m, (x * 0.97, y - 1.5, -92), (x, y, -102.5), 1.8, w)
            lo = capsule(m, (x * 0.95, y - 3.5, -115), (x * 0.96, y - 2.5, -106.5), 1.8, w * 0.92)
            both = np.minimum(up, lo)
            out = both if out is None else np.minimum(out, both)
        return np.maximum(out, -1e3) if out is not None else m.x

    def canal(c: Context) -> Array:
        m = mq(c)
        return chain(m, [(73, -12, -40, 3.4), (56, -13, -41, 3.2), (41, -15, -41, 2.8)])

    def otic(c: Context) -> Array:
        m = mq(c)
        return np.minimum(sphere(m, (33, -18, -40), 5.5), sphere(m, (24, -13, -41), 5.0))

    def inner_canal(c: Context) -> Array:
        return capsule(mq(c), (12, -20, -40), (27, -18, -40), 2.6, 2.2)

    face = _b((-62, 20, -95), (62, 105, -15))
    jaw = _b((-62, -8, -142), (62, 96, -45))
    ear = _b((-78, -52, -80), (78, 8, -24))
    eye = _b((-56, 24, -62), (56, 92, -12))
    return [
        Layer("petrous", petrous, 1.05 * hu, ear),
        Layer("sphenoid bone", sphenoid_bone, 0.62 * hu, _b((-66, -22, -90), (66, 50, -14))),
        Layer("orbital wall", orbit_wall, 0.62 * hu, eye),
        Layer("ethmoid", ethmoid, 0.36 * hu, _b((-16, 26, -62), (16, 78, -22))),
        Layer("orbital rim", rim, 0.82 * hu, eye),
        Layer("maxilla", maxilla, 0.66 * hu, face),
        Layer("zygoma", zygoma, 0.85 * hu, _b((-74, -12, -70), (74, 84, -28))),
        Layer("mandible", mandible, 1.1 * hu, jaw),
        Layer("marrow", marrow, 300.0, _b((-62, -8, -142), (62, 96, -28))),
        Layer("teeth", teeth, 2200.0, _b((-40, 44, -120), (40, 94, -86))),
        Layer("orbit", orbit, -88.0, eye),
        Layer("eye muscles", muscles, 48.0, eye),
        Layer("globe", globe, 14.0, eye),
        Layer("lens", lens, 72.0, eye),
        Layer("antrum", antrum, -985.0, _b((-48, 34, -90), (48, 80, -44))),
        Layer("nasal cavity", nasal, -985.0, _b((-20, 15, -94), (20, 112, -36))),
        Layer("turbinates", turbinates, 55.0, _b((-15, 16, -84), (15, 100, -40))),
        Layer("septum", septum, 50.0, _b((-6, 15, -94), (6, 112, -36)), lambda c: c.p.x, 1.7),
        Layer(
            "septal bone", septal_bone, 480.0, _b((-4, 20, -86), (4, 72, -36)), lambda c: c.p.x, 0.5
        ),
        Layer("ethmoid cells", ethmoid_cells, -900.0, _b((-16, 26, -62), (16, 78, -22))),
        Layer("sphenoid sinus", sphenoid, -985.0, _b((-22, 2, -66), (22, 36, -36))),
        Layer("otic capsule", otic, 1.45 * hu, ear),
        Layer("mastoid cells", cells, -820.0, ear),
        Layer("internal canal", inner_canal, 12.0, ear),
        Layer("ear canal", canal, -985.0, ear),
    ]
