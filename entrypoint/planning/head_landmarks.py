"""Given landmarks: checked against each other, and the plane of symmetry they agree on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from entrypoint.errors import FieldRefused
from entrypoint.geometry.guards import as_point_mm, read_only, unit
from entrypoint.geometry.planes import Plane, angle_deg
from entrypoint.planning.model import How, MidsagittalPlane
from entrypoint.planning.odds import combined_sd
from entrypoint.reference import spread

__all__ = [
    "REQUIRED",
    "HeadAxes",
    "check_landmarks",
    "head_axes",
    "interpupillary_mm",
    "plane_from_landmarks",
]

FloatArray = NDArray[np.float64]
REQUIRED = ("nasion", "inion", "left_preauricular", "right_preauricular")
_TOPS = ("vertex", "bregma")
# Distances that no head leaves, newborn to giant; only to catch a unit or a swapped name.
_PLAUSIBLE_MM = (
    ("nasion", "inion", 90.0, 260.0),
    ("left_preauricular", "right_preauricular", 60.0, 200.0),
)
_DEFINITION = {
    "nasion": "nasion_definition",
    "inion": "inion_definition",
    "left_preauricular": "preauricular_definition",
    "right_preauricular": "preauricular_definition",
    "vertex": "vertex_definition",
    "bregma": "bregma_definition",
    "left_pupil": "pupil_definition",
    "right_pupil": "pupil_definition",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadAxes:
    """Rough axes of a head from its landmarks, unit vectors in the world."""

    unit_right: FloatArray
    unit_forward: FloatArray
    unit_up: FloatArray


def definition_sd_mm(name: str) -> float:
    """How far careful readers differ in a landmark, one standard deviation."""
    return spread(_DEFINITION[name]) if name in _DEFINITION else 0.0


def head_axes(points: Mapping[str, ArrayLike]) -> HeadAxes:
    """Axes from the midline alone: forward, up, and right as their cross product."""
    nasion, inion = as_point_mm(points["nasion"]), as_point_mm(points["inion"])
    left, right = (as_point_mm(points[f"{s}_preauricular"]) for s in ("left", "right"))
    top = as_point_mm(points["vertex" if "vertex" in points else "bregma"])
    forward = unit(nasion - inion, "nasion from inion")
    rise = top - 0.5 * (left + right)
    up = unit(rise - (rise @ forward) * forward, "top of the head from the ears")
    return HeadAxes(unit_right=read_only(np.cross(forward, up)), unit_forward=forward, unit_up=up)


def _refuse_length(a: str, b: str, found: float, low: float, high: float) -> FieldRefused:
    tries = ((10.0, "cm"), (0.1, "tenths of a mm"), (1000.0, "m"), (25.4, "inches"))
    likely = [name for factor, name in tries if low <= found * factor <= high]
    hint = f"are the coordinates in {likely[0]}?" if likely else "check both points"
    return FieldRefused(
        found=f"{a} and {b} lie {found:.4g} mm apart",
        expected=f"{low:.0f} to {high:.0f} mm",
        next_step=hint,
    )


def check_landmarks(points: Mapping[str, ArrayLike]) -> dict[str, FloatArray]:
    """Refuse landmarks that cannot be of one head, or whose sides contradict each other.

    Parameters
    ----------
    points : mapping of name to (3,) array, world RAS mm
        Nasion, inion and both preauricular points, and the vertex or the bregma: with four
        points alone a left-right swap cannot be seen.

    Returns
    -------
    dict of name to read-only (3,) array

    Raises
    ------
    FieldRefused
        A point is missing; two lie impossibly near or far; left and right are swapped; the
        points fit the other coordinate space.
    """
    given = {name: as_point_mm(p, name) for name, p in points.items()}
    missing = [name for name in REQUIRED if name not in given]
    if missing:
        raise FieldRefused(
            found=f"no landmark named {', '.join(missing)}",
            expected=", ".join(REQUIRED) + ", and vertex or bregma",
            next_step="add it to the landmark file",
        )
    if not any(top in given for top in _TOPS):
        raise FieldRefused(
            found="no landmark on top of the head",
            expected="vertex or bregma beside nasion, inion and both preauricular points",
            next_step="add one: without it a left-right swap cannot be seen",
        )
    for a, b, low, high in _PLAUSIBLE_MM:
        apart = float(np.linalg.norm(given[a] - given[b]))
        if not low <= apart <= high:
            raise _refuse_length(a, b, apart, low, high)
    axes = head_axes(given)
    ears = given["right_preauricular"] - given["left_preauricular"]
    share = float(ears @ axes.unit_right) / float(np.linalg.norm(ears))
    if share < 0.0:
        raise FieldRefused(
            found="the right preauricular point lies on the patient's left, seen from nasion, "
            "inion and the top of the head",
            expected="right and left as the patient's",
            next_step="check whether left and right were swapped, or nasion and inion",
        )
    if share < 0.8:
        raise FieldRefused(
            found=f"the line between the ears leaves the left-right direction by "
            f"{np.degrees(np.arccos(share)):.0f} degrees",
            expected="landmarks of one head, ears left and right of the midline",
            next_step="check the names of the points and their coordinates",
        )
    middle = 0.5 * (given["right_preauricular"] + given["left_preauricular"])
    for top in _TOPS:
        if top in given:
            height = float((given[top] - middle) @ axes.unit_up)
            if not 60.0 <= height <= 190.0:
                raise _refuse_length(top, "the line between the ears", height, 60.0, 190.0)
    # facing backwards along the second axis, upright, right on the left: the other space
    if axes.unit_forward[1] < -0.85 and axes.unit_up[2] > 0.85 and axes.unit_right[0] < -0.85:
        raise FieldRefused(
            found="a head that faces backwards, its right on the left of the coordinate space",
            expected="a nasion in front (+) in RAS",
            next_step='check the coordinate space: the points fit "LPS" better as stated',
        )
    return given


def _symmetry(
    given: Mapping[str, FloatArray], sds: Mapping[str, float]
) -> tuple[FloatArray, FloatArray]:
    right, left = given["right_preauricular"], given["left_preauricular"]
    ear = sds["right_preauricular"], sds["left_preauricular"]
    rows: list[FloatArray] = [0.5 * (right + left)]
    weights = [4.0 / (ear[0] ** 2 + ear[1] ** 2)]
    for name in ("nasion", "inion", "vertex", "bregma"):
        if name in given:
            rows.append(given[name])
            weights.append(1.0 / sds[name] ** 2)
    if "right_pupil" in given and "left_pupil" in given:
        rows.append(0.5 * (given["right_pupil"] + given["left_pupil"]))
        weights.append(4.0 / (sds["right_pupil"] ** 2 + sds["left_pupil"] ** 2))
    p, w = np.array(rows), np.array(weights)
    centre = (w @ p) / w.sum()
    q = p - centre
    form = (q * w[:, None]).T @ q
    pairs = [("right_preauricular", "left_preauricular"), ("right_pupil", "left_pupil")]
    for a, b in pairs:
        if a in given and b in given:
            across = given[a] - given[b]
            spread_2 = sds[a] ** 2 + sds[b] ** 2
            form += (float(across @ across) * np.eye(3) - np.outer(across, across)) / spread_2
    normal = np.linalg.eigh(form)[1][:, 0]
    return centre, normal if float(normal @ (right - left)) > 0 else -normal


def plane_from_landmarks(
    given: Mapping[str, FloatArray], sds: Mapping[str, float] | None = None
) -> tuple[Plane, MidsagittalPlane]:
    """Midsagittal plane from landmarks, its normal to the patient's right.

    Least squares: midline points lie in it, the lines between pairs are square to it, each
    weighted by its errors (reading and definition, of which the sideways part counts as much
    as any other).

    Parameters
    ----------
    given : mapping
        As ``check_landmarks`` returns it.
    sds : mapping, optional
        Standard deviation of each point, mm; by default as the reference rows say.

    Returns
    -------
    plane, record : Plane, MidsagittalPlane
        The record's ``sd_mm`` is the spread of the plane over the midline scalp, from the
        spread of the points it was made from.
    """
    base = spread("landmark_given")
    sd = {
        name: (sds or {}).get(name, combined_sd(base, 0.5 * definition_sd_mm(name)))
        for name in given
    }
    centre, normal = _symmetry(given, sd)
    plane = Plane(point_mm=read_only(centre), unit_normal=normal)
    top = given["vertex"] if "vertex" in given else given["bregma"]
    reach = np.array([given["nasion"], top])
    axes = head_axes(given)  # of the head, so that its pose changes no figure
    directions = (axes.unit_right, axes.unit_forward, axes.unit_up)
    moved, turned = 0.0, 0.0
    for name in given:
        for direction in directions:
            shifted = dict(given)
            shifted[name] = given[name] + sd[name] * direction
            other_centre, other_normal = _symmetry(shifted, sd)
            gap = (reach - other_centre) @ other_normal - (reach - centre) @ normal
            moved += float(np.abs(gap).max()) ** 2
            turned += angle_deg(normal, other_normal) ** 2
    return plane, MidsagittalPlane(
        point_mm=plane.point_mm,
        unit_normal=plane.unit_normal,
        sd_mm=float(np.sqrt(moved)),
        sd_deg=float(np.sqrt(turned)),
        how=How.ESTIMATED,
    )


def interpupillary_mm(given: Mapping[str, FloatArray]) -> float | None:
    """Distance between the pupils, where both were given."""
    if "left_pupil" not in given or "right_pupil" not in given:
        return None
    return float(np.linalg.norm(given["right_pupil"] - given["left_pupil"]))
