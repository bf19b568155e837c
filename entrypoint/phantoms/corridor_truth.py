"""Changes planted on one path of a head, and how much of the path's corridor each takes up.

A change is placed by the path itself (foot on the outer table and inward direction, head frame),
so that it lies where a reader of the path has to look, and its extent is known exactly.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from entrypoint.phantoms.brain import brain_layers
from entrypoint.phantoms.conditions.base import Condition
from entrypoint.phantoms.fields import Array, Bumps, Points, step
from entrypoint.phantoms.layers import Box, Context, Layer

if TYPE_CHECKING:
    from entrypoint.phantoms.head import Head

__all__ = [
    "AirOnPath",
    "CrackOnPath",
    "DensePlateOnPath",
    "GapOnPath",
    "LayerOnPath",
    "MetalOnPath",
    "SinusOnPath",
    "SwellingOnPath",
    "ventricle_distance_mm",
]

_REACH_MM = 45.0


def _turned(deg: float) -> tuple[float, float]:
    return float(np.cos(np.deg2rad(deg))), float(np.sin(np.deg2rad(deg)))


@dataclass(frozen=True, slots=True, kw_only=True)
class _OnPath(Condition):
    """A change on a path; ``aside_mm`` is its distance from the path across it."""

    code: ClassVar[str] = "on_path"
    foot_mm: tuple[float, float, float]
    unit_inward: tuple[float, float, float]
    aside_mm: tuple[float, float] = (0.0, 0.0)

    def axes(self) -> tuple[Array, Array, Array, Array]:
        """Foot and three unit vectors: two across the path, and inwards."""
        inward = np.array(self.unit_inward)
        across = np.array([1.0, 0.0, 0.0]) - inward[0] * inward
        across /= np.linalg.norm(across)
        return np.array(self.foot_mm), across, np.cross(inward, across), inward

    def coordinates(self, c: Context) -> tuple[Array, Array, Array]:
        """Distances from the change's own line, twice across and once along it from the foot."""
        foot, u, v, w = self.axes()

        def dot(a: Array) -> Array:
            value: Array = (
                (c.p.x - float(foot[0])) * float(a[0])
                + (c.p.y - float(foot[1])) * float(a[1])
                + (c.p.z - float(foot[2])) * float(a[2])
            )
            return value

        return dot(u) - self.aside_mm[0], dot(v) - self.aside_mm[1], dot(w)

    def box(self) -> Box:
        """Box round the path."""
        f = np.array(self.foot_mm)
        lo, hi = f - _REACH_MM, f + _REACH_MM
        return (
            (float(lo[0]), float(lo[1]), float(lo[2])),
            (float(hi[0]), float(hi[1]), float(hi[2])),
        )

    def layer(
        self, field: Callable[[Context], Array], hu: float | Callable[[Context], Array]
    ) -> Layer:
        """Matter near the path."""
        return Layer(self.code, field, hu, self.box())

    def truth(self, head: Head) -> dict[str, Any]:
        """What was planted."""
        return {
            f.name: getattr(self, f.name)
            for f in fields(self)
            if f.name not in ("foot_mm", "unit_inward")
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class SwellingOnPath(_OnPath):
    """The skin lifted off the bone over the path."""

    code: ClassVar[str] = "swelling"
    height_mm: float = 4.0
    sigma_mm: float = 15.0

    def scalp_bumps(self, head: Head) -> Bumps | None:
        """Lift the skin."""
        f = np.array(self.foot_mm)
        u = f / np.linalg.norm(f)
        at = (float(u[0]), float(u[1]), float(u[2]))
        return Bumps.of([(at, self.sigma_mm, self.height_mm)])


@dataclass(frozen=True, slots=True, kw_only=True)
class GapOnPath(_OnPath):
    """A hole through both tables, round or a slot."""

    code: ClassVar[str] = "gap"
    width_mm: float = 3.0
    slot: bool = False
    turn_deg: float = 0.0

    def layers(self, head: Head) -> list[Layer]:
        """Soft tissue in place of bone."""
        cos, sin = _turned(self.turn_deg)

        def hole(c: Context) -> Array:
            a, b, w = self.coordinates(c)
            across = np.abs(cos * a + sin * b) if self.slot else np.sqrt(a * a + b * b)
            side = across - 0.5 * self.width_mm
            if self.slot:
                side = np.maximum(side, np.abs(cos * b - sin * a) - 12.0)
            between = np.maximum(c.d_out - 0.3, -c.d_in - 0.3)
            value: Array = np.maximum(np.maximum(side, between), -12.0 - w)
            return value

        return [self.layer(hole, 38.0)]

    def bone_gap_mm(self, head: Head, point_mm: Array) -> float | None:
        """The path runs through it."""
        return 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CrackOnPath(_OnPath):
    """A straight crack through both tables."""

    code: ClassVar[str] = "fracture"
    width_mm: float = 1.0
    length_mm: float = 50.0
    turn_deg: float = 0.0

    def layers(self, head: Head) -> list[Layer]:
        """A thin dark sheet."""
        cos, sin = _turned(self.turn_deg)

        def sheet(c: Context) -> Array:
            a, b, _ = self.coordinates(c)
            return cos * a + sin * b

        def reach(c: Context) -> Array:
            a, b, w = self.coordinates(c)
            far = np.abs(cos * b - sin * a) - 0.5 * self.length_mm
            return np.maximum(np.maximum(far, -12.0 - w), np.maximum(c.d_out, -c.d_in))

        return [Layer(self.code, reach, 35.0, self.box(), sheet, 0.5 * self.width_mm)]

    def bone_gap_mm(self, head: Head, point_mm: Array) -> float | None:
        """The crack lies within the corridor."""
        return float(np.hypot(*self.aside_mm))


@dataclass(frozen=True, slots=True, kw_only=True)
class MetalOnPath(_OnPath):
    """A ball of metal at a depth below the outer table."""

    code: ClassVar[str] = "metal"
    width_mm: float = 2.0
    depth_mm: float = 3.0
    hu: float = 8000.0  # far beyond the 12-bit range: the scanner clips it

    def layers(self, head: Head) -> list[Layer]:
        """The ball."""

        def ball(c: Context) -> Array:
            a, b, w = self.coordinates(c)
            value: Array = np.sqrt(a * a + b * b + (w - self.depth_mm) ** 2) - 0.5 * self.width_mm
            return value

        return [self.layer(ball, self.hu)]


@dataclass(frozen=True, slots=True, kw_only=True)
class AirOnPath(MetalOnPath):
    """A bubble of air at a depth below the outer table."""

    code: ClassVar[str] = "air"
    width_mm: float = 4.0
    depth_mm: float = 12.0
    hu: float = -985.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerOnPath(_OnPath):
    """A layer under the inner table, thickest on the path and running out round it.

    With ``pushes_brain`` the brain and its own fluid lie that much deeper under it.
    """

    code: ClassVar[str] = "layer"
    thick_mm: float = 4.0
    radius_mm: float = 18.0
    hu: float = 62.0
    pushes_brain: bool = False

    def layers(self, head: Head) -> list[Layer]:
        """The layer, its HU a little uneven."""

        def sheet(c: Context) -> Array:
            a, b, w = self.coordinates(c)
            # Full thickness in the corridor, then a smooth end.
            rim = step(self.radius_mm - np.sqrt(a * a + b * b), 0.6 * self.radius_mm)
            thick = self.thick_mm * rim
            if self.pushes_brain:
                thick = thick + (2.4 + 0.5 * c.texture("surface", 16.0)) * step(rim - 0.1, 0.2)
            value: Array = np.maximum(
                np.maximum(c.d_in, -c.d_in - thick), np.maximum(0.05 - rim, -12.0 - w)
            )
            return value

        return [self.layer(sheet, lambda c: self.hu + 3.0 * c.texture("layer", 10.0))]


@dataclass(frozen=True, slots=True, kw_only=True)
class SinusOnPath(_OnPath):
    """Air between the tables, the skull made thick enough to hold it."""

    code: ClassVar[str] = "sinus"
    high_mm: float = 4.0
    radius_mm: float = 9.0

    def thickness_bumps(self, head: Head) -> Bumps | None:
        """Room between the tables."""
        f = np.array(self.foot_mm)
        u = f / np.linalg.norm(f)
        have = float(head.shape.thickness(u[None])[0])
        room = max(0.0, self.high_mm + 3.4 - have)
        at = (float(u[0]), float(u[1]), float(u[2]))
        return Bumps.of([(at, 16.0, room)])

    def layers(self, head: Head) -> list[Layer]:
        """The cavity."""

        def hollow(c: Context) -> Array:
            a, b, w = self.coordinates(c)
            disc = np.sqrt(a * a + b * b) - self.radius_mm
            between = np.maximum(c.d_diploe_out, -c.d_in + 1.2)
            value: Array = np.maximum(np.maximum(disc, between), -12.0 - w)
            return value

        return [self.layer(hollow, -985.0)]


@dataclass(frozen=True, slots=True, kw_only=True)
class DensePlateOnPath(_OnPath):
    """A dense plate below the inner table, not joined to it."""

    code: ClassVar[str] = "dense-plate"
    gap_mm: float = 2.5
    thick_mm: float = 1.5
    radius_mm: float = 5.0
    hu: float = 600.0

    def layers(self, head: Head) -> list[Layer]:
        """The plate."""

        def plate(c: Context) -> Array:
            a, b, w = self.coordinates(c)
            disc = np.sqrt(a * a + b * b) - self.radius_mm
            middle = self.gap_mm + 0.5 * self.thick_mm
            slab = np.abs(c.d_in + middle) - 0.5 * self.thick_mm
            value: Array = np.maximum(np.maximum(disc, slab), -12.0 - w)
            return value

        return [self.layer(plate, self.hu)]


def ventricle_distance_mm(
    head: Head, point_mm: Array, *, reach_mm: float = 60.0, step_mm: float = 1.0
) -> float | None:
    """Distance from a head-frame point to the nearest ventricle, to about half a step.

    None where there is none within reach; 0 inside one.
    """
    field = next(x.field for x in brain_layers(head.shape) if x.name == "ventricles")
    o = np.arange(-reach_mm, reach_mm + 1e-6, step_mm)
    away = np.stack(np.meshgrid(o, o, o, indexing="ij"), axis=-1).reshape(-1, 3)
    far = np.linalg.norm(away, axis=1)
    points = np.asarray(point_mm, dtype=float) + away[far <= reach_mm]
    # The field is a distance near its surface: what a point lacks to it is added.
    d = np.asarray(field(Context.at(Points.of(points), head.shape)), dtype=float)
    near = d < step_mm
    if not near.any():
        return None
    return float(max(0.0, np.min(far[far <= reach_mm][near] + d[near])))
