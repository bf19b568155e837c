"""Bone that is missing, broken, thickened or flattened."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from entrypoint.phantoms.conditions.base import Condition, Patch, site_direction
from entrypoint.phantoms.fields import Array, Bumps
from entrypoint.phantoms.layers import Context, Layer

if TYPE_CHECKING:
    from entrypoint.phantoms.head import Head

__all__ = ["DepressedFracture", "Flattened", "Hyperostosis", "LinearFracture", "MissingBone"]


@dataclass(frozen=True, slots=True, kw_only=True)
class MissingBone(Condition):
    """A round gap through the skull: a burr hole, or larger, a removed bone flap."""

    code: ClassVar[str] = "missing_bone"
    rank: ClassVar[int] = 10
    opens_bone: ClassVar[bool] = True
    side: str = "right"
    radius_mm: float = 7.0
    ahead_mm: float = 0.0
    lateral_mm: float = 30.0
    hu: float = 38.0

    def _patch(self, head: Head) -> Patch:
        return Patch.at(
            site_direction(head, self.side, ahead_mm=self.ahead_mm, lateral_mm=self.lateral_mm)
        )

    def layers(self, head: Head) -> list[Layer]:
        """Soft tissue in place of bone."""
        patch = self._patch(head)

        def hole(c: Context) -> Array:
            a, b, n = patch.coordinates(c)
            disc = np.sqrt(a * a + b * b) - self.radius_mm
            value: Array = np.maximum(
                np.maximum(disc, -n), np.maximum(c.d_out - 0.4, -c.d_in - 0.4)
            )
            return value

        r = self.radius_mm + 25.0
        return [
            Layer(
                "missing bone",
                hole,
                lambda c: self.hu + 6.0 * c.texture("scar", 8.0),
                head.inside((float(patch.n[0]), float(patch.n[1]), float(patch.n[2])), -r, r),
            )
        ]

    def bone_gap_mm(self, head: Head, point_mm: Array) -> float | None:
        """Distance to the rim, 0 inside."""
        a, b = self._patch(head).of_point(point_mm)
        return max(0.0, float(np.hypot(a, b)) - self.radius_mm)

    def truth(self, head: Head) -> dict[str, Any]:
        """Side and radius."""
        return {"side": self.side, "radius_mm": self.radius_mm}


@dataclass(frozen=True, slots=True, kw_only=True)
class LinearFracture(Condition):
    """A crack through both tables."""

    code: ClassVar[str] = "linear_fracture"
    rank: ClassVar[int] = 14
    side: str = "right"
    width_mm: float = 1.0
    length_mm: float = 50.0
    offset_mm: float = 4.0  # from the spot, square to the crack
    turn_deg: float = 35.0
    ahead_mm: float = 0.0
    lateral_mm: float = 30.0

    def _line(self, head: Head) -> tuple[Patch, float, float]:
        patch = Patch.at(
            site_direction(head, self.side, ahead_mm=self.ahead_mm, lateral_mm=self.lateral_mm)
        )
        t = np.deg2rad(self.turn_deg)
        return patch, float(np.cos(t)), float(np.sin(t))

    def layers(self, head: Head) -> list[Layer]:
        """A thin dark sheet, a little crooked."""
        patch, cos, sin = self._line(head)

        def sheet(c: Context) -> Array:
            a, b, _ = patch.coordinates(c)
            return cos * a + sin * b - self.offset_mm + 0.5 * c.texture("crack", 22.0)

        def reach(c: Context) -> Array:
            a, b, n = patch.coordinates(c)
            far = np.abs(cos * b - sin * a) - 0.5 * self.length_mm
            return np.maximum(np.maximum(far, -n), np.maximum(c.d_out, -c.d_in))

        r = 0.5 * self.length_mm + 25.0
        return [
            Layer(
                "fracture",
                reach,
                35.0,
                head.inside((float(patch.n[0]), float(patch.n[1]), float(patch.n[2])), -r, r),
                sheet,
                0.5 * self.width_mm,
            )
        ]

    def bone_gap_mm(self, head: Head, point_mm: Array) -> float | None:
        """Distance to the crack, to about 1 mm: it is not quite straight."""
        patch, cos, sin = self._line(head)
        a, b = patch.of_point(point_mm)
        beyond = max(0.0, abs(cos * b - sin * a) - 0.5 * self.length_mm)
        aside = abs(cos * a + sin * b - self.offset_mm) - 0.5 * self.width_mm
        return float(np.hypot(beyond, max(0.0, aside)))

    def truth(self, head: Head) -> dict[str, Any]:
        """Side and width."""
        return {"side": self.side, "width_mm": self.width_mm}


@dataclass(frozen=True, slots=True, kw_only=True)
class DepressedFracture(Condition):
    """A piece of skull pushed in, cracked round its rim."""

    code: ClassVar[str] = "depressed_fracture"
    rank: ClassVar[int] = 12
    opens_bone: ClassVar[bool] = True
    side: str = "right"
    depth_mm: float = 5.0
    radius_mm: float = 12.0
    ahead_mm: float = 0.0
    lateral_mm: float = 30.0

    def _direction(self, head: Head) -> tuple[float, float, float]:
        return site_direction(head, self.side, ahead_mm=self.ahead_mm, lateral_mm=self.lateral_mm)

    def skull_bumps(self, head: Head) -> Bumps | None:
        """Push both tables in."""
        return Bumps.of([(self._direction(head), 0.55 * self.radius_mm, -self.depth_mm)])

    def scalp_bumps(self, head: Head) -> Bumps | None:
        """Swelling fills most of the dent."""
        return Bumps.of([(self._direction(head), 0.7 * self.radius_mm, 1.0 * self.depth_mm)])

    def layers(self, head: Head) -> list[Layer]:
        """The crack round the rim."""
        patch = Patch.at(self._direction(head))

        def ring(c: Context) -> Array:
            a, b, _ = patch.coordinates(c)
            value: Array = np.sqrt(a * a + b * b) - self.radius_mm + 0.8 * c.texture("rim", 16.0)
            return value

        def reach(c: Context) -> Array:
            _, _, n = patch.coordinates(c)
            return np.maximum(-n, np.maximum(c.d_out, -c.d_in))

        r = self.radius_mm + 25.0
        return [
            Layer("rim crack", reach, 35.0, head.inside(self._direction(head), -r, r), ring, 0.6)
        ]

    def bone_gap_mm(self, head: Head, point_mm: Array) -> float | None:
        """Distance to the rim, from either side; the piece itself counts as cracked."""
        a, b = Patch.at(self._direction(head)).of_point(point_mm)
        return max(0.0, float(np.hypot(a, b)) - self.radius_mm)

    def truth(self, head: Head) -> dict[str, Any]:
        """Side, depth, radius."""
        return {"side": self.side, "depth_mm": self.depth_mm, "radius_mm": self.radius_mm}


@dataclass(frozen=True, slots=True, kw_only=True)
class Hyperostosis(Condition):
    """Frontal bone thickened inwards on both sides, the middle spared."""

    code: ClassVar[str] = "hyperostosis"
    height_mm: float = 6.0

    def thickness_bumps(self, head: Head) -> Bumps | None:
        """Thickness is added inside: the outer table stays."""
        rows = []
        for s in (1.0, -1.0):
            rows += [
                ((s * 0.36, 0.75, 0.52), 17.0, self.height_mm),
                ((s * 0.45, 0.85, 0.20), 15.0, 0.7 * self.height_mm),
            ]
        return Bumps.of(rows)

    def truth(self, head: Head) -> dict[str, Any]:
        """Height."""
        return {"height_mm": self.height_mm}


@dataclass(frozen=True, slots=True, kw_only=True)
class Flattened(Condition):
    """The back of the head flattened on one side, the forehead of that side forward."""

    code: ClassVar[str] = "flattened"
    side: str = "right"
    depth_mm: float = 8.0

    def skull_bumps(self, head: Head) -> Bumps | None:
        """Bumps kept off the midline."""
        s = 1.0 if self.side == "right" else -1.0
        return Bumps.of(
            [
                ((s * 0.55, -0.80, 0.15), 24.0, -self.depth_mm),
                ((s * 0.55, 0.76, 0.30), 24.0, 0.35 * self.depth_mm),
            ]
        )

    def truth(self, head: Head) -> dict[str, Any]:
        """Side and depth."""
        return {"side": self.side, "depth_mm": self.depth_mm}
