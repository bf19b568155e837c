"""A hand in the field: fingers, palm and forearm with their bones, laid round the head.

Sizes are those of an adult hand (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from entrypoint.phantoms.conditions.base import Condition
from entrypoint.phantoms.conditions.draped import Node, around, on_skin, unit
from entrypoint.phantoms.fields import Array, chain, union
from entrypoint.phantoms.layers import Context, Layer

if TYPE_CHECKING:
    from entrypoint.phantoms.head import Head

__all__ = ["Hand"]

_RADIUS_MM = 100.0  # of the sphere that distances along the hand are laid on
# aside of the palm's middle at the knuckles and at the tips, and length against the middle finger
_FINGERS = ((-31.0, -38.0, 0.92), (-10.5, -13.0, 1.0), (10.0, 12.0, 0.95), (29.5, 36.0, 0.80))
# along the hand from the knuckles, radius of the flesh, height above the lowest finger
_WRIST, _PALM, _KNUCKLE = (-88.0, 16.0, 9.0), (-45.0, 12.5, 8.0), (0.0, 10.5, 6.0)
_JOINTS = ((43.0, 8.8, 1.5), (69.0, 7.8, 0.0), (84.0, 6.6, 0.0))


@dataclass(frozen=True, slots=True)
class _Parts:
    """Rods that the hand is made of."""

    fingers: list[list[Node]]
    palm: list[list[Node]]
    forearm: list[Node]
    long_bones: list[list[Node]]
    marrow: list[list[Node]]
    carpals: list[Node]


@dataclass(frozen=True, slots=True, kw_only=True)
class Hand(Condition):
    """A hand beside the face and temple, or one laid on top behind the vertex."""

    code: ClassVar[str] = "hand"
    side: str = "right"
    above: bool = False
    gap_mm: float = 0.0  # between the skins at the finger tips; 0: they touch

    @property
    def room_mm(self) -> tuple[float, float, float]:
        """See the base class."""
        return (24.0, 6.0, 22.0 if self.above else 0.0)

    def _frame(self) -> tuple[Array, Array, Array]:
        """Direction of the knuckles, of the fingers along the head, and across the palm."""
        s = 1.0 if self.side == "right" else -1.0
        if self.above:
            n, t = np.array([0.30 * s, -0.34, 0.90]), np.array([-s, 0.12, 0.0])
        else:
            n, t = np.array([0.90 * s, 0.30, -0.34]), np.array([0.0, 0.22, 1.0])
        n = unit(n)
        t = unit(t - (t @ n) * n)
        return n, t, np.cross(n, t) * s

    def _parts(self, head: Head) -> _Parts:
        n, t, w = self._frame()

        def at(along: float, aside: float, radius: float, height: float) -> Node:
            a = along / _RADIUS_MM
            u = np.cos(a) * n + np.sin(a) * t + aside / _RADIUS_MM * w
            p = on_skin(head.shape, u, radius + self.gap_mm + height)
            return (float(p[0]), float(p[1]), float(p[2]), radius)

        wrist = [at(_WRIST[0], v, *_WRIST[1:]) for v in (-14.0, -5.0, 5.0, 14.0)]
        fingers, palm, bones = [], [], []
        for (v0, v1, size), foot in zip(_FINGERS, wrist, strict=True):
            knuckle = at(_KNUCKLE[0] - 14.0 * (1.0 - size), v0, *_KNUCKLE[1:])
            middle = at(_PALM[0], 0.72 * v0, *_PALM[1:])
            joints = [at(s * size, v0 + (v1 - v0) * s / 84.0, r, h) for s, r, h in _JOINTS]
            fingers.append([knuckle, *joints])
            palm.append([foot, middle, knuckle])
            # metacarpal, then the three phalanges, each a little short of its joints
            rows = [(foot, knuckle, 0.34, 0.93, 3.9)]
            pairs = zip([knuckle, *joints], joints, (3.9, 3.2, 2.6), strict=False)
            rows += [(a, b, 0.10, 0.92 if r > 2.6 else 0.75, r) for a, b, r in pairs]
            bones += [_rod(*row) for row in rows]
        thumb = [
            wrist[0],
            at(-58.0, -36.0, 12.5, 6.0),
            at(-28.0, -56.0, 9.5, 3.0),
            at(-4.0, -62.0, 7.6, 1.0),
        ]
        fingers.append(thumb)
        bones += [
            _rod(thumb[0], thumb[1], 0.42, 0.92, 4.2),
            _rod(thumb[1], thumb[2], 0.12, 0.90, 3.8),
            _rod(thumb[2], thumb[3], 0.12, 0.80, 3.0),
        ]
        marrow = [[(*p[:3], p[3] - 1.5) for p in b] for b in bones if b[0][3] > 2.8]
        # forearm: on from the wrist, away from the head
        mid = np.mean([p[:3] for p in wrist], axis=0)
        back = unit(mid - np.mean([p[1][:3] for p in palm], axis=0))
        away = unit(back + 0.28 * unit(mid))
        ends = [mid + s * away for s in (0.0, 60.0, 170.0)]
        forearm = [
            (float(p[0]), float(p[1]), float(p[2]), r)
            for p, r in zip(ends, (21.0, 27.0, 38.0), strict=True)
        ]
        for aside, r in ((-11.0, 6.6), (11.0, 5.4)):
            rod = [
                (*(float(x) for x in mid + aside * w + s * away), r * k)
                for s, k in ((12.0, 1.35), (32.0, 1.0), (170.0, 1.0))
            ]
            bones.append(rod)  # type: ignore[arg-type]
            marrow.append([(*p[:3], p[3] - 2.3) for p in rod])  # type: ignore[misc]
        carpals = [
            at(s, v, 6.4, _WRIST[2] + _WRIST[1] - 7.0)
            for s in (-87.0, -75.0)
            for v in (-13.0, 0.0, 13.0)
        ]
        return _Parts(fingers, palm, forearm, bones, marrow, carpals)

    def surroundings(self, head: Head) -> list[Layer]:
        """Skin, fat, flesh, bone and marrow."""
        parts = self._parts(head)

        def flesh(c: Context) -> Array:
            def make() -> Array:
                out = chain(c.p, parts.forearm)
                for ray in parts.palm:
                    out = union(out, chain(c.p, ray), 9.0)
                for finger in parts.fingers:
                    out = union(out, chain(c.p, finger), 2.5)
                return out

            return c.once(f"{self}", make)

        def rods(groups: list[list[Node]], c: Context) -> Array:
            value: Array = np.min([chain(c.p, g) for g in groups], axis=0)
            return value

        def bones(c: Context) -> Array:
            out = rods(parts.long_bones, c)
            for x, y, z, r in parts.carpals:
                ball = np.sqrt((c.p.x - x) ** 2 + (c.p.y - y) ** 2 + (c.p.z - z) ** 2) - r
                out = np.minimum(out, ball)
            return out

        def spongy(c: Context) -> Array:
            out = rods(parts.marrow, c)
            for x, y, z, r in parts.carpals:
                ball = np.sqrt((c.p.x - x) ** 2 + (c.p.y - y) ** 2 + (c.p.z - z) ** 2) - r + 1.3
                out = np.minimum(out, ball)
            return out

        def deep(c: Context) -> Array:
            return flesh(c) + 3.6 + 0.9 * c.texture("fat of the hand", 16.0)

        box = around([node for g in (*parts.fingers, *parts.palm, parts.forearm) for node in g])
        return [
            Layer("skin of the hand", flesh, 45.0, box),
            Layer("fat of the hand", lambda c: flesh(c) + 1.5, -80.0, box),
            Layer("flesh", deep, lambda c: 52.0 + 7.0 * c.texture("flesh", 6.0), box),
            Layer("bones of the hand", bones, 1050.0, box),
            Layer("marrow of the hand", spongy, 220.0, box),
        ]

    def truth(self, head: Head) -> dict[str, Any]:
        """Side, place and gap."""
        place = "above" if self.above else "beside"
        return {"side": self.side, "place": place, "gap_mm": self.gap_mm}


def _rod(a: Node, b: Node, start: float, stop: float, radius: float) -> list[Node]:
    """A bone between two joints: wider at its ends."""

    def at(t: float, r: float) -> Node:
        return (
            a[0] + t * (b[0] - a[0]),
            a[1] + t * (b[1] - a[1]),
            a[2] + t * (b[2] - a[2]),
            r,
        )

    third = (stop - start) / 4.0
    return [
        at(start, 1.2 * radius),
        at(start + third, 0.85 * radius),
        at(stop - third, 0.85 * radius),
        at(stop, 1.15 * radius),
    ]
