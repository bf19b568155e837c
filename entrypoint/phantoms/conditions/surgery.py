"""What an operation leaves: a bone flap put back, a drain through the skull.

Sizes are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from entrypoint.phantoms.conditions.base import Condition, Patch, site_direction
from entrypoint.phantoms.conditions.draped import Node, around, smooth_line, thread, unit
from entrypoint.phantoms.fields import Array, Point, capsule
from entrypoint.phantoms.layers import Context, Layer

if TYPE_CHECKING:
    from entrypoint.phantoms.head import Head

__all__ = ["BoneFlap", "Drain"]

_METAL_HU = 8000.0


def _point(v: Array) -> Point:
    return (float(v[0]), float(v[1]), float(v[2]))


@dataclass(frozen=True, slots=True, kw_only=True)
class BoneFlap(Condition):
    """A piece of skull cut out and put back: a saw line all round, three discs over it."""

    code: ClassVar[str] = "bone_flap"
    rank: ClassVar[int] = 11
    opens_bone: ClassVar[bool] = True
    side: str = "right"
    radius_mm: float = 32.0
    cut_mm: float = 1.8  # width of the saw line
    disc_mm: float = 6.0  # radius of the discs that hold it
    thick_mm: float = 0.7
    ahead_mm: float = -22.0
    lateral_mm: float = 54.0

    def _patch(self, head: Head) -> Patch:
        return Patch.at(
            site_direction(head, self.side, ahead_mm=self.ahead_mm, lateral_mm=self.lateral_mm)
        )

    def _discs(self) -> list[tuple[float, float]]:
        return [
            (self.radius_mm * float(np.cos(t)), self.radius_mm * float(np.sin(t)))
            for t in np.deg2rad([35.0, 155.0, 275.0])
        ]

    def layers(self, head: Head) -> list[Layer]:
        """Saw line, then metal."""
        patch = self._patch(head)
        out = _point(patch.n)

        def ring(c: Context) -> Array:
            a, b, _ = patch.coordinates(c)
            value: Array = np.sqrt(a * a + b * b) - self.radius_mm
            return value

        def through(c: Context) -> Array:
            _, _, n = patch.coordinates(c)
            return np.maximum(-n, np.maximum(c.d_out - 0.3, -c.d_in - 0.3))

        def discs(c: Context) -> Array:
            a, b, n = patch.coordinates(c)
            d = np.min([np.sqrt((a - x) ** 2 + (b - y) ** 2) for x, y in self._discs()], axis=0)
            value: Array = np.maximum(d - self.disc_mm, -n)
            return value

        r = self.radius_mm + 25.0
        box = head.inside(out, -r, r)
        half = 0.5 * self.thick_mm
        return [
            Layer("saw line", through, 38.0, box, ring, 0.5 * self.cut_mm),
            Layer("discs", discs, _METAL_HU, box, lambda c: c.d_out - half, half),
        ]

    def bone_gap_mm(self, head: Head, point_mm: Array) -> float | None:
        """Distance to the saw line, or to a disc."""
        a, b = self._patch(head).of_point(point_mm)
        line = abs(float(np.hypot(a, b)) - self.radius_mm) - 0.5 * self.cut_mm
        disc = min(float(np.hypot(a - x, b - y)) for x, y in self._discs()) - self.disc_mm
        return max(0.0, min(line, disc))

    def truth(self, head: Head) -> dict[str, Any]:
        """Side, radius and width of the cut."""
        return {"side": self.side, "radius_mm": self.radius_mm, "cut_mm": self.cut_mm}


@dataclass(frozen=True, slots=True, kw_only=True)
class Drain(Condition):
    """A soft drain through a drilled hole towards the ventricle, led back under the scalp."""

    code: ClassVar[str] = "drain"
    rank: ClassVar[int] = 61
    opens_bone: ClassVar[bool] = True
    side: str = "right"
    radius_mm: float = 1.5
    hole_mm: float = 2.8  # radius of the hole
    depth_mm: float = 58.0  # of the tip below the outer table
    hu: float = 420.0

    def _foot(self, head: Head) -> tuple[Array, Array]:
        return head.foot(site_direction(head, self.side))

    def layers(self, head: Head) -> list[Layer]:
        """Hole, tube, bore."""
        shape = head.shape
        foot, inward = self._foot(head)
        s = 1.0 if self.side == "right" else -1.0
        above, below = _point(foot - 2.0 * inward), _point(foot + 18.0 * inward)

        def hole(c: Context) -> Array:
            rod = capsule(c.p, above, below, self.hole_mm)
            return np.maximum(rod, np.maximum(c.d_out - 0.3, -c.d_in - 0.3))

        rows = [foot + t * inward for t in (self.depth_mm, 0.5 * self.depth_mm, 4.0)]
        for back, aside, share in ((6.0, 0.0, 0.45), (22.0, 3.0, 0.5), (38.0, 6.0, 0.5)):
            u = unit(foot + np.array([s * aside, -back, 0.25 * back]))
            r = float(shape.outer(u[None])[0]) + share * float(shape.scalp(u[None])[0])
            rows.append(u * r)
        u = unit(foot + np.array([s * 8.0, -50.0, 12.0]))
        rows.append(u * float(shape.outer(u[None])[0] + shape.scalp(u[None])[0] + 12.0))
        nodes: list[Node] = smooth_line([(*_point(p), self.radius_mm) for p in rows], 4.0)
        line: list[Point] = [(x, y, z) for x, y, z, _ in nodes]
        where = around(nodes, 6.0)
        return [
            Layer("drilled hole", hole, 38.0, around([(*above, 8.0), (*below, 8.0)])),
            Layer("drain", lambda c: thread(c.p, line, self.radius_mm), self.hu, where),
            Layer("bore", lambda c: thread(c.p, line, 0.5 * self.radius_mm), 10.0, where),
        ]

    def bone_gap_mm(self, head: Head, point_mm: Array) -> float | None:
        """Distance to the hole."""
        foot, inward = self._foot(head)
        q = point_mm - foot
        return max(0.0, float(np.linalg.norm(q - (q @ inward) * inward)) - self.hole_mm)

    def truth(self, head: Head) -> dict[str, Any]:
        """Side and depth."""
        return {"side": self.side, "depth_mm": self.depth_mm}
