"""A head in outline, for schematic pictures: its scalp line is published, its face is invented.

The scalp follows the midline points of the standard 10-20 positions on an average head (check row
2.5: right of the midline, anterior, superior, in mm). Face, ear and neck are drawn by hand to
carry the eye, and no length is read from them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from entrypoint.geometry.polylines import arc_lengths_mm
from entrypoint.reference import value

__all__ = ["Outline", "outline"]

FloatArray = NDArray[np.float64]
# Nasion, Fpz, AFz, Fz, FCz, Cz, CPz, Pz, POz, Oz, inion: anterior and superior.
_SCALP = (
    (86.811, -39.983), (88.247, -1.713), (80.771, 35.417), (58.512, 66.462), (27.390, 88.668),
    (-9.167, 100.244), (-47.318, 99.432), (-81.115, 82.615), (-102.178, 50.608),
    (-114.892, 14.657), (-118.565, -23.078),
)  # fmt: skip
_FACE = (
    (86.811, -39.983), (89.5, -47.0), (96.0, -58.0), (103.5, -71.0), (106.5, -78.0),
    (103.0, -83.5), (95.0, -86.5), (91.5, -90.0), (93.0, -96.0), (96.5, -101.0), (93.0, -105.5),
    (90.5, -107.0), (94.0, -111.0), (93.5, -116.0), (88.0, -121.0), (88.0, -128.0),
    (89.5, -136.0), (85.0, -144.0), (74.0, -148.0), (56.0, -145.0), (38.0, -139.0),
    (25.0, -136.0), (20.0, -146.0), (18.0, -163.0),
)  # fmt: skip
_NAPE = (
    (-118.565, -23.078), (-116.0, -45.0), (-106.0, -68.0), (-93.0, -88.0), (-84.0, -110.0),
    (-82.0, -135.0), (-86.0, -163.0),
)  # fmt: skip
_EYE = ((74.0, -45.0), (67.0, -42.0), (60.5, -46.5), (67.0, -48.0), (74.0, -45.0))
_BROW = ((82.0, -33.0), (74.0, -29.5), (63.0, -32.0))
_EAR = (
    (-12.0, -34.0), (-20.0, -26.0), (-31.0, -27.0), (-37.0, -38.0), (-34.0, -52.0),
    (-27.0, -62.0), (-23.0, -73.0), (-15.0, -76.0), (-12.0, -68.0), (-13.0, -58.0),
)  # fmt: skip
_BREADTH = 151.0  # of the average of men and women, rows 2.1 and 2.2; only for the outline


@dataclass(frozen=True, slots=True, kw_only=True)
class Outline:
    """Lines of a head, mm; (k, 2) arrays of anterior and superior, or of right and anterior."""

    scalp_mm: FloatArray  # nasion to inion
    face_mm: FloatArray
    nape_mm: FloatArray
    ear_mm: FloatArray
    eye_mm: FloatArray
    brow_mm: FloatArray
    above_mm: FloatArray  # the head seen from above, closed
    half_breadth_mm: float

    def on_tape(self, arcs_mm: FloatArray) -> FloatArray:
        """Anterior and superior of places on the scalp line, by arc from the nasion, (k, 2)."""
        s = arc_lengths_mm(np.column_stack([self.scalp_mm, np.zeros(len(self.scalp_mm))]))
        return np.column_stack([np.interp(arcs_mm, s, self.scalp_mm[:, k]) for k in (0, 1)])

    def outward(self, arcs_mm: FloatArray) -> FloatArray:
        """Unit directions away from the head at the same places, (k, 2)."""
        ahead, behind = self.on_tape(arcs_mm + 2.0), self.on_tape(np.maximum(arcs_mm - 2.0, 0.0))
        along = ahead - behind
        along = along / np.linalg.norm(along, axis=1, keepdims=True)
        return np.column_stack([-along[:, 1], along[:, 0]]) * -1.0


@cache
def outline(nasion_inion_mm: float | None = None) -> Outline:
    """The outline, scaled to a length of tape from nasion to inion.

    Parameters
    ----------
    nasion_inion_mm : float, optional
        The published mean without it.
    """
    scalp = _smooth(_SCALP, 400)
    length = float(np.linalg.norm(np.diff(scalp, axis=0), axis=1).sum())
    ratio = (nasion_inion_mm or value("nasion_inion_scalp")) / length
    half = 0.5 * _BREADTH * ratio
    front, back = scalp[:, 0].max() * ratio, scalp[:, 0].min() * ratio
    t = np.linspace(0.0, 2.0 * np.pi, 361)
    middle = 0.5 * (front + back)
    # Broader behind the middle, as heads are.
    y = middle + 0.5 * (front - back) * np.cos(t)
    wide = half * np.sin(t) * (1.0 - 0.10 * np.cos(t)) / 1.005
    return Outline(
        scalp_mm=ratio * scalp,
        face_mm=ratio * _smooth(_FACE, 300),
        nape_mm=ratio * _smooth(_NAPE, 80),
        ear_mm=ratio * _smooth(_EAR, 120),
        eye_mm=ratio * _smooth(_EYE, 60),
        brow_mm=ratio * _smooth(_BROW, 40),
        above_mm=np.column_stack([wide, y]),
        half_breadth_mm=float(half),
    )


def _smooth(points: tuple[tuple[float, float], ...], count: int) -> FloatArray:
    """A smooth line through points, (count, 2)."""
    from scipy.interpolate import CubicSpline

    p = np.array(points)
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(p, axis=0), axis=1))])
    return np.asarray(CubicSpline(s, p)(np.linspace(0.0, s[-1], count)))
