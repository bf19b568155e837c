"""What the phantom itself says of a head: kept in the row, also where the plan was refused."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from entrypoint.phantoms.fields import Points
from entrypoint.phantoms.head import Head
from entrypoint.phantoms.layers import Context
from entrypoint.planning.model import Finding
from entrypoint.reference import value

FloatArray = NDArray[np.float64]
_AIR_OUT_TO_MM = 8.0  # how far from the path the frontal sinus is looked for


def conditions_of(planted: Iterable[str], known: Iterable[str]) -> list[str]:
    """Names of conditions out of the parts between the hyphens of a head's name.

    >>> conditions_of(["burr", "hole", "thin"], ["burr-hole", "thin", "hole"])
    ['burr-hole', 'thin']
    """
    parts, names, out = list(planted), set(known), []
    while parts:
        n = next((n for n in range(len(parts), 0, -1) if "-".join(parts[:n]) in names), 1)
        out.append("-".join(parts[:n]))
        parts = parts[n:]
    return out


def said(findings: Iterable[Finding]) -> list[dict[str, Any]]:
    """Findings with the figures that they name, as plain values."""
    return [
        {"code": f.code, "level": f.level.value, "figures": list(f.figures), "value": f.value,
         "limit": f.limit}
        for f in findings
    ]


def truths(head: Head, truth: dict[str, Any], shape: tuple[int, ...],
           matrix: FloatArray) -> dict[str, Any]:
    """Figures of the exact answers that decide what is measurable and what is breached.

    Parameters
    ----------
    head : Head
    truth : its exact answers
    shape, matrix : of the picture that was taken: what it does not hold cannot be measured
    """
    spec = head.spec
    index_from_world = np.linalg.inv(matrix)

    def in_view(point: Any) -> bool:
        index = (index_from_world @ np.append(point, 1.0))[:3]
        return bool((index >= 0).all() and (index <= np.array(shape[:3]) - 1).all())

    sides = {}
    for side, t in truth["sides"].items():
        sides[side] = {
            "scalp_mm": t["thickness"]["scalp_mm"],
            "skull_mm": t["thickness"]["skull_mm"],
            "thinnest_mm": t["thickness"]["thinnest_near_mm"],
            "midline_mm": t["clearance"]["midline_scalp_mm"],
            "suture_mm": t["clearance"]["suture_nearest_mm"],
            "sinus_mm": _sinus_mm(t, truth, side),
            "air_mm": _air_mm(head, t),
            "bone_gap_mm": t["bone_gap_mm"],
            "in_view": in_view(t["scalp_entry_mm"]) and in_view(t["outer_table_mm"]),
        }
    return {
        "child": spec.child,
        "asymmetry_mm": abs(spec.skew_mm) + spec.bulge_mm,
        "nominal_skull_mm": spec.skull_mm,
        "nasion_hollow_mm": truth["nasion_depth_mm"]["skin"],
        "nasion_in_view": in_view(truth["landmarks"]["nasion_skin"]),
        "sides": sides,
    }


def _sinus_mm(t: dict[str, Any], truth: dict[str, Any], side: str) -> float | None:
    """Least distance of the true path to the sinus envelope; linear, so its ends decide."""
    if t["thickness"]["skull_mm"] is None:
        return None
    right = np.array(truth["midsagittal_plane"]["unit_normal"])
    inward = np.array(t["unit_inward"])
    reach = t["thickness"]["skull_mm"] + value("sinus_reach_inside")
    foot = np.array(t["outer_table_mm"]) - np.array(truth["midsagittal_plane"]["point_mm"])
    sign = 1.0 if side == "right" else -1.0
    ends = (sign * float(foot @ right), sign * float((foot + reach * inward) @ right))
    return min(ends) - value(f"sinus_half_width_{side}")


def _air_mm(head: Head, t: dict[str, Any]) -> float | None:
    """Least distance of the frontal sinus across the true path, within the bone."""
    skull = t["thickness"]["skull_mm"]
    sinus = [layer for layer in head.layers() if layer.name == "frontal sinus"]
    if skull is None or not sinus:
        return None
    turn = head.world_from_head[:3, :3]
    foot = turn.T @ (np.array(t["outer_table_mm"]) - head.world_from_head[:3, 3])
    inward = turn.T @ np.array(t["unit_inward"])
    u = np.cross(inward, [1.0, 0.0, 0.0])
    u /= np.linalg.norm(u)
    v = np.cross(inward, u)
    radius, angle, depth = (
        a[..., None]
        for a in np.meshgrid(np.arange(0.0, _AIR_OUT_TO_MM, 0.5),
                             np.linspace(0.0, 2.0 * np.pi, 36, endpoint=False),
                             np.arange(-3.0, skull + 3.0, 0.4), indexing="ij")
    )
    points = foot + radius * (np.cos(angle) * u + np.sin(angle) * v) + depth * inward
    inside = sinus[0].field(Context.at(Points.of(points), head.shape)) < 0.0
    return float(radius[..., 0][inside].min()) if inside.any() else None
