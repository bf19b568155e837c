"""What a planted condition may change.

A condition is a frozen record with any of these hooks; each has a default that does nothing.
Bumps change the smooth surfaces and so are part of the exact answers; layers paint extra
matter into the rendering; ``image`` works on the finished picture.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

from entrypoint.phantoms.fields import Array, Bumps

if TYPE_CHECKING:
    from entrypoint.phantoms.head import Head
    from entrypoint.phantoms.layers import Layer

__all__ = ["Condition"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """A condition that changes nothing."""

    code: ClassVar[str] = "none"

    def scalp_bumps(self, head: Head) -> Bumps | None:
        """Height added to the skin over the outer table."""
        return None

    def skull_bumps(self, head: Head) -> Bumps | None:
        """Height added to the outer table."""
        return None

    def thickness_bumps(self, head: Head) -> Bumps | None:
        """Thickness added to the skull."""
        return None

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
