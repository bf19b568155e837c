"""A plan on a real scalp surface: triangles and landmarks, arcs on the surface itself."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from entrypoint import __version__
from entrypoint.errors import FieldRefused, MeasurementError
from entrypoint.geometry.guards import as_point_mm, as_points_mm, read_only, unit
from entrypoint.geometry.planes import Plane
from entrypoint.geometry.polylines import length_mm, nearest_on
from entrypoint.planning.entry import LateralSection, side_sign
from entrypoint.planning.head_findings import child, field_of_view
from entrypoint.planning.head_landmarks import (
    check_landmarks,
    definition_sd_mm,
    head_axes,
    plane_from_landmarks,
)
from entrypoint.planning.landmark_findings import landmark_moved
from entrypoint.planning.model import (
    Finding,
    How,
    InputInfo,
    InputKind,
    Landmark,
    Level,
    MidsagittalPlane,
    Plan,
    Rule,
    Side,
)
from entrypoint.planning.odds import combined_sd
from entrypoint.planning.scalp_plan import plan_on_scalp
from entrypoint.planning.scalp_suture import ScalpHead
from entrypoint.reference import row, spread, value

__all__ = ["ScalpSurface", "plan_from_scalp"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
_ON_SKIN = ("nasion", "inion", "left_preauricular", "right_preauricular", "vertex")
_STEP_DEG = 0.2
_GAP_MM = 12.0  # a hole this wide is bridged; a wider one ends the view, judgement
_BELOW_MM = 75.0  # centre of a lateral section, below its midline point
_LATERAL_DEG = 115.0


class ScalpSurface:
    """Triangles of a scalp, with what the tapes need of them.

    Parameters
    ----------
    vertices : array_like, shape (n, 3)
        World mm.
    faces : array_like of int, shape (m, 3)

    Raises
    ------
    FieldRefused
        Faces that name a vertex which is not there, or no faces at all.
    """

    def __init__(self, vertices: ArrayLike, faces: ArrayLike) -> None:
        """Check the triangles and keep them."""
        import trimesh

        points = as_points_mm(vertices, "vertices of the surface", at_least=4)
        triangles = np.asarray(faces)
        if triangles.ndim != 2 or triangles.shape[1] != 3 or len(triangles) == 0:
            raise FieldRefused(
                found=f"faces of the shape {triangles.shape}",
                expected="triangles, shape (m, 3)",
                next_step="export the surface as triangles",
            )
        if triangles.min() < 0 or triangles.max() >= len(points):
            raise FieldRefused(
                found="a face that names a vertex which is not there",
                expected=f"vertex numbers from 0 to {len(points) - 1}",
                next_step="export the surface again",
            )
        self._mesh: Any = trimesh.Trimesh(
            vertices=np.array(points), faces=triangles.astype(np.int64), process=False
        )
        self._corners = np.asarray(self._mesh.triangles, dtype=np.float64)

    def nearest(self, point: ArrayLike) -> tuple[FloatArray, float]:
        """Nearest point of the surface, and its distance."""
        from trimesh.triangles import closest_point

        p = as_point_mm(point)
        tri = self._corners
        reach = float(np.linalg.norm(tri[:, 0] - p, axis=1).min())
        low = np.maximum(tri.min(axis=1) - p, 0.0)
        high = np.maximum(p - tri.max(axis=1), 0.0)
        near = tri[((low + high) ** 2).sum(axis=1) <= reach**2 + 1e-9]
        spots = closest_point(near, np.broadcast_to(p, (len(near), 3)))
        gaps = np.linalg.norm(spots - p, axis=1)
        i = int(np.argmin(gaps))
        return np.asarray(spots[i], dtype=np.float64), float(gaps[i])

    def section(self, plane: Plane) -> FloatArray:
        """Segments in which a plane cuts the surface, shape (m, 2, 3)."""
        from trimesh.intersections import mesh_plane

        lines = mesh_plane(
            self._mesh, plane_normal=np.array(plane.unit_normal), plane_origin=plane.point_mm
        )
        return np.asarray(lines, dtype=np.float64).reshape(-1, 2, 3)

    def outline(
        self, plane: Plane, centre: FloatArray, start: FloatArray, turn: FloatArray, stop_deg: float
    ) -> tuple[FloatArray, bool]:
        """Outermost outline of a section, by direction from a centre inside the head.

        Parameters
        ----------
        plane : Plane
        centre : (3,) array
            In the plane.
        start : (3,) array
            First direction, from the centre to this point.
        turn : (3,) array
            Direction towards which the outline is followed, at the start.
        stop_deg : float
            Angle at which it ends.

        Returns
        -------
        outline, complete : (n, 3) array, bool
            Complete is False where a gap wider than is bridged ended it early.

        Raises
        ------
        MeasurementError
            The plane does not meet the surface near the start.
        """
        first = unit(start - centre)
        second = turn - (turn @ first) * first
        second = unit(second - (second @ plane.unit_normal) * plane.unit_normal)
        seg = self.section(plane)
        rel = seg - centre
        x, y = rel @ first, rel @ second
        # the direction opposite to the start is where angles wrap: nothing is followed there
        angle = np.degrees(np.arctan2(y, x))
        angle = np.where(angle < -60.0, angle + 360.0, angle)
        rays = np.arange(0.0, stop_deg + 1e-9, _STEP_DEG)
        radius = np.full(len(rays), -np.inf)
        lo, hi = angle.min(axis=1), angle.max(axis=1)
        usable = (hi - lo) < 90.0
        begin = np.searchsorted(rays, lo - 1e-9, side="left")
        end = np.searchsorted(rays, hi + 1e-9, side="right")
        cos, sin = np.cos(np.radians(rays)), np.sin(np.radians(rays))
        for k in np.flatnonzero(usable & (end > begin)):
            span = slice(int(begin[k]), int(end[k]))
            (xa, xb), (ya, yb) = x[k], y[k]
            bottom = cos[span] * (yb - ya) - sin[span] * (xb - xa)
            top = xa * (yb - ya) - ya * (xb - xa)
            with np.errstate(divide="ignore", invalid="ignore"):
                reach = np.where(np.abs(bottom) > 1e-12, top / bottom, max(np.hypot(xa, ya), 0.0))
            radius[span] = np.maximum(radius[span], reach)
        seen = np.flatnonzero(np.isfinite(radius))
        if len(seen) < 2:
            raise MeasurementError(
                found="a plane that hardly meets the scalp surface",
                expected="scalp from the nasion over the top",
                next_step="check the landmarks, or use a surface that shows more",
            )
        spots = centre + radius[seen, None] * (cos[seen, None] * first + sin[seen, None] * second)
        jump = np.linalg.norm(np.diff(spots, axis=0), axis=1)
        wide = np.flatnonzero((jump > _GAP_MM) & (np.diff(seen) > 1))
        last = int(wide[0]) + 1 if len(wide) else len(spots)
        complete = last == len(spots) and rays[seen[-1]] >= stop_deg - 2.0
        return spots[:last], complete


def _snap(
    surface: ScalpSurface, given: Mapping[str, FloatArray]
) -> tuple[dict[str, FloatArray], dict[str, float]]:
    """Landmarks moved to the surface; refused, with the likelier space, beyond 10 mm."""
    limit = value("landmark_refused")
    snapped, moved = {}, {}
    for name in _ON_SKIN:
        if name in given:
            snapped[name], moved[name] = surface.nearest(given[name])
    worst = max(moved, key=lambda name: moved[name])
    if moved[worst] > limit:
        other = [surface.nearest(given[n] * np.array([-1.0, -1.0, 1.0]))[1] for n in moved]
        if max(other) < 0.5 * moved[worst] and max(other) <= limit:
            raise FieldRefused(
                found=f"landmarks up to {moved[worst]:.0f} mm from the surface",
                expected=f"points at most {limit:.0f} mm from it",
                next_step="check the coordinate space: read in the other one (RAS or LPS) they "
                f"lie within {max(other):.0f} mm",
            )
        landmark_moved(worst, moved[worst])  # refuses
    return snapped, moved


def _midline(
    surface: ScalpSurface, plane: Plane, snapped: Mapping[str, FloatArray], up: FloatArray
) -> tuple[FloatArray, bool]:
    """Profile from the nasion to the inion, or as far as the surface goes."""
    flat = {name: plane.project(p[None])[0] for name, p in snapped.items()}
    ears = 0.5 * (flat["left_preauricular"] + flat["right_preauricular"])
    middle = 0.5 * (flat["nasion"] + flat["inion"])
    centre = 0.5 * (ears + middle)
    centre = centre + 20.0 * unit(up - (up @ plane.unit_normal) * plane.unit_normal)
    first = unit(flat["nasion"] - centre)
    toward = up - (up @ first) * first
    axis = unit(toward - (toward @ plane.unit_normal) * plane.unit_normal)
    rel = flat["inion"] - centre
    stop = float(np.degrees(np.arctan2(rel @ axis, rel @ first))) % 360.0
    outline, complete = surface.outline(plane, centre, flat["nasion"], axis, stop)
    arc, _, gap = nearest_on(outline, flat["nasion"])
    if gap > 5.0 or arc > 20.0:
        raise MeasurementError(
            found=f"a midline that starts {gap:.0f} mm from the nasion",
            expected="scalp at the nasion",
            next_step="use a surface that shows the root of the nose",
        )
    return outline, complete


def _sections(surface: ScalpSurface, plane: Plane) -> dict[Side, LateralSection]:
    def of(side: Side) -> LateralSection:
        lateral = side_sign(side) * plane.unit_normal

        def section(point: FloatArray, normal: FloatArray, outward: FloatArray) -> FloatArray:
            cut = Plane(point_mm=point, unit_normal=normal)
            centre = np.asarray(point - _BELOW_MM * outward)
            outline, _ = surface.outline(cut, centre, np.asarray(point), lateral, _LATERAL_DEG)
            outline[0] = point
            return outline

        return section

    return {side: of(side) for side in Side}


def _size_findings(length: float, rule: Rule) -> tuple[Finding, ...]:
    usual = row("nasion_inion_scalp")
    low = usual.low or 0.0
    if rule.person == "child":
        return child("child", "", value_found=None, limit=None)
    if length < low:
        why = f"the midline tape of {length:.0f} mm is under the {low:.0f} mm seen in adults"
        return child(rule.person, why, value_found=length, limit=low)
    return ()


def plan_from_scalp(
    vertices: ArrayLike,
    faces: ArrayLike,
    points: Mapping[str, ArrayLike],
    *,
    coronal_suture_mm: ArrayLike | None = None,
    info: InputInfo | None = None,
    rule: Rule | None = None,
    sides: Iterable[Side] = (Side.RIGHT, Side.LEFT),
    midsagittal: Plane | None = None,
    tool_version: str = __version__,
) -> Plan:
    """Plan on a scalp surface.

    Parameters
    ----------
    vertices, faces : arrays
        Triangles in world RAS mm; the surface may be open below.
    points : mapping of name to (3,) array, world RAS mm
        Nasion, inion, both preauricular points, and vertex or bregma; optional pupils.
    coronal_suture_mm : (n, 3) array, optional
    info : InputInfo, optional
    rule : Rule, optional
    sides : iterable of Side
    midsagittal : Plane, optional
        A given midsagittal plane, its normal to the patient's right.
    tool_version : str

    Returns
    -------
    Plan

    Raises
    ------
    FieldRefused
        A landmark is missing, swapped, or over 10 mm from the surface.
    MeasurementError
        The surface does not show what the rule needs.
    """
    rule = rule or Rule()
    given = check_landmarks(points)
    surface = ScalpSurface(vertices, faces)
    snapped, moved = _snap(surface, given)
    findings: list[Finding] = []
    for name, distance in moved.items():
        findings += landmark_moved(name, distance)
    merged = {**given, **snapped}
    plane, record = plane_from_landmarks(merged)
    if midsagittal is not None:
        plane = midsagittal
        record = MidsagittalPlane(
            point_mm=plane.point_mm,
            unit_normal=plane.unit_normal,
            sd_mm=spread("landmark_given"),
            sd_deg=spread("landmark_given"),
            how=How.GIVEN,
        )
    axes = head_axes(merged)
    profile, complete = _midline(surface, plane, snapped, axes.unit_up)
    inion_gap = nearest_on(profile, plane.project(snapped["inion"][None])[0])[2]
    in_view = complete and inion_gap < value("landmark_refused")
    if not in_view:
        findings.append(
            field_of_view(
                f"the midline behind {length_mm(profile):.0f} mm of scalp is",
                level=Level.NOTE,
                figures=("coronal_suture",),
            )
        )
    else:
        findings += _size_findings(length_mm(profile), rule)
    suture = None
    if coronal_suture_mm is not None:
        suture = as_points_mm(coronal_suture_mm, "coronal_suture")
    base = spread("landmark_given")
    head = ScalpHead(
        plane=plane,
        record=record,
        profile_mm=profile,
        sections=_sections(surface, plane),
        landmarks=_landmarks(given, snapped, moved),
        points=merged,
        given_suture_mm=suture,
        inion_in_view=in_view,
        sd_along_mm=base,
        sd_across_mm=combined_sd(record.sd_mm),
        sd_definition_along_mm=definition_sd_mm("nasion"),
        findings=tuple(findings),
        checked=("landmarks against the surface", "left and right against the top of the head"),
    )
    info = info or InputInfo(kind=InputKind.SCALP, name="scalp", sha256="")
    return plan_on_scalp(head, info=info, rule=rule, sides=sides, tool_version=tool_version)


def _landmarks(
    given: Mapping[str, FloatArray],
    snapped: Mapping[str, FloatArray],
    moved: Mapping[str, float],
) -> dict[str, Landmark]:
    names = {"nasion": "nasion_skin"}
    return {
        names.get(name, name): Landmark(
            position_mm=read_only(np.array(snapped.get(name, given[name]))),
            sd_mm=spread("landmark_given"),
            how=How.GIVEN,
            definition_sd_mm=definition_sd_mm(name),
            moved_mm=moved.get(name),
        )
        for name in given
        if name != "bregma"
    }
