"""A plan from landmarks alone: a smooth scalp modelled between them, with its own error.

The midline profile is the likeliest ellipse through the nasion, the inion and the top of the
head, given what is usual of published scalps; the sections down the sides are circles of the
usual slope. How far it is off was measured on heads whose scalp is known: see the reference
rows ``landmark_model_along`` and ``landmark_model_across``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
from numpy.typing import ArrayLike, NDArray

from entrypoint import __version__
from entrypoint.errors import EntrypointError
from entrypoint.geometry.guards import as_points_mm, read_only, unit
from entrypoint.geometry.planes import Plane
from entrypoint.geometry.polylines import length_mm
from entrypoint.planning.entry import LateralSection, place_entry, side_sign
from entrypoint.planning.head_findings import child, landmark_model
from entrypoint.planning.head_landmarks import (
    check_landmarks,
    definition_sd_mm,
    head_axes,
    plane_from_landmarks,
)
from entrypoint.planning.model import (
    Finding,
    How,
    InputInfo,
    InputKind,
    Landmark,
    LateralBy,
    Plan,
    Rule,
    Side,
)
from entrypoint.planning.odds import combined_sd
from entrypoint.planning.scalp_plan import plan_on_scalp
from entrypoint.planning.scalp_suture import ScalpHead
from entrypoint.reference import row, spread, value

__all__ = ["model_profile", "model_sections", "plan_from_landmarks"]

FloatArray = NDArray[np.float64]

# What is usual of the ellipse, in units of the nasion-inion chord. Ellipses fitted to two
# published scalps (the standard_1020 montage and the fsaverage-head surface, both shipped by the
# package mne, BSD-3) follow them with an rms of 1.2 and 1.5 mm and have a long half of 0.515 and
# 0.522, a ratio of 0.914 and 0.911, a tilt of 41 and 20 degrees and a centre 0.496 and 0.498 back.
# The means used here lean to a lower, flatter head; they and the spreads are judgement.
_LONG_HALF = (0.521, 0.015)
_SHORT_OVER_LONG = (0.89, 0.045)
_TILT_DEG = (10.0, 15.0)  # of the long axis, front end up, against the nasion-inion chord
_CENTRE_BACK = (0.494, 0.02)  # of the centre behind the nasion along the chord
_NASION_OUTSIDE_MM = (2.0, 2.0)
_INION_OUTSIDE_MM = (5.5, 2.5)
_TOP_OUTSIDE_MM = (0.0, 1.5)
_STEP_DEG = 0.5
_BROW_MM = 12.0  # from the nasion to where the ellipse takes over


def _outside_mm(points: FloatArray, shape: FloatArray) -> FloatArray:
    """Signed distance of planar points from an ellipse, to first order."""
    centre, half, tilt = shape[:2], shape[2:4], shape[4]
    turn = np.array([[np.cos(tilt), -np.sin(tilt)], [np.sin(tilt), np.cos(tilt)]])
    q = (points - centre) @ turn
    share = np.hypot(q[:, 0] / half[0], q[:, 1] / half[1])
    return np.asarray(np.hypot(q[:, 0], q[:, 1]) * (1.0 - 1.0 / np.maximum(share, 1e-6)))


def _fit(inion: FloatArray, tops: FloatArray, top_sds: FloatArray) -> FloatArray:
    """Likeliest ellipse: centre, half axes, tilt, in (back, up) from the nasion, mm and rad."""
    size = float(inion[0])
    marks = np.vstack([[0.0, 0.0], inion, tops])
    want = np.concatenate(
        [[_NASION_OUTSIDE_MM[0], _INION_OUTSIDE_MM[0]], np.full(len(tops), _TOP_OUTSIDE_MM[0])]
    )
    spreads = np.concatenate([[_NASION_OUTSIDE_MM[1], _INION_OUTSIDE_MM[1]], top_sds])
    usual = np.array([_LONG_HALF[0], _SHORT_OVER_LONG[0], np.radians(_TILT_DEG[0])])
    usual_sd = np.array([_LONG_HALF[1], _SHORT_OVER_LONG[1], np.radians(_TILT_DEG[1])])

    def misfit(shape: FloatArray) -> FloatArray:
        kind = np.array([shape[2] / size, shape[3] / shape[2], shape[4]])
        place = (shape[0] / size - _CENTRE_BACK[0]) / _CENTRE_BACK[1]
        return np.concatenate(
            [(_outside_mm(marks, shape) - want) / spreads, (kind - usual) / usual_sd, [place]]
        )

    shape = np.array(
        [_CENTRE_BACK[0] * size, 0.15 * size, usual[0] * size, usual[0] * usual[1] * size, usual[2]]
    )
    for _ in range(30):  # Gauss-Newton on a smooth, nearly linear problem
        now = misfit(shape)
        slopes = np.empty((len(now), 5))
        for k in range(5):
            probe = shape.copy()
            probe[k] += 1e-4
            slopes[:, k] = (misfit(probe) - now) / 1e-4
        step = np.linalg.lstsq(slopes, -now, rcond=None)[0]
        size_of = max(float(np.abs(step[:4]).max()) / 15.0, abs(float(step[4])) / 0.4, 1.0)
        shape = shape + step / size_of
        if float(np.abs(step).max()) < 1e-6:
            break
    return shape


def model_profile(given: Mapping[str, FloatArray], plane: Plane, up: FloatArray) -> FloatArray:
    """Midline profile from the nasion to the inion.

    Parameters
    ----------
    given : mapping
        Landmarks, as ``check_landmarks`` returns them.
    plane : Plane
        Midsagittal.
    up : (3,) array
        Roughly upwards.

    Returns
    -------
    (n, 3) array
        World mm, in the plane, from the nasion over the top to the inion.
    """
    flat = {name: plane.project(p[None])[0] for name, p in given.items()}
    nasion, inion = flat["nasion"], flat["inion"]
    back = unit(inion - nasion)
    rise = up - (up @ back) * back
    rise = unit(rise - (rise @ plane.unit_normal) * plane.unit_normal)
    middle = 0.5 * (flat["left_preauricular"] + flat["right_preauricular"])
    tops, sds = [], []
    for top in ("vertex", "bregma"):
        if top not in flat:
            continue
        point, sd = flat[top], _TOP_OUTSIDE_MM[1]
        if top == "bregma":  # on bone: the scalp lies above it
            point = point + value("scalp_frontal") * unit(point - middle)
            sd = combined_sd(sd, 2.0)
        tops.append([(point - nasion) @ back, (point - nasion) @ rise])
        sds.append(sd)
    end = np.array([(inion - nasion) @ back, 0.0])
    shape = _fit(end, np.array(tops), np.array(sds))
    centre, half, tilt = shape[:2], shape[2:4], shape[4]

    def direction(p: FloatArray) -> float:
        """Angle seen from the centre: 0 in front, over the top, 180 behind."""
        away = p - centre
        return float(np.degrees(np.arctan2(away[1], -away[0])) % 360.0)

    first = direction(np.zeros(2))
    first = first - 360.0 if first > 180.0 else first
    last = direction(end)
    first += np.degrees(_BROW_MM / half.mean())
    theta = np.radians(np.arange(first, last - np.degrees(_BROW_MM / half.mean()), _STEP_DEG))
    ray = np.column_stack([-np.cos(theta), np.sin(theta)])
    turned = ray @ np.array([[np.cos(tilt), -np.sin(tilt)], [np.sin(tilt), np.cos(tilt)]])
    reach = 1.0 / np.hypot(turned[:, 0] / half[0], turned[:, 1] / half[1])
    curve = np.vstack([[0.0, 0.0], centre + reach[:, None] * ray, end])
    return np.asarray(nasion + curve[:, :1] * back + curve[:, 1:] * rise, dtype=np.float64)


def model_sections(plane: Plane) -> dict[Side, LateralSection]:
    """Sections down both sides: circles of the usual slope at the frontal point."""
    radius = value("scalp_radius_lateral")
    angle = np.linspace(0.0, (value("lateral_reach") + 5.0) / radius, 200)

    def of(side: Side) -> LateralSection:
        lateral = side_sign(side) * plane.unit_normal

        def section(point: FloatArray, normal: FloatArray, outward: FloatArray) -> FloatArray:
            del normal  # the section is built from the two directions that it holds
            down = radius * (1.0 - np.cos(angle))
            return np.asarray(
                point + radius * np.sin(angle)[:, None] * lateral - down[:, None] * outward
            )

        return section

    return {side: of(side) for side in Side}


def _entry(given: Mapping[str, FloatArray], rule: Rule) -> tuple[FloatArray, FloatArray]:
    plane, _ = plane_from_landmarks(given)
    profile = model_profile(given, plane, head_axes(given).unit_up)
    entry = place_entry(
        midline_profile_mm=profile,
        midsagittal=plane,
        lateral_section=model_sections(plane)[Side.RIGHT],
        side=Side.RIGHT,
        rule=rule,
    )
    return entry.scalp_entry_mm, np.array([entry.unit_along, entry.unit_across])


def _spreads(given: Mapping[str, FloatArray], rule: Rule) -> tuple[FloatArray, FloatArray]:
    """Spread of the entry along and across the midline: from reading, from definitions.

    Each landmark is moved by one deviation in each direction and the entry placed again.
    """
    at = Rule(midline_arc_mm=rule.midline_arc_mm, lateral_arc_mm=rule.lateral_arc_mm)
    if rule.lateral_by is LateralBy.MID_PUPILLARY:
        at = Rule(midline_arc_mm=rule.midline_arc_mm)
    home, axes = _entry(given, at)
    reading, definition = np.zeros(2), np.zeros(2)
    own = head_axes(given)
    base = spread("landmark_given")
    for name, point in given.items():
        for direction in (own.unit_right, own.unit_forward, own.unit_up):
            moved = dict(given)
            moved[name] = point + base * direction
            try:
                step = axes @ (_entry(moved, at)[0] - home)
            except EntrypointError:
                continue
            reading += step**2
            definition += (step * definition_sd_mm(name) / base) ** 2
    return np.sqrt(reading), np.sqrt(definition)


def _findings(profile: FloatArray, rule: Rule) -> tuple[Finding, ...]:
    low = row("nasion_inion_scalp").low or 0.0
    length = length_mm(profile)
    if rule.person == "child":
        return child("child", "", value_found=None, limit=None)
    if length < low:
        why = f"the midline of {length:.0f} mm is under the {low:.0f} mm seen in adults"
        return child(rule.person, why, value_found=length, limit=low)
    return ()


def plan_from_landmarks(
    points: Mapping[str, ArrayLike],
    *,
    coronal_suture_mm: ArrayLike | None = None,
    info: InputInfo | None = None,
    rule: Rule | None = None,
    sides: Iterable[Side] = (Side.RIGHT, Side.LEFT),
    tool_version: str = __version__,
) -> Plan:
    """Plan from landmarks alone.

    Parameters
    ----------
    points : mapping of name to (3,) array, world RAS mm
        Nasion, inion, both preauricular points, and vertex or bregma; optional pupils.
    coronal_suture_mm : (n, 3) array, optional
        Points of the coronal suture.
    info : InputInfo, optional
    rule : Rule, optional
    sides : iterable of Side
    tool_version : str

    Returns
    -------
    Plan
        Its entry is an estimate; the spreads hold the landmarks' and the model's own.

    Raises
    ------
    FieldRefused
        A landmark is missing, swapped or impossible.
    MeasurementError
        The modelled scalp is too short for the rule.
    """
    rule = rule or Rule()
    given = check_landmarks(points)
    plane, record = plane_from_landmarks(given)
    profile = model_profile(given, plane, head_axes(given).unit_up)
    reading, definition = _spreads(given, rule)
    model = value("landmark_model_along"), value("landmark_model_across")
    along = combined_sd(float(reading[0]), model[0])
    across = combined_sd(float(reading[1]), model[1])
    suture = None
    if coronal_suture_mm is not None:
        suture = as_points_mm(coronal_suture_mm, "coronal_suture")
    names = {"nasion": "nasion_skin"}
    head = ScalpHead(
        plane=plane,
        record=record,
        profile_mm=profile,
        sections=model_sections(plane),
        landmarks={
            names.get(name, name): Landmark(
                position_mm=read_only(np.array(point)),
                sd_mm=spread("landmark_given"),
                how=How.GIVEN,
                definition_sd_mm=definition_sd_mm(name),
            )
            for name, point in given.items()
            if name != "bregma"
        },
        points=given,
        given_suture_mm=suture,
        inion_in_view=True,
        sd_along_mm=along,
        sd_across_mm=across,
        sd_definition_along_mm=float(definition[0]),
        deepest_given_mm=30.0,  # the modelled scalp may itself lie 10 mm off
        findings=(*_findings(profile, rule), landmark_model(along, across)),
        checked=("landmarks against each other", "left and right against the top of the head"),
    )
    info = info or InputInfo(kind=InputKind.LANDMARKS, name="landmarks", sha256="")
    return plan_on_scalp(head, info=info, rule=rule, sides=sides, tool_version=tool_version)
