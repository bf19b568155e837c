"""A scalp haematoma: the skin is lifted off the bone, clot below it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from entrypoint.phantoms.conditions.base import Condition
from entrypoint.phantoms.fields import Bumps

if TYPE_CHECKING:
    from entrypoint.phantoms.head import Head
    from entrypoint.phantoms.layers import Layer

__all__ = ["Haematoma"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Haematoma(Condition):
    """Swelling centred over the frontal site of one side."""

    code: ClassVar[str] = "haematoma"
    side: str = "right"
    height_mm: float = 8.0
    sigma_mm: float = 17.0
    lateral_mm: float = 34.0  # centre, from the midline
    back_deg: float = 52.0  # centre, polar angle above the anterior direction
    hu: float = 62.0

    def _direction(self, head: Head) -> tuple[float, float, float]:
        s = 1.0 if self.side == "right" else -1.0
        x = s * self.lateral_mm / 95.0
        a = np.deg2rad(self.back_deg)
        c = float(np.sqrt(1 - x * x))
        return (x, c * float(np.cos(a)), c * float(np.sin(a)))

    def scalp_bumps(self, head: Head) -> Bumps | None:
        """Lift the skin."""
        return Bumps.of([(self._direction(head), self.sigma_mm, self.height_mm)])

    def layers(self, head: Head) -> list[Layer]:
        """Clot between galea and bone, not quite even."""
        from entrypoint.phantoms.layers import Layer

        bump = Bumps.of([(self._direction(head), self.sigma_mm, self.height_mm)])
        return [Layer(
            "haematoma",
            lambda c: np.maximum(c.d_out - 1.2 - bump(c.u), 0.8 - (c.d_out - 0.2)),
            lambda c: self.hu + 9.0 * c.texture("clot", 9.0),
            (head.inside(self._direction(head), -75.0, 75.0)),
        )]

    def truth(self, head: Head) -> dict[str, Any]:
        """Side, height and place."""
        return {"side": self.side, "height_mm": self.height_mm, "sigma_mm": self.sigma_mm}
