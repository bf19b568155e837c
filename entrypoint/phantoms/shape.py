"""The smooth surfaces of a head as functions of direction from its origin.

Outer table, inner table and the borders of the diploe are radius maps; the scalp lies a
thickness map outside the outer table. Picture and exact answers are both made from these
functions, the picture through a grid, the answers straight.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from entrypoint.phantoms.fields import Array, Bumps, Points, step
from entrypoint.phantoms.spec import HeadSpec

__all__ = ["Radii", "Shape", "directions"]

_POWER = 2.28


def directions(p: Points) -> tuple[Array, Array]:
    """Unit directions (..., 3) and radius from the origin."""
    r = np.sqrt(p.x * p.x + p.y * p.y + p.z * p.z) + 1e-6
    return np.stack([p.x / r, p.y / r, p.z / r], axis=-1), r


@dataclass(frozen=True, slots=True)
class Radii:
    """Radius of each surface along given directions, mm."""

    skin: Array
    outer: Array
    diploe_outer: Array
    diploe_inner: Array
    inner: Array


def _random_bumps(
    rng: np.random.Generator, n: int, sigma_mm: tuple[float, float], rms_mm: float
) -> list[tuple[tuple[float, float, float], float, float]]:
    rows = []
    for _ in range(n):
        c = rng.standard_normal(3)
        c /= np.linalg.norm(c)
        s = float(rng.uniform(*sigma_mm))
        # n bumps of this footprint overlap: scale so that their sum has the wanted spread
        cover = n * (s / 90.0) ** 2 / 4.0
        a = float(rng.standard_normal()) * rms_mm / np.sqrt(max(cover, 0.05))
        rows.append(
            (
                (float(c[0]), float(c[1]), float(c[2])),
                s,
                float(np.clip(a, -2.2 * rms_mm, 2.2 * rms_mm)),
            )
        )
    return rows


class Shape:
    """Radius maps of one head."""

    def __init__(
        self,
        spec: HeadSpec,
        scalp_extra: tuple[Bumps, ...] = (),
        skull_extra: tuple[Bumps, ...] = (),
        thickness_extra: tuple[Bumps, ...] = (),
    ) -> None:
        """Draw the unevenness of one head; the extras are planted bumps."""
        rng = np.random.default_rng([spec.seed, 11])
        self.spec = spec
        self.scalp_extra = scalp_extra
        self.skull_extra = skull_extra
        self.thickness_extra = thickness_extra
        # half axes of the outer table; what is added at the brow is taken off again
        self.b_mm = spec.length_mm / 2.0 - spec.scalp_mm - 0.6
        self.a_mm = spec.breadth_mm / 2.0 - spec.scalp_mm - 2.6
        self.c_up_mm = self.b_mm * spec.height_ratio
        self.c_down_mm = self.b_mm * 0.64
        self.scale = (
            spec.breadth_mm / 153.0,
            spec.length_mm / 197.0,
            spec.length_mm / 197.0 * spec.height_ratio / 0.915,
        )
        b = np.deg2rad(spec.inion_deg)
        self.inion_direction = (0.0, -float(np.cos(b)), float(np.sin(b)))
        ix, iy, iz = self.inion_direction
        brow = spec.brow_mm
        fixed = [
            ((0.0, 0.985, -0.17), 13.0, 0.85 * brow),  # glabella
            ((0.22, 0.95, -0.17), 13.0, 0.75 * brow),
            ((-0.22, 0.95, -0.17), 13.0, 0.75 * brow),
            ((0.40, 0.90, -0.10), 12.0, 0.45 * brow),
            ((-0.40, 0.90, -0.10), 12.0, 0.45 * brow),
            ((0.0, 0.93, -0.36), 9.0, -1.6 - spec.nasal_root_mm),  # nasal root
            ((0.36, 0.85, 0.36), 20.0, 1.6),  # frontal eminences
            ((-0.36, 0.85, 0.36), 20.0, 1.6),
            ((0.80, 0.52, -0.22), 17.0, -5.0),  # temporal hollows
            ((-0.80, 0.52, -0.22), 17.0, -5.0),
            ((0.82, -0.35, 0.38), 26.0, 2.6),  # parietal eminences
            ((-0.82, -0.35, 0.38), 26.0, 2.6),
            ((0.0, -0.96, 0.12), 26.0, 2.0),  # occiput
            ((ix, iy, iz), 7.5, spec.inion_mm),
            ((ix + 0.22, iy, iz + 0.02), 9.0, 0.35 * spec.inion_mm),
            ((ix - 0.22, iy, iz + 0.02), 9.0, 0.35 * spec.inion_mm),
        ]
        uneven = _random_bumps(rng, 34, (16.0, 38.0), spec.uneven_skull_mm)
        side = float(rng.choice([-1.0, 1.0]))
        bulges = [
            (
                (side * 0.72, float(rng.uniform(-0.6, 0.5)), float(rng.uniform(0.1, 0.6))),
                26.0,
                spec.bulge_mm,
            ),
            (
                (-side * 0.72, float(rng.uniform(-0.6, 0.5)), float(rng.uniform(0.1, 0.6))),
                26.0,
                -0.6 * spec.bulge_mm,
            ),
        ]
        self._outer = Bumps.of(fixed + uneven + bulges)
        self._scalp = Bumps.of(
            [
                ((0.97, 0.18, -0.18), 26.0, 5.0),
                ((-0.97, 0.18, -0.18), 26.0, 5.0),  # temporalis
                ((0.80, 0.55, -0.18), 16.0, 4.0),
                ((-0.80, 0.55, -0.18), 16.0, 4.0),
                ((0.0, 0.97, 0.1), 26.0, -0.7),  # forehead is thinner
                ((0.0, 0.98, -0.19), 11.0, 0.6),
                ((0.0, 0.93, -0.36), 8.0, 0.8),
                ((0.0, -0.9, -0.3), 30.0, 1.6),
                *_random_bumps(rng, 30, (14.0, 32.0), spec.uneven_scalp_mm),
            ]
        )
        t = spec.skull_mm
        self._thick = Bumps.of(
            [
                ((0.98, 0.15, -0.22), 20.0, -0.42 * t),
                ((-0.98, 0.15, -0.22), 20.0, -0.42 * t),
                ((0.0, 0.98, -0.15), 13.0, 0.55 * t + 1.5),  # room for the frontal sinus
                ((0.22, 0.95, -0.15), 11.0, 0.35 * t),
                ((-0.22, 0.95, -0.15), 11.0, 0.35 * t),
                ((ix, iy, iz), 12.0, 0.75 * t),  # both occipital protuberances
                ((0.0, -0.9, 0.3), 24.0, 0.12 * t),
                ((0.0, -0.75, -0.66), 22.0, -0.25 * t),
                *_random_bumps(rng, 30, (14.0, 34.0), spec.uneven_thickness * t),
            ]
        )

    # -- surfaces ---------------------------------------------------------------------------
    def outer(self, u: Array) -> Array:
        """Radius of the outer table along unit directions (..., 3)."""
        ux, uy, uz = u[..., 0], u[..., 1], u[..., 2]
        wide = self.a_mm * (1.0 - 0.055 * uy)
        high = np.where(uz > 0, self.c_up_mm, self.c_down_mm)
        q = (np.abs(ux) / wide) ** _POWER
        q += (np.abs(uy) / self.b_mm) ** _POWER
        q += (np.abs(uz) / high) ** _POWER
        r = q ** (-1.0 / _POWER)
        r = r + self._outer(u)
        # odd about the midline, and flat there, so that the midline stays where it is
        r += (self.spec.skew_mm * 2.6) * ux * np.abs(ux) * uy
        for extra in self.skull_extra:
            r = r + extra(u)
        return r

    def scalp(self, u: Array) -> Array:
        """Radial scalp thickness."""
        t = self.spec.scalp_mm + self._scalp(u)
        for extra in self.scalp_extra:
            t = t + extra(u)
        return np.maximum(t, 2.0)

    def thickness(self, u: Array) -> Array:
        """Radial thickness of the skull."""
        ux, uy = u[..., 0], u[..., 1]
        t = self.spec.skull_mm + self._thick(u)
        # frontal crest inside, and a low ridge beside the sagittal sinus
        crest = np.exp(-((ux / 0.035) ** 2)) * (2.6 * step(uy - 0.62, 0.5))
        t = t + crest
        for extra in self.thickness_extra:
            t = t + extra(u)
        low = 2.2
        return low + np.logaddexp((t - low) * 2.0, 0.0).astype(t.dtype) / 2.0

    def radii(self, u: Array) -> Radii:
        """All surfaces at once."""
        s = self.spec
        outer = self.outer(u)
        t = self.thickness(u)
        t_out = np.minimum(s.outer_table_mm * (1.0 + 0.12 * u[..., 1]), 0.48 * t)
        t_in = np.minimum(s.inner_table_mm * (1.0 + 0.12 * u[..., 2]), 0.40 * t)
        return Radii(outer + self.scalp(u), outer, outer - t_out, outer - t + t_in, outer - t)
