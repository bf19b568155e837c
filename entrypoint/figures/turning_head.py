"""A head that turns in a browser: surfaces, tapes, paths and names, in the head's own directions.

Lengths are mm of the head: right, anterior, superior of a point in its middle. Corners of the
surfaces are stored as whole steps of a hundredth of a millimetre or more; no figure is read from
them.
"""

from __future__ import annotations

import base64
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import EntrypointError, MeasurementError
from entrypoint.figures.head import at_arc, head_bodies, head_view, outwards, tape_ticks
from entrypoint.figures.head import tapes_on_skin as laid
from entrypoint.figures.offscreen import surface_in
from entrypoint.figures.view import View, path_of, upright
from entrypoint.geometry.polylines import length_mm
from entrypoint.planning.entry import side_sign
from entrypoint.planning.model import How, Plan, Side
from entrypoint.report.rounding import tape
from entrypoint.report.wording import SIDE_WORDS

if TYPE_CHECKING:
    from entrypoint.volume.volume import Volume

__all__ = ["TurningHead", "turning_head"]

FloatArray = NDArray[np.float64]
_TRIANGLES = {"skin": 12_000, "bone": 34_000}
_TAPE_MM, _TICK_MM, _PATH_MM, _SUTURE_MM, _BALL_MM, _TIP_MM = 1.1, 0.7, 1.0, 1.2, 2.8, 2.2
_BEFORE_MM = 45.0  # of the path outside the scalp
_DASH_MM, _GAP_MM = 4.0, 3.0
_NAMED_AT_MM = 45.0  # from the midline, of the suture
_APART_MM = 15.0  # least of the tape between two of its names
_STEPS = 65_535  # of a surface's box
_POINT_MM = 0.1
_ROUND_IT_MM = 4.0
_TURN_DEG, _RISE_DEG = 38.0, 22.0  # of the view from in front and above


@dataclass(frozen=True, slots=True, kw_only=True)
class TurningHead:
    """What the page's own script draws, as plain values and packed numbers."""

    scene: dict[str, Any]
    packed: dict[str, str]  # base64 of each surface: corners, then triangles


def turning_head(
    plan: Plan, volume: Volume, sides: tuple[Side, ...], bodies: dict[str, Any] | None = None
) -> TurningHead:
    """Collect what is drawn of a head.

    Parameters
    ----------
    plan : Plan
        From the same CT.
    volume : Volume
    sides : tuple of Side
        Those whose path is shown; one without a path is left out.
    bodies : mapping, optional
        Scalp and skull, where they have been read already.

    Raises
    ------
    MeasurementError
        When no side has a path, or its tapes are not in view.
    """
    shown, refused = {}, None
    for side in sides:
        try:
            shown[side] = laid(plan, volume, side)
        except EntrypointError as error:
            refused = error
    if not shown:
        raise refused or MeasurementError(
            found="no path in this plan", expected="a side that was planned",
            next_step="look at the findings that say why there is none",
        )  # fmt: skip
    bodies = head_bodies(plan, volume) if bodies is None else bodies
    first = next(iter(shown))
    view, axes = _directions(plan, first)
    lines: list[dict[str, Any]] = []
    names: list[dict[str, Any]] = []

    meshes = _meshes(bodies)
    middle, half_mm = _framed(np.asarray(meshes["skin"].points) @ axes.T)

    def head(points: Any) -> FloatArray:
        return np.asarray(np.asarray(points, dtype=np.float64) @ axes.T - middle)

    def line(kind: str, points: Any, radius_mm: float, *, dash: bool = False) -> None:
        lines.append(
            {"kind": kind, "radius": radius_mm, "dash": [_DASH_MM, _GAP_MM] if dash else None,
             "points": _rounded(head(points))}
        )  # fmt: skip

    def name(text: str, at: Any, *, inside: bool = False, side: Side | None = None) -> None:
        towards = 0.0 if side is None else side_sign(side)
        names.append(
            {"text": text, "at": _rounded(head(at)), "inside": inside, "side": towards}
        )

    midline = shown[first][0]
    _tape(line, midline, view)
    name("nasion", midline[0])
    for cm in range(5, int((length_mm(midline) - _APART_MM) / 10.0) + 1, 5):
        name(f"{cm} cm", at_arc(midline, 10.0 * cm)[0])
    name(tape(length_mm(midline)), midline[-1])
    for side, (_, lateral) in shown.items():
        _one_side(plan, side, lateral, view, line, name)
    _suture(plan, first, view, line, name)
    packed, surfaces = _surfaces(meshes, head)
    scene = {
        "halfHeight": half_mm, "surfaces": surfaces, "lines": lines, "names": names,
        "balls": [
            ball for side in shown for ball in _balls(plan, side, head)
        ],
        "views": _views(plan, shown, axes),
    }  # fmt: skip
    return TurningHead(scene=scene, packed=packed)


def _directions(plan: Plan, side: Side) -> tuple[View, FloatArray]:
    """The middle of the head, and its right, anterior and superior as rows."""
    view, plane = head_view(plan, side), path_of(plan, side)[2]
    up = upright(plan, plane.unit_normal, plane.unit_normal)
    return view, np.stack([plane.unit_normal, np.cross(up, plane.unit_normal), up])


def _tape(line: Any, points: FloatArray, view: View) -> None:
    line("tape", points, _TAPE_MM)
    for tick in tape_ticks(points, view):
        line("tape", tick, _TICK_MM)


def _one_side(
    plan: Plan, side: Side, lateral: FloatArray, view: View, line: Any, name: Any
) -> None:
    entry, unit_inward, _ = path_of(plan, side)
    words = SIDE_WORDS[side]
    _tape(line, lateral, view)
    line("path", [entry - _BEFORE_MM * unit_inward, entry], _PATH_MM)
    name(f"entry, {words}", entry, side=side)
    tip = plan.sides[side].sensor_tip_mm
    if tip is not None:
        line("hidden", [entry, tip], _PATH_MM, dash=True)
        name("sensor tip", tip, inside=True, side=side)


def _balls(plan: Plan, side: Side, head: Any) -> list[dict[str, Any]]:
    found = plan.sides[side]
    balls = [{"kind": "path", "at": _rounded(head(found.scalp_entry_mm)), "radius": _BALL_MM}]
    if found.sensor_tip_mm is not None:
        at = _rounded(head(found.sensor_tip_mm))
        balls.append({"kind": "hidden", "at": at, "radius": _TIP_MM})
    return balls


def _suture(plan: Plan, side: Side, view: View, line: Any, name: Any) -> None:
    """Each half of the suture, dashed where it was not seen."""
    suture = plan.coronal_suture
    if suture is None:
        return
    curve = suture.curve_mm + 0.8 * outwards(suture.curve_mm, view)
    plane = plan.midsagittal_plane
    assert plane is not None
    away = (curve - plane.point_mm) @ plane.unit_normal
    middle = int(np.argmin(np.abs(away)))
    halves = ((suture.left, curve[: middle + 1]), (suture.right, curve[middle:]))
    for seen, half in halves:
        if len(half) > 1:
            line("suture", half, _SUTURE_MM, dash=seen is not How.MEASURED)
    how = suture.right if side is Side.RIGHT else suture.left
    words = "coronal suture" if how is How.MEASURED else "coronal suture, estimated"
    name(words, curve[int(np.argmin(np.abs(side_sign(side) * away - _NAMED_AT_MM)))], side=side)


def _meshes(bodies: dict[str, Any]) -> dict[str, Any]:
    """Skull and scalp as fewer triangles."""
    import pyvista

    made = {}
    for name in ("bone", "skin"):
        mesh = surface_in(pyvista, bodies, name)
        if mesh.n_cells > _TRIANGLES[name]:
            mesh = mesh.decimate(1.0 - _TRIANGLES[name] / mesh.n_cells, volume_preservation=True)
        made[name] = mesh
    return made


def _framed(points: FloatArray) -> tuple[FloatArray, float]:
    """The middle of a head and half of the height that holds it however it is turned."""
    middle = 0.5 * (points.min(axis=0) + points.max(axis=0))
    away = np.linalg.norm(points - middle, axis=1)
    return middle, float(np.ceil(np.percentile(away, 99.0) + _ROUND_IT_MM))


def _surfaces(meshes: dict[str, Any], head: Any) -> tuple[dict[str, str], list[dict[str, Any]]]:
    packed, told = {}, []
    for name, mesh in meshes.items():
        faces = np.asarray(mesh.faces).reshape(-1, 4)[:, 1:]
        points = head(mesh.points)
        low, high = points.min(axis=0), points.max(axis=0)
        whole = np.round((points - low) / (high - low) * _STEPS).astype("<u2")
        content = whole.tobytes() + faces.astype("<u2").tobytes()
        packed[name] = base64.b64encode(content).decode()
        told.append(
            {"name": name, "corners": len(points), "triangles": len(faces),
             "low": _rounded(low), "high": _rounded(high)}
        )  # fmt: skip
    return packed, told


def _views(plan: Plan, shown: dict[Side, Any], axes: FloatArray) -> list[dict[str, Any]]:
    """Named views: turn about the head's upright from its front to its right, and rise."""
    views = [
        _view(f"in front and above, {SIDE_WORDS[side]}", side_sign(side) * _TURN_DEG, _RISE_DEG)
        for side in shown
    ]
    views += [
        _view("in front", 0.0, 0.0),
        _view("the PATIENT'S RIGHT", 90.0, 0.0),
        _view("the PATIENT'S LEFT", -90.0, 0.0),
        _view("behind", 180.0, 0.0),
        _view("the head end, nose at the top", 180.0, 90.0),
    ]
    for side in shown:
        towards = -(axes @ path_of(plan, side)[1])
        turn = float(np.degrees(np.arctan2(towards[0], towards[1])))
        rise = float(np.degrees(np.arcsin(towards[2])))
        views.append(_view(f"along the path, {SIDE_WORDS[side]}", turn, rise))
    return views


def _view(name: str, turn_deg: float, rise_deg: float) -> dict[str, Any]:
    return {"name": name, "turn": round(turn_deg, 1), "rise": round(rise_deg, 1)}


def _rounded(points: FloatArray) -> Any:
    return (np.round(np.asarray(points) / _POINT_MM) * _POINT_MM).round(1).tolist()

