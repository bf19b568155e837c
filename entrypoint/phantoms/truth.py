"""Exact answers of a head, by the project's definitions, from its analytic surfaces."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from entrypoint.phantoms import profile, site
from entrypoint.phantoms.sutures import coronal_curve

if TYPE_CHECKING:
    from entrypoint.phantoms.head import Head

__all__ = ["exact_answers"]

FloatArray = NDArray[np.float64]
_GAP_MM = 8.0  # bone missing this near to the path: no thickness, no depths


def exact_answers(
    head: Head,
    midline_arc_mm: float,
    lateral_arc_mm: float,
    sensor_depth_mm: float,
    suture_margin_mm: float,
    *,
    step_deg: float = 0.05,
) -> dict[str, Any]:
    """Work out every figure of a plan; world mm, plain lists, ``None`` where there is no answer.

    Parameters
    ----------
    head : Head
    step_deg : float
        Spacing of the rays that trace profiles; halving it moves nothing by 0.05 mm.
    """
    shape = head.shape

    def world(p: FloatArray) -> list[float]:
        q = head.world_from_head[:3, :3] @ p + head.world_from_head[:3, 3]
        return [float(v) for v in q]

    def turn(v: FloatArray) -> list[float]:
        return [float(x) for x in head.world_from_head[:3, :3] @ v]

    skin = profile.skin_profile(shape, step_deg)
    bone = profile.bone_profile(shape, step_deg)
    nasion_skin, s_skin, skin_depth = profile.nasion(skin)
    nasion_bone, s_bone, bone_depth = profile.nasion(bone)
    u = np.array(head.shape.inion_direction)
    inion_bone = u * float(shape.outer(u[None])[0])
    inion_skin, s_inion = profile.drop(skin[len(skin) // 2 :], inion_bone)
    s_inion += float(profile.lengths(skin[: len(skin) // 2 + 1])[-1])
    midline = profile.cut(skin, s_skin, s_inion)
    x_axis = np.array([1.0, 0.0, 0.0])
    up = np.array([0.0, 0.0, 1.0])
    touch = profile.taut(midline, x_axis, up)
    nasion_inion_taut = float(profile.lengths(midline[touch])[-1])
    point, along, surface = site.on_tape(midline, x_axis, up, midline_arc_mm)
    psi = np.deg2rad(np.arange(-74.0, 74.01, 0.1))
    directions = coronal_curve(shape, head.bregma_rad, psi)
    curve = directions * shape.outer(directions)[:, None]
    b = coronal_curve(shape, head.bregma_rad, np.zeros(1))
    bregma = b[0] * float(shape.outer(b)[0])
    vertex = _highest(midline)
    landmarks = {
        "nasion_skin": nasion_skin,
        "nasion_bone": nasion_bone,
        "inion": inion_skin,
        "inion_bone": inion_bone,
        "bregma": bregma,
        "vertex": vertex,
        **_face_points(head),
    }
    _, s_below = profile.drop(bone, point)
    out: dict[str, Any] = {
        "kind": "entrypoint.phantom.truth",
        "practice": True,
        "name": head.spec.name,
        "seed": head.spec.seed,
        "frame": "RAS mm",
        "rule": {
            "midline_arc_mm": midline_arc_mm,
            "lateral_arc_mm": lateral_arc_mm,
            "sensor_depth_mm": sensor_depth_mm,
            "suture_margin_mm": suture_margin_mm,
        },
        "world_from_head": [[float(v) for v in row] for row in head.world_from_head],
        "landmarks": {n: world(p) for n, p in landmarks.items()},
        "nasion_depth_mm": {"skin": skin_depth, "bone": bone_depth},
        "midsagittal_plane": {"point_mm": world(np.zeros(3)), "unit_normal": turn(x_axis)},
        "midline": {
            "point_mm": world(point),
            "unit_along": turn(along),
            "surface_mm": surface,
            "chord_mm": float(np.linalg.norm(point - nasion_skin)),
            "bone_mm": s_below - s_bone,
            "nasion_inion_taut_mm": nasion_inion_taut,
            "nasion_inion_surface_mm": float(profile.lengths(midline)[-1]),
            "nasion_bregma_bone_mm": head.spec.nasion_bregma_arc_mm,
            "profile_mm": [world(p) for p in midline[:: max(1, len(midline) // 240)]],
        },
        "coronal_suture": {
            "along": "outer_table",
            "open": head.spec.suture_open,
            "curve_mm": [world(p) for p in curve[::10]],
        },
        "sides": {},
        "conditions": [{"code": c.code, **c.truth(head)} for c in head.spec.conditions],
    }
    for name, sign in (("right", 1.0), ("left", -1.0)):
        out["sides"][name] = _side(
            head,
            point,
            along,
            sign,
            curve,
            lateral_arc_mm,
            sensor_depth_mm,
            suture_margin_mm,
            world,
            turn,
            step_deg,
        )
    return out


def _highest(line: FloatArray) -> FloatArray:
    """Highest point of a dense line, between its samples."""
    k = int(np.argmax(line[:, 2]))
    a, b, c = np.polyfit(line[k - 3 : k + 4, 1] - line[k, 1], line[k - 3 : k + 4, 2], 2)
    y = -b / (2.0 * a)
    return np.array([0.0, line[k, 1] + y, float(np.polyval([a, b, c], y))])


def _face_points(head: Head) -> dict[str, FloatArray]:
    """Pupils and preauricular points."""
    shape = head.shape
    sx, sy, sz = shape.scale
    field = profile.skin_field(shape)
    out: dict[str, FloatArray] = {}
    for name, sign in (("right", 1.0), ("left", -1.0)):
        start = np.array([[sign * 120.0, 3.0 * sy, -43.0 * sz]])
        t = profile.first_crossing(field, start, np.array([[-sign, 0.0, 0.0]]), 90.0)[0]
        out[f"{name}_preauricular"] = start[0] - np.array([sign * t, 0.0, 0.0])
        out[f"{name}_pupil"] = np.array(
            [sign * head.spec.interpupillary_mm / 2.0 * sx, 86.5 * sy, -37.0 * sz]
        )
    return out


def _side(
    head: Head,
    point: FloatArray,
    along: FloatArray,
    sign: float,
    curve: FloatArray,
    lateral_arc_mm: float,
    sensor_depth_mm: float,
    suture_margin_mm: float,
    world: Any,
    turn: Any,
    step_deg: float,
) -> dict[str, Any]:
    shape = head.shape
    line, outward = site.lateral_line(shape, point, along, sign, step_deg=step_deg)
    entry, _, lateral_surface = site.on_tape(line, along, outward, lateral_arc_mm)
    foot, inward = site.perpendicular(shape, entry)
    cross = site.crossings(shape, foot, inward)
    tip = cross.inner + sensor_depth_mm * inward
    suture, nearest, scalp_tape = site.suture_distances(shape, curve, foot, entry)
    gaps = [g for c in head.spec.conditions for g in (c.bone_gap_mm(head, foot),) if g is not None]
    bone_there = not gaps or min(gaps) > _GAP_MM
    skin_out = profile.first_crossing(
        profile.skin_field(shape), (foot - 60.0 * inward)[None], inward[None], 70.0, 0.25
    )[0]
    scalp = 60.0 - float(skin_out)

    def only(v: Any) -> Any:
        return v if bone_there else None

    return {
        "scalp_entry_mm": world(entry),
        "outer_table_mm": world(foot),
        "inner_table_mm": only(world(cross.inner)),
        "sensor_tip_mm": only(world(tip)),
        "unit_inward": turn(inward),
        "bone_present": bone_there,
        "bone_gap_mm": min(gaps) if gaps else None,
        "tapes": {
            "lateral_taut_mm": lateral_arc_mm,
            "lateral_surface_mm": lateral_surface,
            "lateral_straight_mm": float(abs(entry[0])),
        },
        "thickness": {
            "scalp_mm": scalp,
            "skull_mm": only(cross.skull_mm),
            "outer_table_mm": only(cross.outer_table_mm),
            "diploe_mm": only(cross.diploe_mm),
            "inner_table_mm": only(cross.inner_table_mm),
            "tables_merged": cross.diploe_mm < 0.5,
            "thinnest_near_mm": only(site.thinnest(shape, foot, inward)),
        },
        "clearance": {
            "midline_scalp_mm": sign * float(entry[0]),
            "midline_outer_table_mm": sign * float(foot[0]),
            "midline_inner_table_mm": only(sign * float(cross.inner[0])),
            "midline_tip_mm": only(sign * float(tip[0])),
            "suture_mm": suture,
            "suture_nearest_mm": nearest,
            "suture_scalp_mm": scalp_tape,
            "margin_kept": nearest >= suture_margin_mm,
        },
    }
