"""Metal: a plate with screws, a bolt already in place."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from entrypoint.phantoms.conditions.base import Condition, Patch, site_direction
from entrypoint.phantoms.fields import Array, capsule
from entrypoint.phantoms.layers import Context, Layer

if TYPE_CHECKING:
    from entrypoint.phantoms.head import Head

__all__ = ["Bolt", "Plate"]

_METAL_HU = 8000.0  # far beyond the 12-bit range: the scanner clips it


@dataclass(frozen=True, slots=True, kw_only=True)
class Plate(Condition):
    """A thin plate on the outer table, held by four screws."""

    code: ClassVar[str] = "plate"
    rank: ClassVar[int] = 60
    side: str = "right"
    length_mm: float = 18.0
    width_mm: float = 4.0
    thick_mm: float = 0.9
    ahead_mm: float = 14.0
    lateral_mm: float = 38.0

    def _patch(self, head: Head) -> Patch:
        return Patch.at(
            site_direction(head, self.side, ahead_mm=self.ahead_mm, lateral_mm=self.lateral_mm)
        )

    def layers(self, head: Head) -> list[Layer]:
        """Strip and screws."""
        patch = self._patch(head)
        u = (float(patch.n[0]), float(patch.n[1]), float(patch.n[2]))
        box = head.inside(u, -26.0, 26.0)

        def strip(c: Context) -> Array:
            a, b, n = patch.coordinates(c)
            d = np.maximum(np.abs(a) - 0.5 * self.length_mm, np.abs(b) - 0.5 * self.width_mm)
            return np.maximum(d, -n)

        def screws(c: Context) -> Array:
            a, b, n = patch.coordinates(c)
            out: Array | None = None
            for x in (-0.42, -0.15, 0.15, 0.42):
                d = np.sqrt((a - x * self.length_mm) ** 2 + b * b) - 0.9
                out = d if out is None else np.minimum(out, d)
            reach = np.maximum(c.d_out - 1.0, -4.0 - c.d_out)
            return np.maximum(reach, np.maximum(n * 0.0 if out is None else out, -n))

        return [
            Layer(
                "plate",
                strip,
                _METAL_HU,
                box,
                lambda c: c.d_out - 0.5 * self.thick_mm,
                0.5 * self.thick_mm,
            ),
            Layer("screws", screws, _METAL_HU, box),
        ]

    def bone_gap_mm(self, head: Head, point_mm: Array) -> float | None:
        """Distance to the metal, which hides the bone."""
        a, b = self._patch(head).of_point(point_mm)
        return float(
            np.hypot(
                max(0.0, abs(a) - 0.5 * self.length_mm), max(0.0, abs(b) - 0.5 * self.width_mm)
            )
        )

    def truth(self, head: Head) -> dict[str, Any]:
        """Side and size."""
        return {"side": self.side, "length_mm": self.length_mm, "thick_mm": self.thick_mm}


@dataclass(frozen=True, slots=True, kw_only=True)
class Bolt(Condition):
    """A hollow bolt through the skull with a thin sensor inside the brain."""

    code: ClassVar[str] = "bolt"
    rank: ClassVar[int] = 62
    side: str = "right"
    radius_mm: float = 2.6
    tip_mm: float = 22.0  # of the sensor, below the outer table
    ahead_mm: float = 0.0
    lateral_mm: float = 30.0

    def _ends(self, head: Head) -> tuple[Array, Array]:
        """Outer-table point and inward direction."""
        return head.foot(
            site_direction(head, self.side, ahead_mm=self.ahead_mm, lateral_mm=self.lateral_mm)
        )

    def layers(self, head: Head) -> list[Layer]:
        """Shaft and sensor."""
        foot, inward = self._ends(head)
        top, low, tip = foot - 32.0 * inward, foot + 7.0 * inward, foot + self.tip_mm * inward

        def point(v: Array) -> tuple[float, float, float]:
            return (float(v[0]), float(v[1]), float(v[2]))

        def shaft(c: Context) -> Array:
            return capsule(c.p, point(top), point(low), self.radius_mm)

        def sensor(c: Context) -> Array:
            return capsule(c.p, point(low), point(tip), 0.75)

        n = np.array([float(v) for v in foot / np.linalg.norm(foot)])
        box = head.inside(point(n), -46.0, 46.0)
        return [Layer("bolt", shaft, _METAL_HU, box), Layer("sensor", sensor, 2600.0, box)]

    def bone_gap_mm(self, head: Head, point_mm: Array) -> float | None:
        """Distance to the shaft."""
        foot, inward = self._ends(head)
        q = point_mm - foot
        return max(0.0, float(np.linalg.norm(q - (q @ inward) * inward)) - self.radius_mm)

    def truth(self, head: Head) -> dict[str, Any]:
        """Foot, tip and direction, world mm."""
        foot, inward = self._ends(head)
        m = head.world_from_head
        return {
            "side": self.side,
            "outer_table_mm": [float(v) for v in m[:3, :3] @ foot + m[:3, 3]],
            "tip_mm": [float(v) for v in m[:3, :3] @ (foot + self.tip_mm * inward) + m[:3, 3]],
            "unit_inward": [float(v) for v in m[:3, :3] @ inward],
        }
