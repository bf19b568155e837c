"""What lies inside the skull."""

from __future__ import annotations

import numpy as np

from entrypoint.phantoms.bones import cavity
from entrypoint.phantoms.fields import Array, Points, chain, ellipsoid, step
from entrypoint.phantoms.layers import Context, Layer
from entrypoint.phantoms.shape import Shape
from entrypoint.phantoms.skin import face_points

__all__ = ["brain_layers"]


def _brain_points(c: Context) -> Points:
    """Reference coordinates of the brain, pushed aside where there is a midline shift."""
    q = face_points(c.shape, c.p)
    shift = c.shape.spec.midline_shift_mm
    if shift == 0.0:
        return q
    push = shift * np.exp(-(((q.y - 5.0) / 55.0) ** 2) - (((q.z - 10.0) / 38.0) ** 2))
    return Points(q.x - push, q.y, q.z)


def brain_layers(shape: Shape) -> list[Layer]:
    """Fluid, grey and white matter, ventricles, falx, sinus."""

    def dura(c: Context) -> Array:
        return cavity(c)

    def sulci(c: Context) -> Array:
        """Negative in the folds: the zero sheets of a smooth random field."""
        return c.texture("sulci", 21.0) + 0.35 * c.texture("sulci small", 11.0)

    def grey(c: Context) -> Array:
        d = c.d_in + 2.4 + 0.5 * c.texture("surface", 16.0)
        fold = 1.0 - 3.6 * np.abs(sulci(c)) - 0.075 * np.maximum(-c.d_in - 5.0, 0.0)
        return np.maximum(np.maximum(d, cavity(c) + 2.0), fold)

    def white(c: Context) -> Array:
        d = c.d_in + 6.5 + 0.5 * c.texture("surface", 16.0)
        fold = 4.2 - 5.2 * np.abs(sulci(c)) - 0.16 * np.maximum(-c.d_in - 7.0, 0.0)
        return np.maximum(np.maximum(d, cavity(c) + 6.0), fold)

    def nuclei(c: Context) -> Array:
        m = _brain_points(c).mirrored()
        return np.minimum(
            ellipsoid(m, (13, -8, 12), (8, 14, 8)), ellipsoid(m, (25, 8, 11), (6, 15, 9))
        )

    def ventricles(c: Context) -> Array:
        m = _brain_points(c).mirrored()
        lateral = chain(
            m,
            [
                (9.5, 36, 16, 2.5),
                (9, 27, 21, 4.6),
                (10, 8, 27, 4.2),
                (14, -18, 27, 4.6),
                (23, -40, 20, 6.0),
                (28, -46, 8, 4.6),
                (32, -26, -12, 2.4),
            ],
        )
        occipital = chain(m, [(23, -40, 18, 5.0), (20, -62, 10, 2.2)])
        third = np.maximum(m.x - 2.0, ellipsoid(m, (0, 2, 4), (4, 15, 11)))
        fourth = ellipsoid(m, (0, -34, -26), (7, 5, 9))
        return np.minimum(np.minimum(lateral, occipital), np.minimum(third, fourth))

    def cisterns(c: Context) -> Array:
        m = _brain_points(c).mirrored()
        supra = ellipsoid(m, (0, 8, -22), (15, 10, 8))
        quad = ellipsoid(m, (0, -28, -4), (12, 5, 6))
        sylvian = chain(m, [(22, 22, -14, 2.0), (42, 20, -4, 2.4), (54, 2, 8, 2.0)])
        pons = ellipsoid(m, (0, 4, -34), (16, 5, 12))
        return np.minimum(np.minimum(supra, quad), np.minimum(sylvian, pons))

    def stem(c: Context) -> Array:
        q = _brain_points(c)
        value: Array = np.minimum(
            ellipsoid(q, (0, -14, -24), (15, 12, 15)),
            np.maximum(chain(q, [(0, -17, -34, 9), (0, -27, -56, 6), (0, -31, -70, 5)]), -q.z - 75),
        )
        return value

    def falx(c: Context) -> Array:
        q = face_points(shape, c.p)
        depth = 30.0 + 14.0 * step(-q.y, 120.0)
        return np.maximum(c.d_in, np.maximum(-depth - c.d_in, -4.0 - q.z))

    def tent_sheet(c: Context) -> Array:
        q = face_points(shape, c.p)
        z = -24.0 + 14.0 * np.exp(-((q.x / 26.0) ** 2)) * step(-20.0 - q.y, 40.0) * step(
            q.y + 95.0, 60.0
        )
        return q.z - z

    def tent(c: Context) -> Array:
        q = face_points(shape, c.p)
        open_ = 1.0 - np.sqrt((q.x / 16.0) ** 2 + ((q.y + 14.0) / 24.0) ** 2)
        return np.maximum(c.d_in, np.maximum(12.0 * open_, q.y + 6.0 + 0.4 * np.abs(q.x)))

    def sinus(c: Context) -> Array:
        q = face_points(shape, c.p)
        grow = 2.2 + 1.8 * step(20.0 - q.y, 160.0)
        return np.maximum(
            np.maximum(np.abs(c.p.x) - grow - 0.7 * (c.d_in + 4.0), c.d_in), -30.0 - q.z
        )

    return [
        Layer("fluid", dura, 9.0),
        Layer("grey matter", grey, lambda c: 38.5 + 1.2 * c.texture("grey", 12.0)),
        Layer("white matter", white, lambda c: 28.5 + 1.2 * c.texture("white", 18.0)),
        Layer("cisterns", cisterns, 10.0, ((-62, -40, -48), (62, 40, 16))),
        Layer("brain stem", stem, 32.0, ((-20, -44, -76), (20, 4, -4))),
        Layer("nuclei", nuclei, 38.0, ((-36, -30, -4), (36, 30, 28))),
        Layer("ventricles", ventricles, 8.0, ((-42, -72, -42), (42, 46, 40))),
        Layer("tentorium", tent, 56.0, ((-75, -98, -32), (75, 10, 0)), tent_sheet, 0.7),
        Layer(
            "falx",
            falx,
            62.0,
            ((-20, -105, -20), (20, 100, 100)),
            lambda c: _brain_points(c).x,
            0.75,
        ),
        Layer("sagittal sinus", sinus, 56.0, ((-12, -105, -34), (12, 100, 100))),
    ]
