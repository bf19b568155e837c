"""Where the rule's point would have to move for every margin to hold.

Points are told as two tape distances, so the search runs in the chart (midline arc, lateral
arc), and each candidate is planned again in full by the caller's function. The margins are
smooth and close to linear there: the smallest move is found on their tangent planes and
planned again, until nothing changes.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import GeometryError, MeasurementError
from entrypoint.planning.model import MovedPoint, Rule
from entrypoint.planning.odds import combined_sd, normal_quantile
from entrypoint.reference import value

__all__ = ["Margins", "Replan", "arc_that_keeps_margin", "moved_point", "smallest_move"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Margins:
    """What one planned point keeps; mm, None where the input cannot tell."""

    suture_nearest_mm: float | None
    midline_scalp_mm: float | None
    sinus_mm: float | None
    scalp_entry_mm: FloatArray | None = None


Replan = Callable[[float, float], Margins]
"""(midline_arc_mm, lateral_arc_mm) to the margins of that point, planned in full."""


def _excess(margins: Margins, rule: Rule) -> FloatArray:
    """Excess of each margin that is known over its limit."""
    pairs = (
        (margins.suture_nearest_mm, rule.suture_margin_mm),
        (margins.midline_scalp_mm, rule.midline_margin_mm),
        (margins.sinus_mm, rule.sinus_margin_mm),
    )
    return np.array([have - want for have, want in pairs if have is not None])


def _least_step(
    slopes: FloatArray, needed: FloatArray, lo: FloatArray, hi: FloatArray
) -> FloatArray | None:
    """Shortest d with slopes @ d >= needed and lo <= d <= hi, by trying which limits act."""
    rows = np.vstack([slopes, np.eye(2), -np.eye(2)])
    least = np.concatenate([needed, lo, -hi])
    candidates = [np.zeros(2)]
    for i in range(len(rows)):
        square = float(rows[i] @ rows[i])
        if square > 1e-12:
            candidates.append(rows[i] * least[i] / square)
    for i, j in itertools.combinations(range(len(rows)), 2):
        pair = rows[[i, j]]
        if abs(float(np.linalg.det(pair))) > 1e-9:
            candidates.append(np.linalg.solve(pair, least[[i, j]]))
    allowed = [d for d in candidates if bool((rows @ d >= least - 1e-6).all())]
    return min(allowed, key=lambda d: float(d @ d)) if allowed else None


def smallest_move(
    replan: Replan,
    rule: Rule,
    start: tuple[float, float],
    *,
    slack_mm: float = 0.1,
    most_rounds: int = 8,
) -> tuple[float, float, Margins] | None:
    """Smallest move of the two tape distances at which every known margin holds.

    Parameters
    ----------
    replan : callable
        See ``Replan``; it may raise where a point cannot be planned.
    rule : Rule
        Its margins.
    start : (float, float)
        Midline and lateral arc of the rule's point.
    slack_mm : float
        Margins are aimed at with this much over, so that the point found keeps them.
    most_rounds : int
        Rounds of tangent planes before giving up.

    Returns
    -------
    (midline_arc_mm, lateral_arc_mm, margins) or None
        None: no such point at or behind the foremost arc and at or inside the farthest
        lateral arc.
    """
    origin = np.array(start, dtype=np.float64)
    lo = np.array([min(value("foremost_arc"), origin[0]), 0.0])
    hi = np.array([origin[0] + 60.0, max(value("farthest_lateral_arc"), origin[1])])

    def plan(at: FloatArray) -> Margins | None:
        try:
            return replan(float(at[0]), float(at[1]))
        except (GeometryError, MeasurementError):
            return None

    here = plan(origin)
    if here is None:
        return None
    if len(_excess(here, rule)) == 0 or bool((_excess(here, rule) >= 0.0).all()):
        return start[0], start[1], here
    at, margins = origin, here
    best: tuple[float, FloatArray, Margins] | None = None
    step = 1.0
    for _ in range(most_rounds):
        now = _excess(margins, rule)
        slopes = []
        for axis in range(2):
            probe = at.copy()
            probe[axis] += step if at[axis] + step <= hi[axis] else -step
            beside = plan(probe)
            if beside is None or len(_excess(beside, rule)) != len(now):
                return _pack(best)
            slopes.append((_excess(beside, rule) - now) / (probe[axis] - at[axis]))
        grid = np.array(slopes).T
        # shortest move from the rule's point, not from here
        needed = slack_mm - now + grid @ (at - origin)
        move = _least_step(grid, needed, lo - origin, hi - origin)
        if move is None:
            return _pack(best)
        after = origin + move
        planned = plan(after)
        if planned is None:
            return _pack(best)
        if bool((_excess(planned, rule) >= 0.0).all()):
            size = float(np.linalg.norm(move))
            if best is None or size < best[0]:
                best = (size, after, planned)
        settled = float(np.abs(after - at).max()) < 0.05
        at, margins = after, planned
        if settled:
            break
    return _pack(best)


def _pack(
    best: tuple[float, FloatArray, Margins] | None,
) -> tuple[float, float, Margins] | None:
    return None if best is None else (float(best[1][0]), float(best[1][1]), best[2])


def arc_that_keeps_margin(
    replan: Replan,
    rule: Rule,
    start: tuple[float, float],
    sd_mm: float,
    definition_sd_mm: float,
    *,
    probability: float | None = None,
) -> float | None:
    """Longest midline arc, at most the rule's, that keeps the suture margin with a probability.

    The lateral arc stays. Returns None where the suture's place is not known, or where the
    arc would lie in front of the foremost one that is offered.
    """
    p = value("probability_kept") if probability is None else probability
    wanted = rule.suture_margin_mm + normal_quantile(p) * combined_sd(sd_mm, definition_sd_mm)
    foremost = value("foremost_arc")

    def excess(arc: float) -> float | None:
        try:
            nearest = replan(arc, start[1]).suture_nearest_mm
        except (GeometryError, MeasurementError):
            return None
        return None if nearest is None else nearest - wanted

    arc = start[0]
    now = excess(arc)
    if now is None:
        return None
    if now >= 0.0:
        return arc
    behind, behind_excess = arc, now
    ahead: tuple[float, float] | None = None
    for _ in range(12):
        if ahead is None:
            trial = max(behind + behind_excess * 1.05 - 0.05, foremost)
            if behind <= foremost:
                return None
        else:
            share = -behind_excess / (ahead[1] - behind_excess)
            trial = behind + share * (ahead[0] - behind) - 0.02
        got = excess(trial)
        if got is None:
            return None
        if got >= 0.0:
            if ahead is not None and abs(trial - ahead[0]) < 0.05:
                return max(trial, ahead[0])
            ahead = (trial, got)
            if got < 0.1:
                return trial
        else:
            if trial <= foremost:
                return None
            behind, behind_excess = trial, got
    return None if ahead is None else ahead[0]


def _tape(mm: float, *, towards: Callable[[float], int]) -> str:
    """Tape distance in whole millimetres, rounded to the side on which the margin is kept."""
    whole = towards(mm - 1e-6 if towards is math.ceil else mm + 1e-6)
    return f"{whole / 10.0:g} cm ({whole} mm)"


def moved_point(
    replan: Replan,
    rule: Rule,
    start: tuple[float, float],
    *,
    suture_sd_mm: float | None,
    suture_definition_sd_mm: float | None,
) -> MovedPoint:
    """Both alternatives to the rule's point, as tape distances.

    The point at which every margin holds at the best estimate, and the midline arc that keeps
    the suture margin with 95 % probability. Nothing is moved: the rule's point stays the plan.
    """
    found = smallest_move(replan, rule, start)
    arc_95 = None
    if suture_sd_mm is not None:
        arc_95 = arc_that_keeps_margin(
            replan, rule, start, suture_sd_mm, suture_definition_sd_mm or 0.0
        )
    foremost = value("foremost_arc")
    tail = (
        f"a point at a midline tape distance of {_tape(arc_95, towards=math.floor)} would keep "
        f"{rule.suture_margin_mm:.0f} mm in front of the suture with 95 % probability"
        if arc_95 is not None
        else "no point at or behind a midline tape distance of "
        f"{_tape(foremost, towards=math.floor)} keeps the suture margin with 95 % probability"
    )
    if suture_sd_mm is None:
        tail = "how likely the suture margin is kept cannot be told"
    if found is None:
        return MovedPoint(
            exists=False,
            midline_arc_95_mm=arc_95,
            text="no point within the tape distances that are offered keeps every margin; " + tail,
        )
    midline, lateral, margins = found
    same = abs(midline - start[0]) < 1e-9 and abs(lateral - start[1]) < 1e-9
    head = (
        ""
        if same
        else "suture, midline and sinus margins hold at the best estimate from a midline tape "
        f"distance of {_tape(midline, towards=math.floor)} and a lateral tape distance of "
        f"{_tape(lateral, towards=math.ceil)}"
    )
    # Where the rule's own arc keeps the suture margin, there is nothing to say about it.
    if arc_95 is not None and abs(arc_95 - start[0]) < 0.05:
        tail = ""
    return MovedPoint(
        exists=True,
        midline_arc_mm=midline,
        lateral_arc_mm=lateral,
        scalp_entry_mm=margins.scalp_entry_mm,
        suture_nearest_mm=margins.suture_nearest_mm,
        midline_scalp_mm=margins.midline_scalp_mm,
        sinus_mm=margins.sinus_mm,
        midline_arc_95_mm=arc_95,
        text="; ".join(part for part in (head, tail) if part),
    )
