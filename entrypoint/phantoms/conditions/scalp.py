"""On and under the skin: swelling, dressings, electrodes, hair."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from entrypoint.phantoms.conditions.base import Condition, Patch, site_direction
from entrypoint.phantoms.fields import Array, Bumps, step
from entrypoint.phantoms.layers import Context, Layer

if TYPE_CHECKING:
    from entrypoint.phantoms.head import Head

__all__ = ["Bandage", "Electrodes", "Haematoma", "Hair"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Haematoma(Condition):
    """The skin is lifted off the bone over the site of one side, clot below it."""

    code: ClassVar[str] = "haematoma"
    rank: ClassVar[int] = 20
    side: str = "right"
    height_mm: float = 8.0
    sigma_mm: float = 17.0
    ahead_mm: float = 0.0
    lateral_mm: float = 32.0
    hu: float = 62.0

    def _bump(self, head: Head) -> Bumps:
        u = site_direction(head, self.side, ahead_mm=self.ahead_mm, lateral_mm=self.lateral_mm)
        return Bumps.of([(u, self.sigma_mm, self.height_mm)])

    def scalp_bumps(self, head: Head) -> Bumps | None:
        """Lift the skin."""
        return self._bump(head)

    def layers(self, head: Head) -> list[Layer]:
        """Clot between galea and bone."""
        bump = self._bump(head)
        u = site_direction(head, self.side, ahead_mm=self.ahead_mm, lateral_mm=self.lateral_mm)

        def clot(c: Context) -> Array:
            return np.maximum(c.d_out - 0.92 * bump(c.u) - 0.3, 0.8 - c.d_out)

        return [
            Layer(
                "haematoma",
                clot,
                lambda c: self.hu + 8.0 * c.texture("clot", 9.0),
                head.inside(u, -80.0, 80.0),
            )
        ]

    def truth(self, head: Head) -> dict[str, Any]:
        """Side, height and width."""
        return {"side": self.side, "height_mm": self.height_mm, "sigma_mm": self.sigma_mm}


@dataclass(frozen=True, slots=True, kw_only=True)
class Bandage(Condition):
    """Gauze wound round the head, touching the skin."""

    code: ClassVar[str] = "bandage"
    rank: ClassVar[int] = 42
    thick_mm: float = 4.0
    hu: float = -720.0

    def edge(self, c: Context) -> Array:
        """Negative between the upper and the lower edge."""
        tilt = c.p.z - 0.18 * c.p.y
        return np.maximum(10.0 - tilt, tilt - 62.0)

    def layers(self, head: Head) -> list[Layer]:
        """A loose band above the brow."""

        def band(c: Context) -> Array:
            edge = self.edge(c)
            t = self.thick_mm + 1.2 * c.texture("gauze", 18.0)
            return np.maximum(np.maximum(c.d_skin - t, -0.1 - c.d_skin), edge)

        return [Layer("bandage", band, lambda c: self.hu + 110.0 * c.texture("weave", 5.0))]

    def truth(self, head: Head) -> dict[str, Any]:
        """Thickness."""
        return {"thick_mm": self.thick_mm}


def _disc(patch: Patch, lo_mm: float, hi_mm: float) -> Callable[[Context], Array]:
    """A disc on the skin between two heights above it."""

    def field(c: Context) -> Array:
        a, b, n = patch.coordinates(c)
        round_ = np.sqrt(a * a + b * b) - 4.6
        value: Array = np.maximum(
            np.maximum(round_, -n), np.maximum(lo_mm - c.d_skin, c.d_skin - hi_mm)
        )
        return value

    return field


@dataclass(frozen=True, slots=True, kw_only=True)
class Electrodes(Condition):
    """Metal cups on the skin with a little paste."""

    code: ClassVar[str] = "electrodes"
    rank: ClassVar[int] = 55
    count: int = 8
    hu: float = 2800.0

    def layers(self, head: Head) -> list[Layer]:
        """One cup and its paste per place, wherever the seed puts them."""
        rng = np.random.default_rng([head.spec.seed, 41])
        out: list[Layer] = []
        while len(out) < 2 * self.count:
            d = rng.standard_normal(3)
            d /= np.linalg.norm(d)
            if d[2] < 0.15:
                continue
            u = (float(d[0]), float(d[1]), float(d[2]))
            patch = Patch.at(u)

            box = head.inside(u, -22.0, 22.0)
            out.append(Layer("paste", _disc(patch, -0.1, 1.2), 120.0, box))
            out.append(Layer("cup", _disc(patch, 1.2, 2.4), self.hu, box))
        return out

    def truth(self, head: Head) -> dict[str, Any]:
        """How many."""
        return {"count": self.count}


@dataclass(frozen=True, slots=True, kw_only=True)
class Hair(Condition):
    """Hair: strands and air, denser where it is tied or lain on."""

    code: ClassVar[str] = "hair"
    rank: ClassVar[int] = 40
    thick_mm: float = 9.0

    def layers(self, head: Head) -> list[Layer]:
        """A shell outside the scalp, from the hairline back; none is seen under a bandage."""
        bands = [b for b in head.spec.conditions if isinstance(b, Bandage)]

        def shell(c: Context) -> Array:
            line = 38.0 - 0.9 * (c.p.z - 30.0)  # hairline: forehead stays bare
            t = (
                self.thick_mm
                * (0.75 + 0.25 * c.texture("hair", 40.0))
                * step(line + 30.0 - c.p.y, 24.0)
            )
            out = np.maximum(np.maximum(c.d_skin - t, 0.05 - c.d_skin), -45.0 - c.p.z)
            for band in bands:
                out = np.maximum(out, -band.edge(c))
            return out

        def hu(c: Context) -> Array:
            strands = np.maximum(c.texture("strands of hair", 5.0), 0.0)
            return -965.0 + 190.0 * strands * strands

        return [Layer("hair", shell, hu)]

    def truth(self, head: Head) -> dict[str, Any]:
        """Thickness."""
        return {"thick_mm": self.thick_mm}
