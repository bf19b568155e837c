"""Where the coronal suture is to be expected, and how often the rule comes too near.

A normal model from published arcs: nasion to bregma on bone, the scalp arc longer by a
constant, the suture bowed forwards to the side. With the nasion-inion arc of this head known,
the expected bregma moves by the published ratio times the difference from the mean head, and
its spread falls to what that arc does not explain.

How the conditional spread was found: the source gives the spreads of nasion-bregma (7.3) and
nasion-inion (15.2), not their correlation. If the parts of the arc varied independently it
would be 7.3 / 15.2 = 0.48; if heads were scaled copies but for an independent rest,
0.383 x 15.2 / 7.3 = 0.80. Midway, 0.64, leaves 7.3 sqrt(1 - 0.64^2) = 5.6 mm, and using the
ratio 0.383 for the slope in place of 0.64 x 7.3 / 15.2 = 0.307 adds 1.2 mm: 5.7 mm together.
On the scalp the mean arcs come from two populations (bone 330.2 and living 366); centring the
ratio on the one or the other differs by 5.6 mm for the average head. The centre used is the
more cautious (the nearer suture), and half the difference is added to the spread.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from entrypoint.planning.odds import combined_sd, normal_quantile, probability_below
from entrypoint.reference import spread, value

__all__ = [
    "Arc",
    "SutureOdds",
    "bow_mm",
    "cautious_arc_mm",
    "definition_sd_mm",
    "expected_bregma_mm",
    "suture_odds",
]


class Arc(StrEnum):
    """The surface that a midline arc is measured on; the two are never mixed."""

    BONE = "bone"
    SCALP = "scalp"


@dataclass(frozen=True, slots=True, kw_only=True)
class SutureOdds:
    """The suture's expected distance behind the rule's point, mm, and two probabilities."""

    clearance_mm: float
    sd_mm: float
    definition_sd_mm: float
    p_below_margin: float
    p_behind: float
    bregma_arc_mm: float
    bregma_arc_sd_mm: float


def bow_mm(lateral_arc_mm: float) -> float:
    """How far the suture lies in front of bregma at a lateral arc, either side.

    Linear between the published centimetres (0 at the midline); beyond the last one the
    last slope goes on.

    Examples
    --------
    >>> bow_mm(25.0), bow_mm(30.0)
    (4.0, 5.0)
    """
    at = [0, 10, 20, 30, 40, 50, 60]
    rows = [0.0] + [value(f"suture_bow_at_{x}") for x in at[1:]]
    x = abs(lateral_arc_mm)
    if x > at[-1]:
        slope = (rows[-1] - rows[-2]) / (at[-1] - at[-2])
        return rows[-1] + slope * (x - at[-1])
    return float(np.interp(x, at, rows))


def definition_sd_mm() -> float:
    """Spread that the words bring: deepest point for frontonasal suture, suture reading."""
    return combined_sd(spread("nasion_deepest_offset"), spread("suture_definition"))


def expected_bregma_mm(arc: Arc, *, nasion_inion_mm: float | None = None) -> tuple[float, float]:
    """Nasion-bregma arc to be expected, and its spread between heads.

    Parameters
    ----------
    arc : Arc
        On bone or on scalp; ``nasion_inion_mm`` is measured on the same.
    nasion_inion_mm : float, optional
        This head's nasion-inion arc.

    Returns
    -------
    mean_mm, sd_mm : float

    Examples
    --------
    >>> expected_bregma_mm(Arc.BONE)
    (126.6, 7.3)
    """
    mean = value("nasion_bregma_arc_bone") - value("nasion_deepest_offset")
    centre = value("nasion_inion_arc_bone")
    left = value("bregma_ratio_sd_bone")
    if arc is Arc.SCALP:
        mean += value("scalp_minus_bone_arc")
        centre = value("nasion_inion_scalp")
        left = combined_sd(left, value("bregma_ratio_scalp_offset_sd"))
    if nasion_inion_mm is None:
        return mean, spread("nasion_bregma_arc_bone")
    return mean + value("bregma_ratio") * (nasion_inion_mm - centre), left


def suture_odds(
    *,
    midline_arc_mm: float,
    lateral_arc_mm: float,
    margin_mm: float,
    arc: Arc,
    nasion_inion_mm: float | None = None,
    measurement_sd_mm: float = 0.0,
    definition_sd_mm: float = 0.0,
) -> SutureOdds:
    """How far in front of the suture a mark is to be expected, and how often it is too near.

    Parameters
    ----------
    midline_arc_mm, lateral_arc_mm : float
        Of the mark, both on the surface that ``arc`` names.
    margin_mm : float
        Wanted distance in front of the suture.
    arc : Arc
        Bone or scalp.
    nasion_inion_mm : float, optional
        This head's nasion-inion arc on the same surface.
    measurement_sd_mm, definition_sd_mm : float
        Spread of laying out the tape, and of the words; 0 gives the published model itself.

    Examples
    --------
    >>> odds = suture_odds(midline_arc_mm=110, lateral_arc_mm=25, margin_mm=10, arc=Arc.BONE)
    >>> round(odds.clearance_mm, 1), round(odds.p_below_margin, 3), round(odds.p_behind, 3)
    (12.6, 0.361, 0.042)
    """
    bregma, bregma_sd = expected_bregma_mm(arc, nasion_inion_mm=nasion_inion_mm)
    clearance = bregma - bow_mm(lateral_arc_mm) - midline_arc_mm
    sd = combined_sd(bregma_sd, measurement_sd_mm)
    return SutureOdds(
        clearance_mm=clearance,
        sd_mm=sd,
        definition_sd_mm=definition_sd_mm,
        p_below_margin=probability_below(margin_mm, clearance, sd, definition_sd_mm),
        p_behind=probability_below(0.0, clearance, sd, definition_sd_mm),
        bregma_arc_mm=bregma,
        bregma_arc_sd_mm=bregma_sd,
    )


def cautious_arc_mm(
    *,
    lateral_arc_mm: float,
    margin_mm: float,
    arc: Arc,
    probability: float | None = None,
    nasion_inion_mm: float | None = None,
    measurement_sd_mm: float = 0.0,
    definition_sd_mm: float = 0.0,
) -> float | None:
    """Longest midline arc that keeps the margin with a given probability.

    Returns
    -------
    float or None
        None where it would lie in front of the foremost arc that is offered: no such point.
    """
    p = value("probability_kept") if probability is None else probability
    bregma, bregma_sd = expected_bregma_mm(arc, nasion_inion_mm=nasion_inion_mm)
    sd = combined_sd(bregma_sd, measurement_sd_mm, definition_sd_mm)
    found = bregma - bow_mm(lateral_arc_mm) - margin_mm - normal_quantile(p) * sd
    return found if found >= value("foremost_arc") else None
