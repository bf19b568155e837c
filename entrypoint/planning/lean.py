"""How a path leans: angles towards the back and away from the midline, whatever the head's pose."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from entrypoint.planning.entry import Entry
from entrypoint.volume.bone import Foot

__all__ = ["Lean", "axes_across"]

FloatArray = NDArray[np.float64]


def axes_across(unit_inward: FloatArray, entry: Entry) -> tuple[FloatArray, FloatArray]:
    """Backwards and away from the midline, both square to a direction."""
    back = entry.unit_along - (entry.unit_along @ unit_inward) * unit_inward
    back = back / np.linalg.norm(back)
    away = entry.unit_across - (entry.unit_across @ unit_inward) * unit_inward
    away = away - (away @ back) * back
    return np.asarray(back), np.asarray(away / np.linalg.norm(away))


@dataclass(frozen=True, slots=True, kw_only=True)
class Lean:
    """How a path leans from the perpendicular at its foot, as it goes in.

    Both angles together make up the tilt: it is the root of the sum of their squares.
    """

    back_deg: float
    away_deg: float

    @classmethod
    def of(cls, unit_inward: FloatArray, foot: Foot, entry: Entry) -> Lean:
        """The lean of a direction."""
        square = -foot.unit_outward
        back, away = axes_across(square, entry)
        sine = float(np.linalg.norm(np.cross(square, unit_inward)))
        tilt_deg = float(np.degrees(np.arctan2(sine, float(square @ unit_inward))))
        lean = np.array([float(unit_inward @ back), float(unit_inward @ away)])
        size = float(np.linalg.norm(lean))
        if size == 0.0 or tilt_deg == 0.0:
            return cls(back_deg=0.0, away_deg=0.0)
        back_deg, away_deg = tilt_deg * lean / size
        return cls(back_deg=float(back_deg), away_deg=float(away_deg))

    def direction(self, foot: Foot, entry: Entry) -> FloatArray:
        """The direction that leans so at another foot."""
        square = -foot.unit_outward
        lean = np.radians([self.back_deg, self.away_deg])
        angle = float(np.linalg.norm(lean))
        if angle == 0.0:
            return square
        back, away = axes_across(square, entry)
        aside = (lean[0] * back + lean[1] * away) / angle
        return np.asarray(np.cos(angle) * square + np.sin(angle) * aside)
