"""Signed fields of simple solids: negative inside, close to a distance near the surface.

All functions take coordinate arrays of one shape and return an array of that shape and
floating type. They are the bricks that the head is built from; nothing here knows anatomy.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
Point = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Points:
    """Coordinates in the head's own frame, mm: right, anterior, superior."""

    x: Array
    y: Array
    z: Array

    @staticmethod
    def of(xyz_mm: Array) -> Points:
        """Take an array (..., 3) apart."""
        return Points(xyz_mm[..., 0], xyz_mm[..., 1], xyz_mm[..., 2])

    def mirrored(self) -> Points:
        """Return both sides folded on the right one: ``|x|``."""
        return Points(np.abs(self.x), self.y, self.z)


def ellipsoid(p: Points, centre: Point, semi: Point) -> Array:
    """Ellipsoid with axes along the frame; ``semi`` are half lengths, mm."""
    u = (p.x - centre[0]) / semi[0]
    v = (p.y - centre[1]) / semi[1]
    w = (p.z - centre[2]) / semi[2]
    k0 = np.sqrt(u * u + v * v + w * w)
    u, v, w = u / semi[0], v / semi[1], w / semi[2]
    k1 = np.sqrt(u * u + v * v + w * w)
    return k0 * (k0 - 1.0) / (k1 + 1e-6)


def sphere(p: Points, centre: Point, radius: float) -> Array:
    """Ball."""
    return (
        np.sqrt((p.x - centre[0]) ** 2 + (p.y - centre[1]) ** 2 + (p.z - centre[2]) ** 2) - radius
    )


def capsule(p: Points, a: Point, b: Point, radius_a: float, radius_b: float | None = None) -> Array:
    """Rounded rod from ``a`` to ``b`` whose radius runs from one value to the other."""
    rb = radius_a if radius_b is None else radius_b
    d = (b[0] - a[0], b[1] - a[1], b[2] - a[2])
    n = d[0] ** 2 + d[1] ** 2 + d[2] ** 2
    qx, qy, qz = p.x - a[0], p.y - a[1], p.z - a[2]
    t = np.clip((qx * d[0] + qy * d[1] + qz * d[2]) / n, 0.0, 1.0)
    dist = np.sqrt((qx - t * d[0]) ** 2 + (qy - t * d[1]) ** 2 + (qz - t * d[2]) ** 2)
    return dist - (radius_a + (rb - radius_a) * t)


def chain(p: Points, nodes: list[tuple[float, float, float, float]]) -> Array:
    """Union of rods through nodes ``(x, y, z, radius)``."""
    out = None
    for (ax, ay, az, ra), (bx, by, bz, rb) in itertools.pairwise(nodes):
        c = capsule(p, (ax, ay, az), (bx, by, bz), ra, rb)
        out = c if out is None else np.minimum(out, c)
    assert_nodes(out)
    return out  # type: ignore[return-value]


def assert_nodes(out: Array | None) -> None:
    """Refuse a chain of fewer than two nodes."""
    if out is None:
        raise ValueError("a chain needs at least two nodes")


def box(p: Points, lo: Point, hi: Point, round_mm: float = 0.0) -> Array:
    """Box between two corners, its edges rounded."""
    out = None
    for c, a, b in ((p.x, lo[0], hi[0]), (p.y, lo[1], hi[1]), (p.z, lo[2], hi[2])):
        d = np.abs(c - 0.5 * (a + b)) - (0.5 * (b - a) - round_mm)
        out = (
            (np.maximum(d, 0.0) ** 2, d)
            if out is None
            else (out[0] + np.maximum(d, 0.0) ** 2, np.maximum(out[1], d))
        )
    if out is None:
        raise ValueError("a box has three sides")
    value: Array = np.sqrt(out[0]) + np.minimum(out[1], 0.0) - round_mm
    return value


def union(a: Array, b: Array, blend_mm: float) -> Array:
    """Smooth union: exact away from the seam, rounded over ``blend_mm`` at it."""
    h = np.maximum(blend_mm - np.abs(a - b), 0.0) / blend_mm
    value: Array = np.minimum(a, b) - h * h * (0.25 * blend_mm)
    return value


def meet(a: Array, b: Array, blend_mm: float) -> Array:
    """Smooth intersection."""
    h = np.maximum(blend_mm - np.abs(a - b), 0.0) / blend_mm
    value: Array = np.maximum(a, b) + h * h * (0.25 * blend_mm)
    return value


def less(a: Array, b: Array, blend_mm: float) -> Array:
    """Smooth difference: ``a`` without ``b``."""
    return meet(a, -b, blend_mm)


def step(v: Array, width: float) -> Array:
    """Smooth step from 0 to 1 around 0, about ``width`` wide."""
    t = np.clip(v / width + 0.5, 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


@dataclass(frozen=True, slots=True)
class Waves:
    """Smooth random texture of zero mean and unit spread: a sum of plane waves."""

    k: Array  # (n, 3), radians per mm
    phase: Array  # (n,)

    @staticmethod
    def make(rng: np.random.Generator, wavelength_mm: float, n: int = 9) -> Waves:
        """Draw ``n`` waves of about one wavelength in all directions."""
        d = rng.standard_normal((n, 3))
        d /= np.linalg.norm(d, axis=1, keepdims=True)
        lengths = wavelength_mm * np.exp(rng.uniform(-0.3, 0.35, n))
        return Waves(d * (2 * np.pi / lengths)[:, None], rng.uniform(0, 2 * np.pi, n))

    def __call__(self, p: Points) -> Array:
        """Evaluate."""
        out = None
        for (kx, ky, kz), phase in zip(self.k.tolist(), self.phase.tolist(), strict=True):
            s = np.sin(p.x * kx + p.y * ky + p.z * kz + phase)
            out = s if out is None else out + s
        if out is None:
            raise ValueError("a texture needs waves")
        value: Array = out * float(np.sqrt(2.0 / len(self.phase)))
        return value


@dataclass(frozen=True, slots=True)
class Bumps:
    """Smooth bumps on the sphere of directions: ``sum amp exp(kappa (u.c - 1))``."""

    centres: Array  # (n, 3) unit
    kappa: Array  # (n,)
    amp_mm: Array  # (n,)

    @staticmethod
    def of(rows: list[tuple[Point, float, float]], radius_mm: float = 90.0) -> Bumps:
        """Make from rows of (direction, sigma in mm on a sphere of ``radius_mm``, height)."""
        c = np.array([r[0] for r in rows], dtype=float).reshape(-1, 3)
        if len(c):
            c /= np.linalg.norm(c, axis=1, keepdims=True)
        s = np.array([r[1] for r in rows], dtype=float)
        return Bumps(c, (radius_mm / s) ** 2, np.array([r[2] for r in rows], dtype=float))

    def __call__(self, u: Array) -> Array:
        """Evaluate at unit directions (..., 3)."""
        out = np.zeros(u.shape[:-1], dtype=u.dtype)
        one = u.dtype.type(1)
        for c, k, a in zip(self.centres, self.kappa, self.amp_mm, strict=True):
            dot = u[..., 0] * u.dtype.type(c[0])
            dot += u[..., 1] * u.dtype.type(c[1])
            dot += u[..., 2] * u.dtype.type(c[2])
            dot -= one
            dot *= u.dtype.type(k)
            np.exp(dot, out=dot)
            dot *= u.dtype.type(a)
            out += dot
        return out
