"""Where a given point lies: on the skin the shortest way, on the named side, and in tape terms."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import FieldRefused, MeasurementError
from entrypoint.geometry.polylines import direction_over, nearest_on
from entrypoint.geometry.taut import drop_to_surface
from entrypoint.planning.ct_head import CtHead
from entrypoint.planning.ct_parts import CtParts
from entrypoint.planning.ct_site import LateralScalp, place_on_ct
from entrypoint.planning.entry import Entry, side_sign
from entrypoint.planning.model import Side
from entrypoint.reference import value
from entrypoint.volume.sections import polar_section

__all__ = ["OnSkin", "other_space", "read_by_tape", "skin_at", "to_skin"]

FloatArray = NDArray[np.float64]
# Round a ray from inside the head to the point: four sections through it.
_CONE_DEG = np.arange(-14.0, 14.5, 1.0)
_SECTIONS_DEG = (0.0, 45.0, 90.0, 135.0)
_NEAR_MM, _REACH_MM = 20.0, 150.0
_FIT_MM, _FEWEST = 10.0, 20
_SETTLED_MM, _MOST_TURNS = 3.0, 4
# How well the skin's place is known between rays: a point nearer than that lies on it.
_ON_SKIN_MM = 0.3
_TAPE_STEP_MM, _TAPE_START_MM, _TOLERANCE_MM = 4.0, 2.0, 1e-9
_OTHER_SPACE = np.array([-1.0, -1.0, 1.0])
_SIDE_SDS = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class OnSkin:
    """A point of the skin, world mm, and how far a given one was moved to it."""

    point_mm: FloatArray
    unit_outward: FloatArray
    moved_mm: float


def other_space(points_mm: FloatArray) -> FloatArray:
    """The same numbers read in the other space: RAS as LPS, or LPS as RAS."""
    return np.asarray(points_mm * _OTHER_SPACE)


def skin_at(head: CtHead, point_mm: FloatArray) -> OnSkin:
    """The point of the skin nearest to a point, the shortest way.

    Raises
    ------
    MeasurementError
        No skin is in view in that direction.
    """
    frame = head.frame
    axis = point_mm - frame.origin_mm
    for _ in range(_MOST_TURNS):
        fit = _Dome.through(_cone(head, axis), frame.origin_mm, axis)
        foot = fit.nearest(point_mm)
        aside = float(np.linalg.norm(np.cross(foot - frame.origin_mm, axis / np.linalg.norm(axis))))
        if aside <= _SETTLED_MM:
            break
        axis = foot - frame.origin_mm
    return OnSkin(
        point_mm=foot,
        unit_outward=fit.outward(foot),
        moved_mm=float(np.linalg.norm(foot - point_mm)),
    )


def to_skin(parts: CtParts, point_mm: FloatArray, side: Side) -> OnSkin:
    """Put a given point on the skin of its side.

    Returns
    -------
    OnSkin
        The point itself where it lies on the skin as well as that is known.

    Raises
    ------
    FieldRefused
        The point is not in view, lies more than 10 mm off the skin or on the other side of the
        plane, or fits the other space better.
    MeasurementError
    """
    head = parts.head
    own, why = _fit(parts, point_mm, side)
    other, _ = _fit(parts, other_space(point_mm), side)
    note = value("landmark_note")
    off = float("inf") if own is None else own.moved_mm
    if other is not None and off > note and other.moved_mm < off - note:
        raise FieldRefused(
            found="the points fit this scan in the other space (RAS against LPS): "
            + (why or f"as stated the skin point lies {off:.1f} mm from the skin"),
            expected=f"a point on the skin of the patient's {side.value}",
            next_step="correct the stated coordinate space",
        )
    if own is None:
        raise FieldRefused(
            found=why,
            expected=f"a point on the skin of the patient's {side.value}",
            next_step="check its coordinates, the side and the coordinate space (RAS or LPS)",
        )
    if own.moved_mm > value("landmark_refused"):
        inside = "outside" if not _is_inside(head, point_mm) else "inside"
        raise FieldRefused(
            found=f"the skin point lies {own.moved_mm:.1f} mm {inside} the skin",
            expected=f"a point at most {value('landmark_refused'):.0f} mm from the skin",
            next_step="check its coordinates, unit and coordinate space (RAS or LPS)",
        )
    if own.moved_mm <= _ON_SKIN_MM:
        return replace(own, point_mm=np.array(point_mm, dtype=float))
    return own


def _fit(parts: CtParts, point_mm: FloatArray, side: Side) -> tuple[OnSkin | None, str]:
    """The skin at a point, or None and why it cannot be a point of that side."""
    head = parts.head
    if not bool(np.all(head.volume.grid.covers(point_mm[None], margin_mm=-20.0))):
        return None, "the skin point lies outside the scan's field of view"
    away = side_sign(side) * float(parts.midsagittal.distance_of_mm(point_mm))
    if away < -_SIDE_SDS * float(head.plane_sd_mm(point_mm)[0]):
        return None, (
            f"the skin point was said to be on the PATIENT'S {side.value.upper()}, and lies "
            f"{-away:.0f} mm on the other side of this head's midline"
        )
    try:
        return skin_at(head, point_mm), ""
    except MeasurementError as error:
        return None, f"at the skin point there is {error.found}"


def _is_inside(head: CtHead, point_mm: FloatArray) -> bool:
    return not bool(head.coarse.is_exterior(point_mm[None])[0])


def read_by_tape(parts: CtParts, point_mm: FloatArray, side: Side) -> tuple[Entry, LateralScalp]:
    """The two tape distances at which a point of the skin lies, and the directions there.

    The tape distances are those at which a rule's point would be this one; the point itself
    stays where it is.

    Raises
    ------
    FieldRefused
        The point lies where no tape leads: in front of the nasion or behind the tape's end.
    MeasurementError
        Too little scalp in view for the lateral tape.
    """
    midline_arc = _midline_arc_mm(parts, point_mm)

    def laid(lateral_arc_mm: float) -> tuple[Entry, LateralScalp]:
        return place_on_ct(
            parts.head, parts.tape, parts.midsagittal, parts.rule, side, midline_arc, lateral_arc_mm
        )

    start, _ = laid(0.0)
    lateral_arc = nearest_on(start.lateral_tape.points_mm, point_mm)[0]
    entry, lateral = laid(lateral_arc)
    straight = side_sign(side) * float(parts.midsagittal.distance_of_mm(point_mm))
    surface = nearest_on(entry.lateral_profile_mm, point_mm)[0]
    tapes = replace(entry.tapes, lateral_straight_mm=straight, lateral_surface_mm=surface)
    return replace(entry, scalp_entry_mm=point_mm, tapes=tapes), lateral


def _midline_arc_mm(parts: CtParts, point_mm: FloatArray) -> float:
    """Arc at which the plane square to the midline tape holds the point."""
    tape, span = parts.tape, value("tape_direction_span")
    right = parts.midsagittal.unit_normal

    def at(arc_mm: float) -> tuple[FloatArray, FloatArray]:
        """A point of the tape on the skin, and backwards along the tape there."""
        origin = drop_to_surface(tape.tape, tape.profile_mm, arc_mm)
        backward = direction_over(tape.tape.points_mm, arc_mm, span)
        backward = backward - (backward @ right) * right
        return origin, backward / np.linalg.norm(backward)

    def behind(arc_mm: float) -> float:
        origin, backward = at(arc_mm)
        return float((point_mm - origin) @ backward)

    arcs = np.arange(_TAPE_START_MM, tape.length_mm, _TAPE_STEP_MM)
    places = np.array([behind(a) for a in arcs])
    # Planes on the far side of the head hold the point too: the nearest place of the tape counts.
    falls = np.flatnonzero((places[:-1] >= 0.0) & (places[1:] < 0.0))
    if not falls.size:
        ahead = bool(places[0] < 0.0)
        raise FieldRefused(
            found="the skin point lies "
            + ("in front of the nasion" if ahead else "behind the end of the midline tape"),
            expected="a point of the scalp that both tapes reach",
            next_step="check its coordinates and the coordinate space (RAS or LPS)",
        )
    gaps = [float(np.linalg.norm(point_mm - at(float(arcs[k]))[0])) for k in falls]
    k = int(falls[int(np.argmin(gaps))])
    lo, hi = float(arcs[k]), float(arcs[k + 1])
    at_lo, at_hi = float(places[k]), float(places[k + 1])
    for turn in range(60):
        share = at_lo / (at_lo - at_hi) if turn % 3 else 0.5
        middle = lo + share * (hi - lo)
        here = behind(middle)
        if abs(here) < _TOLERANCE_MM or hi - lo < _TOLERANCE_MM:
            return middle
        if here >= 0.0:
            lo, at_lo = middle, here
        else:
            hi, at_hi = middle, here
    return 0.5 * (lo + hi)


def _cone(head: CtHead, axis: FloatArray) -> FloatArray:
    """Skin points round a ray from inside the head, (k, 3)."""
    along = axis / np.linalg.norm(axis)
    side = head.frame.unit_right if abs(along @ head.frame.unit_right) < 0.7 else (
        head.frame.unit_anterior
    )
    u = side - (side @ along) * along
    u = u / np.linalg.norm(u)
    v = np.cross(along, u)
    found = []
    for turn in np.radians(_SECTIONS_DEG):
        polar = polar_section(
            head.volume,
            head.coarse,
            head.frame.origin_mm,
            along,
            np.cos(turn) * u + np.sin(turn) * v,
            _CONE_DEG,
            near_mm=_NEAR_MM,
            reach_mm=_REACH_MM,
        )
        skin = polar.skin_points()
        found.append(skin[np.isfinite(skin).all(axis=1)])
    points = np.concatenate(found)
    if len(points) < _FEWEST:
        raise MeasurementError(
            found="too little skin in view round the point",
            expected="skin round it",
            next_step="use a scan that shows the head there",
        )
    return points


@dataclass(frozen=True, slots=True, kw_only=True)
class _Dome:
    """A quadratic height over the plane square to a ray."""

    origin_mm: FloatArray
    axes: FloatArray  # rows: two in the plane, then outwards
    shape: FloatArray

    @classmethod
    def through(cls, points: FloatArray, centre: FloatArray, axis: FloatArray) -> _Dome:
        """Fit the skin within 10 mm of the ray."""
        out = axis / np.linalg.norm(axis)
        helper = np.eye(3)[int(np.argmin(np.abs(out)))]
        u = helper - (helper @ out) * out
        u = u / np.linalg.norm(u)
        axes = np.stack([u, np.cross(out, u), out])
        local = (points - centre) @ axes.T
        aside = np.hypot(local[:, 0], local[:, 1])
        near = aside <= max(_FIT_MM, float(np.sort(aside)[_FEWEST - 1]))
        x, y, z = local[near].T
        design = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
        coef, *_ = np.linalg.lstsq(design, z, rcond=None)
        return cls(origin_mm=centre, axes=axes, shape=coef)

    def _height(self, x: float, y: float) -> tuple[float, float, float]:
        c = self.shape
        height = c[0] + c[1] * x + c[2] * y + c[3] * x * x + c[4] * x * y + c[5] * y * y
        return (
            float(height),
            float(c[1] + 2.0 * c[3] * x + c[4] * y),
            float(c[2] + c[4] * x + 2.0 * c[5] * y),
        )

    def nearest(self, point_mm: FloatArray) -> FloatArray:
        """The surface's point nearest to a point."""
        px, py, pz = (float(a) for a in (point_mm - self.origin_mm) @ self.axes.T)
        x, y = px, py
        for _ in range(40):
            z, dx, dy = self._height(x, y)
            # On the normal through the surface's point: step along the tangent plane.
            gap = np.array([px - x, py - y, pz - z])
            tangents = np.array([[1.0, 0.0, dx], [0.0, 1.0, dy]])
            step = np.linalg.solve(tangents @ tangents.T, tangents @ gap)
            x, y = x + 0.8 * float(step[0]), y + 0.8 * float(step[1])
            if float(np.abs(step).max()) < 1e-6:
                break
        return np.asarray(self.origin_mm + np.array([x, y, self._height(x, y)[0]]) @ self.axes)

    def outward(self, point_mm: FloatArray) -> FloatArray:
        """Unit normal of the surface, out of the head."""
        x, y, _ = (float(a) for a in (point_mm - self.origin_mm) @ self.axes.T)
        _, dx, dy = self._height(x, y)
        normal = np.array([-dx, -dy, 1.0]) @ self.axes
        return np.asarray(normal / np.linalg.norm(normal))
