"""Tubes and leads: through the mouth, through the nose, over the chest, beside the head.

Paths are given on the reference face, which every head's face is scaled from; widths are those
of adult sizes (common practice, no source) and are not scaled.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from entrypoint.phantoms.conditions.base import Condition
from entrypoint.phantoms.conditions.draped import (
    Node,
    around,
    d_skin,
    on_skin,
    smooth_line,
    thread,
)
from entrypoint.phantoms.fields import Array, Point, chain, sphere
from entrypoint.phantoms.layers import Context, Layer
from entrypoint.phantoms.skin import face_points

if TYPE_CHECKING:
    from entrypoint.phantoms.head import Head

__all__ = ["BreathingTube", "Hose", "Lead", "NasalTube"]

_METAL_HU = 8000.0


def _on_face(head: Head, points: list[Point], radius: float) -> list[Node]:
    sx, sy, sz = head.shape.scale
    return smooth_line([(x * sx, y * sy, z * sz, radius) for x, y, z in points])


def _tube(nodes: list[Node], wall_mm: float, hu: float, name: str) -> list[Layer]:
    """Wall and bore."""
    bore = [(x, y, z, r - wall_mm) for x, y, z, r in nodes]
    where = around(nodes)
    return [
        Layer(name, lambda c: chain(c.p, nodes), hu, where),
        Layer(f"bore of {name}", lambda c: chain(c.p, bore), -990.0, where),
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class BreathingTube(Condition):
    """A tube through the mouth into the windpipe, a line in its wall, and tape to hold it."""

    code: ClassVar[str] = "breathing_tube"
    rank: ClassVar[int] = 46
    side: str = "right"
    outer_mm: float = 10.6  # diameter
    wall_mm: float = 1.5
    wall_hu: float = 190.0

    @property
    def room_mm(self) -> tuple[float, float, float]:
        """See the base class."""
        return (0.0, 14.0, 0.0)

    def _path(self) -> list[Point]:
        s = 1.0 if self.side == "right" else -1.0
        return [
            (0.0, 10.0, -215.0),
            (0.0, 9.5, -160.0),
            (0.0, 9.0, -130.0),
            (0.0, 9.0, -112.0),
            (s * 1.0, 17.0, -99.0),
            (s * 3.0, 34.0, -93.5),
            (s * 7.0, 55.0, -97.0),
            (s * 11.0, 74.0, -103.5),
            (s * 13.0, 92.0, -106.0),
            (s * 15.0, 114.0, -108.0),
            (s * 18.0, 150.0, -112.0),
        ]

    def surroundings(self, head: Head) -> list[Layer]:
        """Tape over the upper lip and the cheeks, and round the tube."""

        def tape(c: Context) -> Array:
            q = face_points(head.shape, c.p)
            low = np.abs(q.z + 92.0 + 0.06 * np.abs(q.x)) - 7.0
            edge = np.maximum(np.maximum(np.abs(q.x) - 58.0, 34.0 - q.y), low)
            return np.maximum(c.d_skin - 1.0, edge)

        sx, sy, sz = head.shape.scale
        where = ((-66 * sx, 28 * sy, -112 * sz), (66 * sx, 112 * sy, -80 * sz))
        return [Layer("tape", tape, -120.0, where)]

    def layers(self, head: Head) -> list[Layer]:
        """Wall, bore, line, and the wider piece outside that a hose is pushed on."""
        nodes = _on_face(head, self._path(), 0.5 * self.outer_mm)
        out = _tube(nodes, self.wall_mm, self.wall_hu, "breathing tube")
        line = [(x, y, z + 0.5 * self.outer_mm - 0.7) for x, y, z, _ in nodes]
        out.append(Layer("line", lambda c: thread(c.p, line, 0.6), 900.0, around(nodes)))
        s = 1.0 if self.side == "right" else -1.0
        end = _on_face(head, [(s * 16.5, 130.0, -109.8), (s * 18.0, 150.0, -112.0)], 7.7)
        return out + _tube(end, 1.6, 90.0, "connector")

    def truth(self, head: Head) -> dict[str, Any]:
        """Corner of the mouth and width."""
        return {"side": self.side, "outer_mm": self.outer_mm}


@dataclass(frozen=True, slots=True, kw_only=True)
class NasalTube(Condition):
    """A thin tube through one nostril to the gullet, taped to the nose, its end over the cheek."""

    code: ClassVar[str] = "nasal_tube"
    rank: ClassVar[int] = 47
    side: str = "right"
    outer_mm: float = 5.2
    wall_mm: float = 1.1
    wall_hu: float = 260.0

    @property
    def room_mm(self) -> tuple[float, float, float]:
        """See the base class."""
        return (4.0, 8.0, 0.0)

    def surroundings(self, head: Head) -> list[Layer]:
        """From the nostril over the cheek, outside the skin, with tape on the nose."""
        s = 1.0 if self.side == "right" else -1.0
        r = 0.5 * self.outer_mm
        scale = np.array(head.shape.scale)
        nostril = np.array([s * 7.5, 103.0, -84.5]) * scale
        free = np.array([s * 12.0, 112.0, -93.0]) * scale
        rows = [
            on_skin(head.shape, np.array(d) * (s, 1.0, 1.0), r)
            for d in ((30.0, 84.0, -94.0), (58.0, 58.0, -84.0), (76.0, 22.0, -78.0))
        ]
        rows.append(np.array([s * 96.0, -4.0, -118.0]) * scale)
        rows.append(np.array([s * 108.0, -6.0, -200.0]) * scale)
        nodes = smooth_line(
            [(float(p[0]), float(p[1]), float(p[2]), r) for p in (nostril, free, *rows)]
        )

        def tape(c: Context) -> Array:
            q = face_points(head.shape, c.p)
            edge = np.maximum(np.abs(q.x) - 13.0, np.maximum(np.abs(q.z + 68.0) - 9.0, 88.0 - q.y))
            return np.maximum(c.d_skin - 0.9, edge)

        where = ((-18.0, 80.0 * scale[1], -84.0), (18.0, 130.0 * scale[1], -52.0))
        return [
            Layer("tape", tape, -120.0, where),
            *_tube(nodes, self.wall_mm, self.wall_hu, "nasal tube"),
        ]

    def layers(self, head: Head) -> list[Layer]:
        """Along the floor of the nose, down behind the airway."""
        s = 1.0 if self.side == "right" else -1.0
        path: list[Point] = [
            (s * 7.5, 101.0, -83.5),
            (s * 6.0, 85.0, -77.5),
            (s * 6.0, 60.0, -78.0),
            (s * 5.0, 32.0, -77.0),
            (s * 3.5, 12.0, -76.0),
            (s * 2.5, 1.0, -90.0),
            (s * 2.0, 0.5, -112.0),
            (s * 2.0, -1.0, -135.0),
            (s * 1.0, -2.0, -215.0),
        ]
        nodes = _on_face(head, path, 0.5 * self.outer_mm)
        return _tube(nodes, self.wall_mm, self.wall_hu, "nasal tube")

    def truth(self, head: Head) -> dict[str, Any]:
        """Nostril and width."""
        return {"side": self.side, "outer_mm": self.outer_mm}


@dataclass(frozen=True, slots=True, kw_only=True)
class Hose(Condition):
    """A wide thin-walled hose from in front of the mouth, past one cheek, down to the chest."""

    code: ClassVar[str] = "hose"
    side: str = "right"
    outer_mm: float = 24.0
    wall_mm: float = 1.6
    wall_hu: float = -40.0

    @property
    def room_mm(self) -> tuple[float, float, float]:
        """See the base class."""
        return (18.0, 22.0, 0.0)

    def surroundings(self, head: Head) -> list[Layer]:
        """Outside the skin all the way."""
        s = 1.0 if self.side == "right" else -1.0
        r = 0.5 * self.outer_mm
        path: list[Point] = [
            (s * 18.0, 140.0, -110.5),
            (s * 28.0, 134.0, -113.0),
            (s * 54.0, 112.0, -116.0),
            (s * 78.0, 78.0, -122.0),
            (s * 92.0, 46.0, -140.0),
            (s * 96.0, 36.0, -215.0),
        ]
        nodes = _on_face(head, path, r)
        return _tube(nodes, self.wall_mm, self.wall_hu, "hose")

    def truth(self, head: Head) -> dict[str, Any]:
        """Side and width."""
        return {"side": self.side, "outer_mm": self.outer_mm}


@dataclass(frozen=True, slots=True, kw_only=True)
class Lead(Condition):
    """Two insulated wires beside the head, from a metal stud on a pad at the neck."""

    code: ClassVar[str] = "lead"
    rank: ClassVar[int] = 48
    side: str = "right"

    @property
    def room_mm(self) -> tuple[float, float, float]:
        """See the base class."""
        return (6.0, 0.0, 0.0)

    def _stud(self, head: Head) -> Array:
        s = 1.0 if self.side == "right" else -1.0
        return on_skin(head.shape, np.array([s * 60.0, -20.0, -118.0]), 3.0)

    def surroundings(self, head: Head) -> list[Layer]:
        """Insulation and cores; the head rest hides what lies behind it."""
        s = 1.0 if self.side == "right" else -1.0
        out: list[Layer] = []
        for k, shift in enumerate((0.0, 7.0)):
            rows = [(62.0, -22.0, -118.0), (84.0, -34.0, -72.0), (90.0, -46.0, -20.0)]
            rows += [(78.0, -60.0 + shift, 26.0), (52.0, -70.0, 60.0)]
            points = [
                on_skin(head.shape, np.array([s * x, y, z]), 3.5 + 2.0 * k + 0.5 * shift)
                for x, y, z in rows
            ]
            nodes = smooth_line([(float(p[0]), float(p[1]), float(p[2]), 1.6) for p in points])
            line: list[Point] = [(x, y, z) for x, y, z, _ in nodes]
            where = around(nodes)
            out.append(_wire("insulation", line, 1.6, 90.0, where))
            out.append(_wire("core", line, 0.5, 4500.0, where))
        return out

    def layers(self, head: Head) -> list[Layer]:
        """Pad on the skin and the stud on it."""
        p = self._stud(head)
        at = (float(p[0]), float(p[1]), float(p[2]))

        def pad(c: Context) -> Array:
            reach = sphere(c.p, at, 16.0)
            value: Array = np.maximum(np.maximum(d_skin(c) - 1.4, -0.05 - d_skin(c)), reach)
            return value

        where = around([(*at, 17.0)])
        return [
            Layer("pad", pad, -60.0, where),
            Layer("stud", lambda c: sphere(c.p, at, 2.6), _METAL_HU, where),
        ]

    def truth(self, head: Head) -> dict[str, Any]:
        """Side."""
        return {"side": self.side}


def _wire(name: str, line: list[Point], radius: float, hu: float, where: Any) -> Layer:
    return Layer(name, lambda c: thread(c.p, line, radius), hu, where)
