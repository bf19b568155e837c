"""Simulated placements: one table of normal numbers, and where the tapes then lead.

The midline tape is laid on a sphere of the usual radius of a scalp: from a nasion found beside
the true one, in a direction beside the true one. On it the tapes' errors compose exactly; a
head's own shape enters where its chart is read at the tape distances that come out.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum, auto

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import FieldRefused
from entrypoint.planning.hand_model import HandSpreads
from entrypoint.reference import value

__all__ = ["FEWEST_DRAWS", "MOST_DRAWS", "Part", "TapeEnds", "lay_tapes", "normal_table"]

FloatArray = NDArray[np.float64]

FEWEST_DRAWS, MOST_DRAWS = 100, 100_000


class Part(IntEnum):
    """Columns of the table: what each normal number stands for. The order is part of a seed."""

    NASION_ALONG = 0
    NASION_SIDEWAYS = auto()
    MIDLINE_OFFSET = auto()
    MIDLINE_YAW = auto()
    MIDLINE_TAPE_SHARE = auto()
    MIDLINE_TAPE_READING = auto()
    LATERAL_TAPE_SHARE = auto()
    LATERAL_TAPE_READING = auto()
    LATERAL_ANGLE = auto()
    MARK_ALONG = auto()
    MARK_ACROSS = auto()
    TILT_ALONG = auto()
    TILT_ACROSS = auto()
    SKATE_ALONG = auto()
    SKATE_ACROSS = auto()
    ENTRY_ALONG = auto()
    ENTRY_ACROSS = auto()
    SUTURE = auto()
    SUTURE_READERS = auto()
    MIDLINE = auto()
    MIDLINE_READERS = auto()
    SKULL = auto()
    SCALP = auto()


def normal_table(draws: int, seed: int) -> FloatArray:
    """Standard normal numbers, shape (draws, parts); a longer table begins with a shorter one.

    Both sides use the same table, with positive always away from the midline, so that what
    differs between sides is the head.

    Raises
    ------
    FieldRefused
        Too few or too many draws, or a seed below 0.
    """
    if not FEWEST_DRAWS <= draws <= MOST_DRAWS:
        raise FieldRefused(
            found=f"{draws} draws",
            expected=f"{FEWEST_DRAWS} to {MOST_DRAWS}",
            next_step="choose a number between them",
        )
    if seed < 0:
        raise FieldRefused(
            found=f"a seed of {seed}",
            expected="a whole number of 0 or more",
            next_step="choose another seed",
        )
    return np.random.default_rng(seed).standard_normal((draws, len(Part)))


@dataclass(frozen=True, slots=True, kw_only=True)
class TapeEnds:
    """Where both tapes lead: the true tape distances of the place that was reached."""

    midline_arc_mm: FloatArray  # (draws,)
    lateral_arc_mm: FloatArray


def lay_tapes(
    table: FloatArray,
    spreads: HandSpreads,
    midline_arc_mm: float,
    lateral_arc_mm: float,
    *,
    radius_mm: float | None = None,
) -> TapeEnds:
    """Lay both tapes once for every row of the table.

    Parameters
    ----------
    table : (n, parts) array
        See ``normal_table``.
    spreads : HandSpreads
    midline_arc_mm, lateral_arc_mm : float
        What was to be laid.
    radius_mm : float, optional
        Of the sphere; by default the reference row ``scalp_sphere_radius``.

    Returns
    -------
    TapeEnds

    Examples
    --------
    >>> ends = lay_tapes(normal_table(100, 1), HandSpreads.none(), 110.0, 30.0)
    >>> bool(abs(ends.midline_arc_mm - 110.0).max() < 1e-9)
    True
    """
    r = value("scalp_sphere_radius") if radius_mm is None else radius_mm

    def part(name: Part) -> FloatArray:
        return np.asarray(table[:, name])

    # Axes: towards the true nasion, backwards from it along the midline, away from the midline.
    a = part(Part.NASION_ALONG) * spreads.nasion_along_mm / r
    b = part(Part.NASION_SIDEWAYS) * spreads.nasion_sideways_mm / r
    start = _axes(np.cos(b) * np.cos(a), np.cos(b) * np.sin(a), np.sin(b))
    back = _axes(-np.sin(a), np.cos(a), np.zeros_like(a))
    side = _axes(-np.sin(b) * np.cos(a), -np.sin(b) * np.sin(a), np.cos(b))
    heading, _ = _turn(back, side, np.radians(part(Part.MIDLINE_YAW) * spreads.midline_yaw_deg))
    laid = (
        midline_arc_mm * (1.0 + part(Part.MIDLINE_TAPE_SHARE) * spreads.tape_share)
        + part(Part.MIDLINE_TAPE_READING) * spreads.tape_reading_mm
    )
    here, heading = _turn(start, heading, laid / r)
    lateral = np.cross(here, heading)
    # The eye leaves the tape a little beside the midline; its direction is kept.
    here, lateral = _turn(here, lateral, part(Part.MIDLINE_OFFSET) * spreads.midline_offset_mm / r)
    lateral, _ = _turn(
        lateral, heading, np.radians(part(Part.LATERAL_ANGLE) * spreads.lateral_angle_deg)
    )
    laid = (
        lateral_arc_mm * (1.0 + part(Part.LATERAL_TAPE_SHARE) * spreads.tape_share)
        + part(Part.LATERAL_TAPE_READING) * spreads.tape_reading_mm
    )
    here, _ = _turn(here, lateral, laid / r)
    return TapeEnds(
        midline_arc_mm=r * np.arctan2(here[:, 1], here[:, 0]),
        lateral_arc_mm=r * np.arcsin(np.clip(here[:, 2], -1.0, 1.0)),
    )


def _axes(x: FloatArray, y: FloatArray, z: FloatArray) -> FloatArray:
    return np.column_stack([x, y, z])


def _turn(
    first: FloatArray, second: FloatArray, angle: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Turn two square unit vectors in their own plane, the first towards the second."""
    c, s = np.cos(angle)[:, None], np.sin(angle)[:, None]
    return c * first + s * second, c * second - s * first
