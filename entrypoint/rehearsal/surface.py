"""The scalp as the scan sees it, as triangles at true scale; and the skin itself near a point."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import FieldRefused, MeasurementError
from entrypoint.geometry.triangles import Triangles
from entrypoint.volume.rays import sample_rays

if TYPE_CHECKING:
    from entrypoint.planning.ct_head import CtHead

__all__ = ["MOST_FACES", "outward_at", "scalp_mesh", "skin_along", "skin_near"]

FloatArray = NDArray[np.float64]
MOST_FACES = 60_000
_WANTED_MM = 2.6  # edge of a block: about 45,000 triangles on an adult's head
_REACH_MM, _STEP_MM = 8.0, 0.25
_FARTHEST_MM = 8.0
_NORMAL_ARM_MM = 6.0


def scalp_mesh(head: CtHead, *, most_faces: int = MOST_FACES) -> Triangles:
    """The scalp with the face, closed, world mm, faces turned outwards.

    Parameters
    ----------
    head : CtHead
    most_faces : int
        Made of larger blocks where that is too few.

    Raises
    ------
    MeasurementError
        No surface of so few triangles came out.
    """
    from entrypoint.figures.solid import reduced, surface_of
    from entrypoint.volume.shells import head_only, scalp_body

    parts = head_only(head.coarse, head.frame)
    step = max(_WANTED_MM, *head.volume.grid.voxel_mm)
    mesh = surface_of(
        scalp_body(head.volume, head.coarse, head.frame, step_mm=step, parts=parts)
    )
    fewer = reduced(mesh, most_faces)
    if fewer is None:
        raise MeasurementError(
            found="no surface of the scalp with few enough triangles",
            expected=f"at most {most_faces} triangles",
            next_step="crop the scan to the head",
        )
    return fewer


def skin_along(
    head: CtHead, point_mm: FloatArray, unit_outward: FloatArray, *, reach_mm: float = _REACH_MM
) -> FloatArray:
    """The skin on a line through a point: where the voxels cross the skin's level nearest to it.

    Parameters
    ----------
    head : CtHead
    point_mm : (3,) array, world
    unit_outward : (3,) array
        From the head into the air.
    reach_mm : float
        How far the skin is looked for, either way.

    Returns
    -------
    (3,) array, world

    Raises
    ------
    MeasurementError
        No skin within reach.
    """
    offsets = np.arange(-reach_mm, reach_mm + 1e-9, _STEP_MM)
    hu = sample_rays(head.volume, point_mm, unit_outward, offsets)[0]
    level = head.coarse.levels.skin_hu
    seen = np.isfinite(hu)
    falls = np.flatnonzero((hu[:-1] >= level) & (hu[1:] < level) & seen[:-1] & seen[1:])
    if not falls.size:
        raise MeasurementError(
            found=f"no skin within {reach_mm:.0f} mm of the point",
            expected="a point on the scalp or the face",
            next_step="touch the head",
        )
    t = (hu[falls] - level) / (hu[falls] - hu[falls + 1])
    places = offsets[falls] + t * _STEP_MM
    return np.asarray(point_mm + places[int(np.argmin(np.abs(places)))] * unit_outward)


def skin_near(head: CtHead, point_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The skin nearest to a point, and its outward direction.

    Raises
    ------
    FieldRefused
        The point lies away from the head.
    """
    point = np.asarray(point_mm, dtype=float)
    away = point - head.frame.origin_mm
    size = float(np.linalg.norm(away))
    if not size > 0.0:
        raise _not_on_head()
    try:
        rough = skin_along(head, point, away / size, reach_mm=3.0 * _REACH_MM)
        # Nearer, along the skin's own direction there, than along the ray from the middle.
        unit = outward_at(head, rough)
        skin = skin_along(head, point, unit, reach_mm=2.0 * _REACH_MM)
        unit = outward_at(head, skin)
        skin = skin_along(head, point, unit, reach_mm=2.0 * _REACH_MM)
    except MeasurementError:
        raise _not_on_head() from None
    if float(np.linalg.norm(skin - point)) > _FARTHEST_MM:
        raise _not_on_head()
    return skin, unit


def outward_at(head: CtHead, skin_mm: FloatArray, *, arm_mm: float = _NORMAL_ARM_MM) -> FloatArray:
    """Outward direction of the skin, over some millimetres round a point of it.

    Raises
    ------
    MeasurementError
        The skin round the point is not in view.
    """
    away = skin_mm - head.frame.origin_mm
    unit = away / np.linalg.norm(away)
    for _ in range(3):
        seed = head.frame.unit_right if abs(unit @ head.frame.unit_right) < 0.8 else (
            head.frame.unit_superior
        )
        u = np.cross(unit, seed)
        u = u / np.linalg.norm(u)
        v = np.cross(unit, u)
        angles = np.arange(8) * np.pi / 4.0
        ring = np.array(
            [
                skin_along(
                    head, skin_mm + arm_mm * (np.cos(a) * u + np.sin(a) * v), unit
                )
                for a in angles
            ]
        )
        # Twice the area that the ring goes round: its direction is the mean of the surface's.
        area = np.cross(ring - skin_mm, np.roll(ring, -1, axis=0) - skin_mm).sum(axis=0)
        turned = area / np.linalg.norm(area)
        unit = turned if turned @ unit > 0 else -turned
    return np.asarray(unit)


def _not_on_head() -> FieldRefused:
    return FieldRefused(
        found="the point lies away from the skin",
        expected=f"a point within {_FARTHEST_MM:.0f} mm of the scalp or the face",
        next_step="touch the head",
    )
