"""Layers of matter, painted in order, and the points that they are evaluated at."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from entrypoint.phantoms.fields import Array, Point, Points, Waves
from entrypoint.phantoms.shape import Shape, directions
from entrypoint.phantoms.skin import skin_without_ears

__all__ = ["Box", "Context", "Layer", "texture_at"]

Box = tuple[Point, Point]


@dataclass(frozen=True, slots=True)
class Layer:
    """Matter of a given HU wherever ``field`` is negative, painted over what was there.

    A thin sheet gives ``sheet`` (signed, crossing zero in the sheet's middle) and its
    ``half_width_mm``; ``field`` then says how far it reaches. The absolute value is taken on
    the fine grid, so that a sheet thinner than the coarse grid keeps its width.
    """

    name: str
    field: Callable[[Context], Array]
    hu: float | Callable[[Context], Array]
    box: Box | None = None  # in the head's own frame; None: everywhere
    sheet: Callable[[Context], Array] | None = None
    half_width_mm: float = 0.0


@dataclass(slots=True)
class Context:
    """Points of the head's own frame with the fields that many layers share."""

    p: Points
    u: Array
    r: Array
    d_skin: Array  # without ears
    d_out: Array
    d_diploe_out: Array
    d_diploe_in: Array
    d_in: Array
    shape: Shape
    world: Points  # the same points in the scanner's frame
    textures: dict[str, Waves] = field(default_factory=dict)
    cache: dict[str, Array] = field(default_factory=dict)

    @staticmethod
    def at(p: Points, shape: Shape, world: Points | None = None) -> Context:
        """Evaluate the shared fields."""
        u, r = directions(p)
        radii = shape.radii(u)
        return Context(
            p,
            u,
            r,
            skin_without_ears(shape, p, r - radii.skin),
            r - radii.outer,
            r - radii.diploe_outer,
            r - radii.diploe_inner,
            r - radii.inner,
            shape,
            p if world is None else world,
        )

    def part(self, index: tuple[slice, slice, slice]) -> Context:
        """Return the same over a part of the points."""
        p = Points(self.p.x[index], self.p.y[index], self.p.z[index])
        w = Points(self.world.x[index], self.world.y[index], self.world.z[index])
        return Context(
            p,
            self.u[index],
            self.r[index],
            self.d_skin[index],
            self.d_out[index],
            self.d_diploe_out[index],
            self.d_diploe_in[index],
            self.d_in[index],
            self.shape,
            w,
            self.textures,
        )

    def once(self, name: str, make: Callable[[], Array]) -> Array:
        """A field that several layers need: made once for these points."""
        if name not in self.cache:
            self.cache[name] = make()
        return self.cache[name]

    def texture(self, name: str, wavelength_mm: float) -> Array:
        """Smooth random texture, the same for a name in one head whatever the grid."""
        return self.once(name, lambda: texture_at(self, name, wavelength_mm, self.p))


def texture_at(c: Context, name: str, wavelength_mm: float, p: Points) -> Array:
    """Texture of a name at other points than the context's own, e.g. stretched ones."""
    if name not in c.textures:
        code = [ord(ch) for ch in name]
        rng = np.random.default_rng([c.shape.spec.seed, 17, *code])
        c.textures[name] = Waves.make(rng, wavelength_mm)
    return c.textures[name](p)
