"""What holds a head still: a pillow, wedges with a strap. They stay with the table.

Sizes and densities are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from entrypoint.phantoms.conditions.base import Condition
from entrypoint.phantoms.conditions.draped import d_skin
from entrypoint.phantoms.fields import Array, box
from entrypoint.phantoms.layers import Context, Layer
from entrypoint.phantoms.rest import touch

if TYPE_CHECKING:
    from entrypoint.phantoms.head import Head

__all__ = ["Blocks", "Pillow"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pillow(Condition):
    """A foam pillow in its cover, pressed by the head and touching both sides of it."""

    code: ClassVar[str] = "pillow"
    thick_mm: float = 14.0  # under the head
    height_mm: float = 62.0  # of its top above the lowest point of the head
    foam_hu: float = -962.0
    cover_hu: float = -600.0

    @property
    def room_mm(self) -> tuple[float, float, float]:
        """See the base class."""
        return (20.0, 0.0, 6.0)

    @property
    def lift_mm(self) -> float:
        """The head rests on the pillow."""
        return self.thick_mm

    def surroundings(self, head: Head) -> list[Layer]:
        """Cover, then foam; the cover follows the dent that the head makes."""
        x, y = touch(head.shape, head.world_from_head)
        z = float(head.world_from_head[2, 3])
        lo = (x - 150.0, y - self.thick_mm - 4.0, z - 190.0)
        hi = (x + 150.0, y + self.height_mm, z + 74.0)

        def cushion(c: Context) -> Array:
            return box(c.world, lo, hi, 26.0) + 3.0 * c.texture("pillow", 70.0)

        def foam(c: Context) -> Array:
            return np.maximum(cushion(c), -d_skin(c)) + 1.1

        return [
            Layer("cover", cushion, self.cover_hu),
            Layer("foam", foam, lambda c: self.foam_hu + 5.0 * c.texture("foam", 7.0)),
        ]

    def truth(self, head: Head) -> dict[str, Any]:
        """Thickness and height."""
        return {"thick_mm": self.thick_mm, "height_mm": self.height_mm}


@dataclass(frozen=True, slots=True, kw_only=True)
class Blocks(Condition):
    """Two foam wedges at the temples, and a strap over the forehead from one to the other."""

    code: ClassVar[str] = "blocks"
    rank: ClassVar[int] = 44
    press_mm: float = 6.0  # how far the head presses into them
    strap_mm: float = 1.8
    foam_hu: float = -930.0
    coat_hu: float = -280.0
    strap_hu: float = -190.0

    @property
    def room_mm(self) -> tuple[float, float, float]:
        """See the base class."""
        return (20.0, 0.0, 0.0)

    def surroundings(self, head: Head) -> list[Layer]:
        """A thin coat over foam."""
        _, y = touch(head.shape, head.world_from_head)
        x, z = float(head.world_from_head[0, 3]), float(head.world_from_head[2, 3])
        half = 0.5 * head.spec.breadth_mm - self.press_mm

        def wedge(c: Context) -> Array:
            across = np.abs(c.world.x - x) - half
            high = c.world.y - y
            slope = (across - 74.0 + 0.45 * high) / 1.097
            ends = np.maximum(np.abs(c.world.z - z + 6.0) - 78.0, np.abs(high - 47.0) - 77.0)
            value: Array = np.maximum(np.maximum(-across, slope), ends)
            return value

        def foam(c: Context) -> Array:
            return np.maximum(wedge(c), -d_skin(c)) + 0.9

        return [
            Layer("coat", wedge, self.coat_hu),
            Layer("wedge", foam, lambda c: self.foam_hu + 6.0 * c.texture("wedge", 6.0)),
        ]

    def layers(self, head: Head) -> list[Layer]:
        """The strap lies on the skin of the forehead and runs on to the wedges."""

        def strap(c: Context) -> Array:
            edge = np.abs(c.p.z - 20.0 - 0.12 * (c.p.y - 60.0)) - 17.0
            t = self.strap_mm + 0.5 * c.texture("strap", 40.0)
            out = np.maximum(np.maximum(c.d_skin - t, -0.05 - c.d_skin), edge)
            return np.maximum(out, 12.0 - c.p.y)

        return [Layer("strap", strap, lambda c: self.strap_hu + 60.0 * c.texture("webbing", 5.0))]

    def truth(self, head: Head) -> dict[str, Any]:
        """How far the head presses in, and the strap."""
        return {"press_mm": self.press_mm, "strap_mm": self.strap_mm}
