"""Sutures of the skull: where they run, and the narrow gap that they make."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from entrypoint.phantoms.fields import Array, step
from entrypoint.phantoms.layers import Context, Layer
from entrypoint.phantoms.shape import Shape

__all__ = ["bow_mm", "coronal_curve", "lateral_radius", "suture_layers"]


def lateral_radius(shape: Shape) -> float:
    """Radius that turns an angle away from the midline into a lateral arc, mm."""
    return 0.5 * (shape.a_mm + shape.c_up_mm)


def bow_mm(lateral_mm: Array) -> Array:
    """Forward bow of the coronal suture from the bregma line.

    A smooth curve through 1, 3, 5, 8, 10, 14 mm at 1 to 6 cm lateral
    (J Neurosurg 2013;118(3):510-513, 15 cadavers), straight beyond.
    """
    x = np.minimum(np.abs(lateral_mm), 62.0) / 10.0
    over = np.maximum(np.abs(lateral_mm) - 62.0, 0.0) / 10.0
    return 0.36 * x * x + 0.25 * (np.sqrt(x * x + 0.09) - 0.3) + 4.7 * over


def coronal_curve(shape: Shape, bregma_rad: float, lateral_rad: Array) -> Array:
    """Unit directions of the coronal suture's centre line.

    Parameters
    ----------
    bregma_rad : float
        Polar angle of the bregma in the midsagittal plane, 0 = anterior, pi/2 = superior.
    lateral_rad : array (n,)
        Angles away from the midsagittal plane, positive to the right.

    Returns
    -------
    array (n, 3)
    """
    psi = np.asarray(lateral_rad, dtype=np.float64)
    bow = shape.spec.suture_bow * bow_mm(psi * lateral_radius(shape))
    phi = np.full_like(psi, bregma_rad)
    for _ in range(40):
        u = _direction(psi, phi)
        phi = bregma_rad - bow / (shape.outer(u) * np.cos(psi))
    return _direction(psi, phi)


def _direction(psi: Array, phi: Array) -> Array:
    c = np.cos(psi)
    return np.stack([np.sin(psi), c * np.cos(phi), c * np.sin(phi)], axis=-1)


def suture_layers(shape: Shape, bregma_rad: float) -> list[Layer]:
    """Coronal, sagittal and lambdoid sutures."""
    s = shape.spec
    lambda_rad = float(np.deg2rad(146.0))
    radius = lateral_radius(shape)

    def angles(c: Context) -> tuple[Array, Array, Array]:
        phi = np.arctan2(c.u[..., 2], c.u[..., 1])
        phi = np.where(phi < -np.pi / 2, phi + 2 * np.pi, phi)
        psi = np.arcsin(np.clip(c.u[..., 0], -1.0, 1.0))
        return phi, psi, np.cos(psi)

    def teeth(c: Context, along: Array, name: str, size: float) -> Array:
        # less interdigitation towards the inner table
        fade = np.clip(1.0 + c.d_out / 9.0, 0.15, 1.0)
        return size * fade * (np.sin(along * (2 * np.pi / 8.0)) * 0.6 + 0.8 * c.texture(name, 7.0))

    def coronal(c: Context) -> Array:
        phi, psi, cos = angles(c)
        lateral = psi * radius
        outer = c.r - c.d_out
        at = bregma_rad - s.suture_bow * bow_mm(lateral) / (outer * np.maximum(cos, 0.2))
        d = (at - phi) * c.r * np.maximum(cos, 0.05)
        value: Array = d + teeth(c, lateral, "coronal", 0.7) * step(np.abs(lateral) - 8.0, 16.0)
        return value

    def sagittal(c: Context) -> Array:
        phi, _, _ = angles(c)
        return c.p.x + teeth(c, phi * 90.0, "sagittal", 1.0)

    def lambdoid(c: Context) -> Array:
        phi, psi, cos = angles(c)
        d = (phi - lambda_rad - 1.05 * np.abs(psi)) * c.r * np.maximum(cos, 0.05) / 1.35
        return d + teeth(c, psi * 80.0, "lambdoid", 1.0)

    def shell(c: Context) -> Array:
        return np.maximum(c.d_out, -c.d_in)

    def coronal_reach(c: Context) -> Array:
        return np.maximum(shell(c), -2.0 - c.p.z)

    def sagittal_reach(c: Context) -> Array:
        phi, _, _ = angles(c)
        return np.maximum(shell(c), 90.0 * np.maximum(bregma_rad - phi, phi - lambda_rad))

    def lambdoid_reach(c: Context) -> Array:
        return np.maximum(np.maximum(shell(c), -34.0 - c.p.z), c.p.y + 25.0)

    def metopic_reach(c: Context) -> Array:
        phi, _, _ = angles(c)
        return np.maximum(shell(c), 90.0 * np.maximum(phi - bregma_rad, -0.05 - phi))

    def closed(reach: Callable[[Context], Array]) -> Callable[[Context], Array]:
        return lambda c: np.maximum(reach(c), c.d_diploe_out)

    high = ((-85.0, -60.0, -10.0), (85.0, 95.0, 110.0))
    back = ((-85.0, -115.0, -42.0), (85.0, 20.0, 110.0))
    middle = ((-7.0, -115.0, -14.0), (7.0, 110.0, 110.0))
    w = 0.5 * s.suture_width_mm
    out = []
    rows = [
        ("coronal suture", coronal, coronal_reach, high),
        ("sagittal suture", sagittal, sagittal_reach, middle),
        ("lambdoid suture", lambdoid, lambdoid_reach, back),
    ]
    if s.metopic:
        rows.append(("metopic suture", sagittal, metopic_reach, middle))
    for name, sheet, reach, where in rows:
        if name == "coronal suture" and not s.suture_open:
            # a closed suture: a dense seam through the diploe, no gap
            if s.suture_seam > 0.0:
                hu = s.diploe_hu + s.suture_seam * (0.72 * s.cortical_hu - s.diploe_hu)
                out.append(Layer(name, closed(reach), hu, where, sheet, 1.3))
        else:
            out.append(Layer(name, reach, s.suture_hu, where, sheet, w))
    return out
