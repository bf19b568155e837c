"""Exact answers at many tape distances of one head: what a map of the site should show."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from entrypoint.phantoms import profile, site
from entrypoint.phantoms.sutures import coronal_curve

if TYPE_CHECKING:
    from entrypoint.phantoms.head import Head

__all__ = ["SiteFigures", "SiteTruth"]

FloatArray = NDArray[np.float64]
_SINUS_REACH_MM = 10.0  # below the inner table, as the envelope is defined
_ENVELOPE_MM = {"right": 11.0, "left": 6.0}  # half-widths, published (see reference)


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteFigures:
    """Exact figures of one point; head frame and mm."""

    entry: FloatArray
    foot: FloatArray
    unit_inward: FloatArray
    scalp_mm: float
    skull_mm: float
    outer_table_mm: float
    diploe_mm: float
    inner_table_mm: float
    suture_nearest_mm: float
    midline_scalp_mm: float
    midline_inner_table_mm: float
    sinus_mm: float


class SiteTruth:
    """Answers at any tape distances; the midline is traced once.

    Parameters
    ----------
    head : Head
    step_deg : float
        Spacing of the rays that trace profiles.
    """

    def __init__(self, head: Head, *, step_deg: float = 0.05) -> None:
        """Trace the midline and the suture."""
        shape = head.shape
        self.head = head
        self._step_deg = step_deg
        skin = profile.skin_profile(shape, step_deg)
        _, start, _ = profile.nasion(skin)
        u = np.array(shape.inion_direction)
        inion = u * float(shape.outer(u[None])[0])
        _, behind = profile.drop(skin[len(skin) // 2 :], inion)
        behind += float(profile.lengths(skin[: len(skin) // 2 + 1])[-1])
        self._midline = profile.cut(skin, start, behind)
        directions = coronal_curve(shape, head.bregma_rad, np.deg2rad(np.arange(-74.0, 74.01, 0.1)))
        self._suture = directions * shape.outer(directions)[:, None]
        self._lateral: Callable[[float, str], tuple[FloatArray, FloatArray, FloatArray]] = (
            lru_cache(maxsize=64)(self._lay)
        )

    def _lay(self, midline_arc_mm: float, side: str) -> tuple[FloatArray, FloatArray, FloatArray]:
        point, along, _ = site.on_tape(
            self._midline, np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0]), midline_arc_mm
        )
        sign = 1.0 if side == "right" else -1.0
        line, outward = site.lateral_line(
            self.head.shape, point, along, sign, step_deg=self._step_deg
        )
        return line, along, outward

    def at(self, midline_arc_mm: float, lateral_arc_mm: float, side: str) -> SiteFigures:
        """Figures of a point given by its two tape distances.

        Parameters
        ----------
        side : str
            ``"right"`` or ``"left"``, the patient's.
        """
        shape = self.head.shape
        sign = 1.0 if side == "right" else -1.0
        line, along, outward = self._lateral(midline_arc_mm, side)
        entry, _, _ = site.on_tape(line, along, outward, lateral_arc_mm)
        foot, inward = site.perpendicular(shape, entry)
        cross = site.crossings(shape, foot, inward)
        _, nearest, _ = site.suture_distances(shape, self._suture, foot, entry)
        out = profile.first_crossing(
            profile.skin_field(shape), (foot - 60.0 * inward)[None], inward[None], 70.0, 0.25
        )[0]
        inside = cross.inner + _SINUS_REACH_MM * inward
        least = sign * min(sign * float(p[0]) for p in (cross.outer, cross.inner, inside))
        return SiteFigures(
            entry=entry,
            foot=foot,
            unit_inward=inward,
            scalp_mm=60.0 - float(out),
            skull_mm=cross.skull_mm,
            outer_table_mm=cross.outer_table_mm,
            diploe_mm=cross.diploe_mm,
            inner_table_mm=cross.inner_table_mm,
            suture_nearest_mm=nearest,
            midline_scalp_mm=sign * float(entry[0]),
            midline_inner_table_mm=sign * float(cross.inner[0]),
            sinus_mm=sign * least - _ENVELOPE_MM[side],
        )

    def world(self, point: FloatArray) -> FloatArray:
        """A point of the head frame in world RAS mm."""
        m = self.head.world_from_head
        return np.asarray(m[:3, :3] @ point + m[:3, 3])

    def midline_arc_where(
        self,
        figure: str,
        limit_mm: float,
        lateral_arc_mm: float,
        side: str,
        between: tuple[float, float],
    ) -> float | None:
        """Midline arc at which a figure passes a limit, the lateral arc held; ``None`` if not."""
        return _root(
            lambda arc: getattr(self.at(arc, lateral_arc_mm, side), figure) - limit_mm, between
        )

    def lateral_arc_where(
        self,
        figure: str,
        limit_mm: float,
        midline_arc_mm: float,
        side: str,
        between: tuple[float, float],
    ) -> float | None:
        """Lateral arc at which a figure passes a limit, the midline arc held; ``None`` if not."""
        return _root(
            lambda arc: getattr(self.at(midline_arc_mm, arc, side), figure) - limit_mm, between
        )


def _root(
    function: Callable[[float], float], between: tuple[float, float], tol_mm: float = 0.02
) -> float | None:
    """Where a function changes sign in an interval; chords with halving."""
    lo, hi = between
    at_lo, at_hi = function(lo), function(hi)
    if (at_lo >= 0.0) == (at_hi >= 0.0):
        return None
    for k in range(40):
        share = at_lo / (at_lo - at_hi)
        mid = lo + (share if k % 3 else 0.5) * (hi - lo)
        value = function(mid)
        if abs(value) < tol_mm or hi - lo < tol_mm:
            return mid
        if (value >= 0.0) == (at_lo >= 0.0):
            lo, at_lo = mid, value
        else:
            hi, at_hi = mid, value
    return 0.5 * (lo + hi)
