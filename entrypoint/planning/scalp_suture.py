"""The coronal suture laid on a scalp: given, from bregma, or expected from published arcs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import FieldRefused, MeasurementError
from entrypoint.geometry.guards import read_only
from entrypoint.geometry.planes import Plane
from entrypoint.geometry.polylines import nearest_on
from entrypoint.geometry.taut import drop_to_surface
from entrypoint.planning.entry import LateralSection, MidlineTape, place_entry
from entrypoint.planning.model import (
    CoronalSuture,
    Finding,
    How,
    Landmark,
    MidsagittalPlane,
    Rule,
    Side,
)
from entrypoint.planning.odds import combined_sd
from entrypoint.planning.suture_odds import Arc, bow_mm, expected_bregma_mm
from entrypoint.reference import spread, value

__all__ = ["ScalpHead", "ScalpSuture", "suture_on_scalp"]

FloatArray = NDArray[np.float64]
_SUTURE_REACH_MM = 45.0
_SUTURE_STEP_MM = 15.0
_MOST_GIVEN = 15
_GIVEN_REACH_MM = 55.0  # what lies farther to the side is not needed for any entry


@dataclass(frozen=True, slots=True, kw_only=True)
class ScalpHead:
    """A head of which the scalp is known; world mm, deviations in mm."""

    plane: Plane
    record: MidsagittalPlane
    profile_mm: FloatArray
    sections: Mapping[Side, LateralSection]
    landmarks: Mapping[str, Landmark]
    points: Mapping[str, FloatArray]  # as given
    given_suture_mm: FloatArray | None
    inion_in_view: bool
    sd_along_mm: float
    sd_across_mm: float
    sd_definition_along_mm: float
    deepest_given_mm: float = 20.0  # a given point of bone lies below the scalp, at most so far
    findings: tuple[Finding, ...] = ()
    checked: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ScalpSuture:
    """The coronal suture laid on the scalp, and what is known of it."""

    record: CoronalSuture
    bregma_arc_mm: float
    bregma_sd_mm: float
    expected: bool  # from published figures alone


def _lateral_point(head: ScalpHead, tape: MidlineTape, arc: float, lateral: float) -> FloatArray:
    """Point of the scalp at two tape distances; the sign of ``lateral`` is the plane's."""
    if lateral == 0.0:
        return drop_to_surface(tape.tape, tape.profile_mm, arc)
    side = Side.RIGHT if lateral > 0 else Side.LEFT
    rule = Rule(midline_arc_mm=arc, lateral_arc_mm=abs(lateral))
    return place_entry(
        midline_profile_mm=head.profile_mm,
        midsagittal=head.plane,
        lateral_section=head.sections[side],
        side=side,
        rule=rule,
        tape=tape,
    ).scalp_entry_mm


def _below_scalp(name: str, away_mm: float, deepest_mm: float) -> None:
    if away_mm > deepest_mm:
        raise FieldRefused(
            found=f"{name} lies {away_mm:.0f} mm from the scalp",
            expected=f"a point on the scalp or on the bone below it, at most "
            f"{deepest_mm:.0f} mm away",
            next_step="check its coordinates, unit and coordinate space (RAS or LPS)",
        )


def _laid_on(head: ScalpHead, tape: MidlineTape, given: FloatArray) -> FloatArray:
    """Given suture points, on the scalp above them, from the patient's left to right."""
    away = head.plane.signed_distance_mm(given)
    order = np.argsort(away, kind="stable")
    order = order[np.abs(away[order]) <= _GIVEN_REACH_MM]
    if len(order) < 2:
        raise FieldRefused(
            found="a coronal suture of fewer than two points near the top of the head",
            expected=f"points within {_GIVEN_REACH_MM:.0f} mm of the midline",
            next_step="add points of the suture, or give the bregma alone",
        )
    if len(order) > _MOST_GIVEN:
        order = order[np.linspace(0, len(order) - 1, _MOST_GIVEN).round().astype(int)]
    flat = head.plane.project(given)
    out = []
    for i in order:
        arc, above, _ = nearest_on(tape.tape.points_mm, flat[i])
        if abs(away[i]) < 1.0:
            gap = float(np.linalg.norm(above - flat[i]))
            _below_scalp("a point of the coronal suture", gap, head.deepest_given_mm)
            out.append(drop_to_surface(tape.tape, tape.profile_mm, arc))
            continue
        side = Side.RIGHT if away[i] > 0 else Side.LEFT
        entry = place_entry(
            midline_profile_mm=head.profile_mm,
            midsagittal=head.plane,
            lateral_section=head.sections[side],
            side=side,
            rule=Rule(midline_arc_mm=arc, lateral_arc_mm=1.0),
            tape=tape,
        )
        _, spot, gap = nearest_on(entry.lateral_profile_mm, given[i])
        _below_scalp("a point of the coronal suture", gap, head.deepest_given_mm)
        out.append(spot)
    return np.array(out)


def suture_on_scalp(head: ScalpHead, tape: MidlineTape) -> ScalpSuture:
    """Lay the coronal suture on the scalp.

    From given suture points; else from a given bregma and the published bow; else from the
    expected bregma, which follows this head's nasion-inion tape where the inion is in view.

    Raises
    ------
    FieldRefused
        A given point lies far from the scalp.
    MeasurementError
        The suture's place is not in view.
    """
    given_sd = spread("landmark_given")
    bregma = head.points.get("bregma")
    arc_sd: float
    expected = False
    if bregma is not None:
        flat = head.plane.project(bregma[None])[0]
        arc, _, gap = nearest_on(tape.tape.points_mm, flat)
        _below_scalp("bregma", gap, head.deepest_given_mm)
        arc_sd = given_sd
    elif head.given_suture_mm is not None and len(head.given_suture_mm) > 1:
        away = np.abs(head.plane.signed_distance_mm(head.given_suture_mm))
        flat = head.plane.project(head.given_suture_mm)[int(np.argmin(away))]
        arc = nearest_on(tape.tape.points_mm, flat)[0] + bow_mm(float(away.min()))
        arc_sd = combined_sd(given_sd, value("suture_bow_sd") if away.min() > 5.0 else 0.0)
    else:
        whole = tape.length_mm if head.inion_in_view else None
        arc, arc_sd = expected_bregma_mm(Arc.SCALP, nasion_inion_mm=whole)
        expected = True
    if head.given_suture_mm is not None and len(head.given_suture_mm) > 1:
        curve, how = _laid_on(head, tape, head.given_suture_mm), How.GIVEN
        sd, definition = given_sd, spread("suture_definition")
    else:
        lateral = np.arange(-_SUTURE_REACH_MM, _SUTURE_REACH_MM + 0.1, _SUTURE_STEP_MM)
        spots = [
            _lateral_point(head, tape, arc - bow_mm(float(x)), float(x))
            for x in lateral
            if arc - bow_mm(float(x)) < tape.length_mm
        ]
        if len(spots) < 2:
            raise MeasurementError(
                found="a scalp that ends before the coronal suture",
                expected=f"at least {arc:.0f} mm of midline",
                next_step="use a surface that shows more of the top of the head",
            )
        curve, how = np.array(spots), How.ESTIMATED
        sd = combined_sd(arc_sd, value("suture_bow_sd"))
        definition = combined_sd(
            spread("suture_definition"),
            spread("nasion_deepest_offset") if expected else spread("bregma_definition"),
        )
    return ScalpSuture(
        record=CoronalSuture(
            how=how,
            sd_mm=sd,
            curve_mm=read_only(np.ascontiguousarray(curve)),
            along="scalp",
            right=how,
            left=how,
            right_sd_mm=sd,
            left_sd_mm=sd,
            definition_sd_mm=definition,
        ),
        bregma_arc_mm=arc,
        bregma_sd_mm=arc_sd,
        expected=expected,
    )
