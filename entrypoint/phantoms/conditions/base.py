"""What a planted condition may change.

A condition is a frozen record with any of these hooks; each has a default that does nothing.
Bumps change the smooth surfaces and so are part of the exact answers; surroundings are painted
before the head, so that they never enter it; layers paint extra matter over it; ``image`` works
on the finished picture.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from entrypoint.phantoms.fields import Array, Bumps, Point

if TYPE_CHECKING:
    from entrypoint.phantoms.head import Head
    from entrypoint.phantoms.layers import Context, Layer

__all__ = ["Condition", "Patch", "site_direction"]


def site_direction(
    head: Head, side: str, *, ahead_mm: float = 0.0, lateral_mm: float = 30.0
) -> Point:
    """Direction, from the head's origin, of about the rule's point or of a point near it."""
    half = 0.5 * head.spec.length_mm
    phi = np.deg2rad(-19.0) + (110.0 - ahead_mm) / half
    x = (1.0 if side == "right" else -1.0) * lateral_mm / (0.95 * half)
    c = float(np.sqrt(1.0 - x * x))
    return (float(x), c * float(np.cos(phi)), c * float(np.sin(phi)))


@dataclass(frozen=True, slots=True)
class Patch:
    """A spot on the skull: across and along coordinates round a direction."""

    n: Array
    across: Array  # towards the patient's right
    along: Array  # towards the front

    @staticmethod
    def at(direction: Point) -> Patch:
        """Make from a direction."""
        n = np.array(direction, dtype=float)
        n /= np.linalg.norm(n)
        across = np.array([1.0, 0.0, 0.0]) - n[0] * n
        across /= np.linalg.norm(across)
        along = np.cross(n, across)
        if along[1] < 0:
            along = -along
        return Patch(n, across, along)

    def coordinates(self, c: Context) -> tuple[Array, Array, Array]:
        """Distances across, along and out of the spot, mm."""

        def dot(v: Array) -> Array:
            return c.p.x * float(v[0]) + c.p.y * float(v[1]) + c.p.z * float(v[2])

        return dot(self.across), dot(self.along), dot(self.n)

    def of_point(self, point_mm: Array) -> tuple[float, float]:
        """Across and along of one head-frame point."""
        return float(point_mm @ self.across), float(point_mm @ self.along)


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """A condition that changes nothing."""

    code: ClassVar[str] = "none"
    rank: ClassVar[int] = 50  # lower ones are painted first, whatever the order of planting
    opens_bone: ClassVar[bool] = False  # no device can be held by the bone that it leaves

    @property
    def room_mm(self) -> tuple[float, float, float]:
        """Field wanted beyond the head: at each side, in front, on top."""
        return (0.0, 0.0, 0.0)

    @property
    def lift_mm(self) -> float:
        """How far the head is raised above the head rest."""
        return 0.0

    def scalp_bumps(self, head: Head) -> Bumps | None:
        """Height added to the skin over the outer table."""
        return None

    def skull_bumps(self, head: Head) -> Bumps | None:
        """Height added to the outer table."""
        return None

    def thickness_bumps(self, head: Head) -> Bumps | None:
        """Thickness added to the skull."""
        return None

    def surroundings(self, head: Head) -> list[Layer]:
        """Matter round the head, painted before it: where both claim a place, the head has it."""
        return []

    def layers(self, head: Head) -> list[Layer]:
        """Matter painted over the head, in order."""
        return []

    def image(self, hu: Array, head: Head, world_from_index: Array) -> Array:
        """Change the finished picture (float HU)."""
        return hu

    def bone_gap_mm(self, head: Head, point_mm: Array) -> float | None:
        """Distance from a head-frame point to the nearest missing bone; None: none missing."""
        return None

    def truth(self, head: Head) -> dict[str, Any]:
        """What was planted, for the answers file."""
        return {}
