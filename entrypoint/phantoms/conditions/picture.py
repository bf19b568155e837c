"""What goes wrong in the picture itself: streaks, a patient who moved."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from entrypoint.phantoms.conditions.base import Condition, site_direction
from entrypoint.phantoms.fields import Array

if TYPE_CHECKING:
    from entrypoint.phantoms.head import Head

__all__ = ["Motion", "Streaks"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Streaks(Condition):
    """Bright and dark rays from the teeth or from metal, within the slices that hold them."""

    code: ClassVar[str] = "streaks"
    rank: ClassVar[int] = 90
    hu: float = 260.0
    half_height_mm: float = 9.0
    metal_at: tuple[str, float, float] | None = None  # side, ahead and lateral of the site, mm

    def _sources(self, head: Head) -> list[Array]:
        """Points of the head's own frame that the rays come from."""
        if self.metal_at is None:
            return [np.array([s * 24.0, 62.0, -104.0]) * head.shape.scale for s in (1.0, -1.0)]
        side, ahead, lateral = self.metal_at
        u = np.array(site_direction(head, side, ahead_mm=ahead, lateral_mm=lateral))
        return [u * float(head.shape.outer(u[None])[0])]

    def image(self, hu: Array, head: Head, world_from_index: Array) -> Array:
        """Add the rays."""
        rng = np.random.default_rng([head.spec.seed, 53])
        for centre in self._sources(head):
            w = head.world_from_head[:3, :3] @ centre + head.world_from_head[:3, 3]
            index = np.linalg.inv(world_from_index) @ np.append(w, 1.0)
            step = np.linalg.norm(world_from_index[:3, :3], axis=0)
            k0 = float(index[2])
            reach = int(np.ceil(2.5 * self.half_height_mm / step[2]))
            i = (np.arange(hu.shape[0]) - index[0])[:, None] * step[0]
            j = (np.arange(hu.shape[1]) - index[1])[None, :] * step[1]
            angle, dist = np.arctan2(j, i), np.hypot(i, j)
            rays = sum(
                float(rng.standard_normal()) * np.cos(n * angle + float(rng.uniform(0, 6.3)))
                for n in (3, 5, 7, 9, 12, 16)
            )
            rays = (rays * self.hu / 2.4 / (1.0 + dist / 45.0)).astype(np.float32)
            for k in range(max(0, int(k0) - reach), min(hu.shape[2], int(k0) + reach + 1)):
                fade = np.exp(-0.5 * ((k - k0) * step[2] / self.half_height_mm) ** 2)
                body = hu[:, :, k] > -700.0
                hu[:, :, k] += np.where(body, rays, 0.35 * rays) * np.float32(fade)
        return hu

    def truth(self, head: Head) -> dict[str, Any]:
        """Strength."""
        return {"hu": self.hu}


@dataclass(frozen=True, slots=True, kw_only=True)
class Motion(Condition):
    """A step between slices: what lies above it has moved within its slices.

    The answers stay those of the head below the step, so the step is put near the vertex or is
    small.
    """

    code: ClassVar[str] = "motion"
    rank: ClassVar[int] = 95
    step_mm: tuple[float, float] = (1.0, -0.8)  # along the first and second index axis
    at: float = 0.93  # fraction of the slices, from the lower end of the head

    def image(self, hu: Array, head: Head, world_from_index: Array) -> Array:
        """Shift the slices beyond the step."""
        from scipy.ndimage import shift

        spacing = np.linalg.norm(world_from_index[:3, :3], axis=0)
        upwards = world_from_index[2, 2] > 0
        n = hu.shape[2]
        cut = round(self.at * n) if upwards else n - round(self.at * n)
        ks = range(cut, n) if upwards else range(cut)
        by = (self.step_mm[0] / spacing[0], self.step_mm[1] / spacing[1])
        for k in ks:
            hu[:, :, k] = shift(hu[:, :, k], by, order=1, mode="nearest")
        return hu

    def truth(self, head: Head) -> dict[str, Any]:
        """Step."""
        return {"step_mm": list(self.step_mm), "at": self.at}
