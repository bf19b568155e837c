"""What is raised on, or cut into, a head to hold: both tapes, the entry, the side's letter.

Lengths on the scalp and on bone are never mixed: a skull carries no tape, only a ring where the
path meets its outer table.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from entrypoint.geometry.polylines import arc_lengths_mm, between, direction_over, length_mm
from entrypoint.geometry.triangles import Triangles
from entrypoint.planning.ct_parts import CtParts
from entrypoint.planning.entry import side_sign
from entrypoint.planning.model import Side

__all__ = ["Ridge", "scalp_ridges", "skull_ridges"]

FloatArray = NDArray[np.float64]
Ridge = tuple[FloatArray, float]  # points close together on the surface, and a width, mm

# Sizes of what is drawn, mm: for the eye and the finger, no source.
_STEP_MM = 0.35
_TAPE_MM, _TICK_MM = 1.8, 1.2
_TICK_HALF_MM, _FIFTH_HALF_MM = 3.2, 5.4
_RING_MM, _RING_WIDTH_MM, _DOT_MM = 5.0, 1.5, 2.0
_LETTER_MM, _LETTER_AWAY_MM = 13.0, 34.0
# Strokes in the unit square: across and up.
_LETTERS = {
    Side.RIGHT: (
        ((0.0, 0.0), (0.0, 1.0), (0.45, 1.0), (0.62, 0.88), (0.62, 0.62), (0.45, 0.5), (0.0, 0.5)),
        ((0.3, 0.5), (0.65, 0.0)),
    ),
    Side.LEFT: (((0.0, 1.0), (0.0, 0.0), (0.6, 0.0)),),
}


def scalp_ridges(parts: CtParts, mesh: Triangles, sides: Iterable[Side]) -> list[Ridge]:
    """Both tapes with their centimetres, the entry as a ring with a dot, and R or L.

    Parameters
    ----------
    parts : CtParts
    mesh : Triangles
        The scalp, world mm.
    sides : iterable of Side
        The patient's; sides that could not be measured are passed over.

    Returns
    -------
    list of Ridge
        Empty where no side could be measured.
    """
    lay = _Layer(mesh)
    ridges: list[Ridge] = []
    for side in sides:
        if side not in parts.sites:
            continue
        entry = parts.sites[side].entry
        if not ridges:
            tape = between(parts.tape.tape.points_mm, 0.0, entry.tapes.midline_taut_mm)
            ridges += _tape(lay, tape, parts.midsagittal.unit_normal)
        # The ring stands free: the tape ends at it.
        end = entry.tapes.lateral_taut_mm - _RING_MM
        across = between(entry.lateral_tape.points_mm, 0.0, max(end, 1e-3))
        ridges += _tape(lay, across, entry.unit_backward)
        ridges += _ring(lay, entry.scalp_entry_mm, with_dot=True)
        whole = length_mm(entry.lateral_tape.points_mm)
        away = entry.tapes.lateral_taut_mm + _LETTER_AWAY_MM
        if away + 0.5 * _LETTER_MM < whole:
            at = between(entry.lateral_tape.points_mm, 0.0, away)[-1]
            down = direction_over(entry.lateral_tape.points_mm, away, 6.0)
            # Read from outside, with the vertex above: backwards is right of the patient's right
            # side, and left of the left one.
            rightwards = -side_sign(side) * entry.unit_backward
            ridges += _letter(lay, side, at, -down, rightwards)
    return ridges


def skull_ridges(parts: CtParts, mesh: Triangles, sides: Iterable[Side]) -> list[Ridge]:
    """A ring where each side's path meets the outer table (see :func:`scalp_ridges`)."""
    lay = _Layer(mesh)
    return [
        ridge
        for side in sides
        if side in parts.sites
        for ridge in _ring(lay, parts.sites[side].foot.foot_mm, with_dot=True)
    ]


class _Layer:
    """Lays points onto a surface along its own normals."""

    def __init__(self, mesh: Triangles) -> None:
        from scipy.spatial import cKDTree

        self._points, self._normals = mesh.points, mesh.unit_normals()
        self._tree = cKDTree(mesh.points)

    def normal(self, point_mm: FloatArray) -> FloatArray:
        """Outward direction near a point, over some 3 mm."""
        _, near = self._tree.query(point_mm, k=12)
        mean = self._normals[near].mean(axis=0)
        return np.asarray(mean / np.linalg.norm(mean))

    def lay(self, points_mm: FloatArray) -> FloatArray:
        """The same points on the surface."""
        points = np.atleast_2d(points_mm)
        away, near = self._tree.query(points, k=3)
        weight = 1.0 / (away + 0.1)
        gap = self._points[near] - points[:, None, :]
        normal = self._normals[near]
        rise = (weight * np.einsum("ijk,ijk->ij", gap, normal)).sum(axis=1) / weight.sum(axis=1)
        mean = (weight[..., None] * normal).sum(axis=1)
        mean /= np.linalg.norm(mean, axis=1, keepdims=True)
        return np.asarray(points + rise[:, None] * mean)


def _fine(points: FloatArray) -> FloatArray:
    s = arc_lengths_mm(points)
    at = np.linspace(0.0, s[-1], max(2, round(s[-1] / _STEP_MM) + 1))
    return np.stack([np.interp(at, s, points[:, k]) for k in range(3)], axis=1)


def _tape(lay: _Layer, line: FloatArray, unit_across: FloatArray) -> list[Ridge]:
    ridges = [(lay.lay(_fine(line)), _TAPE_MM)]
    total = length_mm(line)
    for cm in range(int(total / 10.0 + 0.05) + 1):
        here = between(line, 0.0, min(max(10.0 * cm, 1e-3), total))[-1]
        half = _FIFTH_HALF_MM if cm % 5 == 0 else _TICK_HALF_MM
        bar = here + np.array([[-half], [half]]) * unit_across
        ridges.append((lay.lay(_fine(bar)), _TICK_MM))
    return ridges


def _ring(lay: _Layer, at_mm: FloatArray, *, with_dot: bool) -> list[Ridge]:
    normal = lay.normal(at_mm)
    u = np.cross(normal, np.eye(3)[int(np.argmin(np.abs(normal)))])
    u /= np.linalg.norm(u)
    v = np.cross(normal, u)
    t = np.linspace(0.0, 2.0 * np.pi, 91)[:, None]
    ring = at_mm + _RING_MM * (np.cos(t) * u + np.sin(t) * v)
    ridges = [(lay.lay(ring), _RING_WIDTH_MM)]
    if with_dot:
        ridges.append((lay.lay(at_mm), _DOT_MM))
    return ridges


def _letter(
    lay: _Layer, side: Side, at_mm: FloatArray, unit_up: FloatArray, unit_right: FloatArray
) -> list[Ridge]:
    ridges = []
    for stroke in _LETTERS[side]:
        flat = (np.array(stroke) - (0.32, 0.5)) * _LETTER_MM
        points = at_mm + flat[:, :1] * unit_right + flat[:, 1:] * unit_up
        ridges.append((lay.lay(_fine(points)), _TAPE_MM))
    return ridges
