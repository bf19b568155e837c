"""Inside the skull: air, a layer of blood or fluid."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from entrypoint.phantoms.conditions.base import Condition, site_direction
from entrypoint.phantoms.fields import Array, Bumps
from entrypoint.phantoms.layers import Context, Layer

if TYPE_CHECKING:
    from entrypoint.phantoms.head import Head

__all__ = ["Collection", "InnerAir"]


def _crescent(bump: Bumps) -> Layer:
    def field(c: Context) -> Array:
        return np.maximum(c.d_in + 0.2, -c.d_in - bump(c.u) + 0.6)

    return Layer("crescent", field, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Collection(Condition):
    """A crescent of clot (or, with a low HU, of old fluid) under the inner table."""

    code: ClassVar[str] = "collection"
    rank: ClassVar[int] = 30
    side: str = "right"
    thick_mm: float = 9.0
    hu: float = 64.0

    def layers(self, head: Head) -> list[Layer]:
        """Spread over one side."""
        s = 1.0 if self.side == "right" else -1.0
        site = site_direction(head, self.side)
        bump = Bumps.of(
            [((s * 0.75, 0.35, 0.5), 38.0, self.thick_mm), (site, 26.0, 0.5 * self.thick_mm)]
        )
        base = _crescent(bump)

        def kept_aside(c: Context) -> Array:
            return np.maximum(base.field(c), 3.0 - s * c.p.x)

        return [
            Layer("collection", kept_aside, lambda c: self.hu + 4.0 * c.texture("collection", 10.0))
        ]

    def truth(self, head: Head) -> dict[str, Any]:
        """Side and thickness."""
        return {"side": self.side, "thick_mm": self.thick_mm, "hu": self.hu}


@dataclass(frozen=True, slots=True, kw_only=True)
class InnerAir(Condition):
    """Air inside the skull, risen to the front as the patient lies on the back."""

    code: ClassVar[str] = "inner_air"
    rank: ClassVar[int] = 32
    side: str = "right"
    thick_mm: float = 8.0

    def layers(self, head: Head) -> list[Layer]:
        """A pocket under the frontal bone."""
        s = 1.0 if self.side == "right" else -1.0
        base = _crescent(Bumps.of([((s * 0.34, 0.80, 0.46), 20.0, self.thick_mm)]))

        def pocket(c: Context) -> Array:
            return np.maximum(base.field(c), 2.0 - s * c.p.x)

        return [Layer("inner air", pocket, -985.0)]

    def truth(self, head: Head) -> dict[str, Any]:
        """Side and thickness."""
        return {"side": self.side, "thick_mm": self.thick_mm}
