"""The site chart of a plan, read again from its volume, with the areas within margins.

Plane, nasion, suture and spreads are the record's: nothing is found anew, and only the scalp and
the bone round the site are sampled.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from entrypoint.anatomy.frame import HeadFrame, frame_from
from entrypoint.errors import MeasurementError
from entrypoint.geometry.planes import Plane
from entrypoint.planning.entry import midline_tape
from entrypoint.planning.map_margins import MarginField, Spreads
from entrypoint.planning.model import How, Plan, Side
from entrypoint.planning.site_chart import SiteChart
from entrypoint.planning.site_map_model import SideMap
from entrypoint.reference import value
from entrypoint.volume.sections import polar_section
from entrypoint.volume.skull import CoarseHead, coarse_head
from entrypoint.volume.volume import Volume

__all__ = ["Site", "midline_skin", "read_sites", "skin_arc", "unseen"]

FloatArray = NDArray[np.float64]
_STEP_DEG = 0.4
_WIDEST_GAP = 12  # rows that a line may miss and go on
_USUAL_NOISE_HU = 10.0  # where a record holds none; it enters spreads only


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """One side's chart, its margins, and the rules in use on it."""

    chart: SiteChart
    field: MarginField
    side_map: SideMap

    def kept_score(self) -> FloatArray:
        """0 or more where every margin holds with the stated probability, (n, m)."""
        return np.asarray((1.0 - value("probability_kept")) - self.field.p_any)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Head:
    """What a chart is read with of a head."""

    volume: Volume
    coarse: CoarseHead
    frame: HeadFrame
    noise_hu: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Suture:
    """What a chart is read with of a suture."""

    curve_mm: FloatArray
    how: dict[Side, How]


def read_sites(
    plan: Plan, volume: Volume, sides: tuple[Side, ...], *, every_mm: float = 1.0
) -> dict[Side, Site]:
    """Charts of the plan's sides; a side that cannot be charted is left out.

    Parameters
    ----------
    plan : Plan
        From the same CT.
    volume : Volume
    sides : tuple of Side
    every_mm : float
        Of either tape distance; a half and less of the time at 2, for a picture of edges alone.

    Raises
    ------
    MeasurementError
        No side can be charted, or the plan holds no plane, nasion or suture.
    """
    from entrypoint.planning.chart_read import LATERAL_ARCS_MM, MIDLINE_ARCS_MM, read_chart
    from entrypoint.planning.site_map import side_map

    plane, nasion, suture = (
        plan.midsagittal_plane, plan.landmarks.get("nasion_skin"), plan.coronal_suture
    )  # fmt: skip
    if plane is None or nasion is None or suture is None:
        raise MeasurementError(
            found="no midsagittal plane, nasion or coronal suture in this plan",
            expected="a plan from a CT volume",
            next_step="plan from the volume, and look at its findings",
        )
    volume = volume.canonical()
    coarse = coarse_head(volume)
    towards = _onto_plane(nasion.position_mm - coarse.centre_mm, plane.unit_normal)
    noise = plan.quality.noise_hu if plan.quality is not None else None
    head = _Head(
        volume=volume,
        coarse=coarse,
        frame=frame_from(plane.point_mm, plane.unit_normal, towards),
        noise_hu=_USUAL_NOISE_HU if noise is None else noise,
    )
    how = {Side.RIGHT: suture.right, Side.LEFT: suture.left}
    seam = _Suture(curve_mm=suture.curve_mm, how=how)
    midsagittal = Plane(point_mm=plane.point_mm, unit_normal=plane.unit_normal)
    tape = midline_tape(midline_skin(plan, volume, coarse), midsagittal)

    midline_arcs, lateral_arcs = (
        np.linspace(arcs[0], arcs[-1], 1 + round((arcs[-1] - arcs[0]) / every_mm))
        for arcs in (MIDLINE_ARCS_MM, LATERAL_ARCS_MM)
    )

    def one(side: Side) -> Site | MeasurementError:
        found = plan.sides.get(side)
        if found is None or found.scalp_entry_mm is None:
            return MeasurementError(
                found=f"no path on the patient's {side.value} in this plan",
                expected="a side that was planned",
                next_step="plan that side, or look at the findings that say why there is none",
            )
        try:
            chart = read_chart(
                head, tape, midsagittal, seam, plan.rule, side, midline_arcs, lateral_arcs
            )
        except MeasurementError as error:
            return error
        made, field = side_map(chart, plan.rule, Spreads.of_plan(found), how[side])
        return Site(chart=chart, field=field, side_map=made)

    done = {side: one(side) for side in sides}
    sites = {side: site for side, site in done.items() if isinstance(site, Site)}
    if not sites:
        raise next(error for error in done.values() if isinstance(error, MeasurementError))
    return sites


def midline_skin(plan: Plan, volume: Volume, head: CoarseHead) -> FloatArray:
    """Skin in the midsagittal plane from the record's nasion backwards, (n, 3).

    Raises
    ------
    MeasurementError
        When the skin is not in view.
    """
    plane = plan.midsagittal_plane
    assert plane is not None
    nasion, unit_right = plan.landmarks["nasion_skin"].position_mm, plane.unit_normal
    centre = plane.point_mm
    out = _onto_plane(nasion - centre, unit_right)
    skin = skin_arc(
        volume, head, centre, out, np.cross(unit_right, out), 130.0,
        face=lambda angles: angles < 50.0,
    )  # fmt: skip
    return np.vstack([nasion, skin[1:]])


def skin_arc(
    volume: Volume, head: CoarseHead, centre: FloatArray, unit_out: FloatArray,
    unit_onwards: FloatArray, sweep_deg: float, *,
    face: Callable[[FloatArray], NDArray[np.bool_]] | None = None,
) -> FloatArray:  # fmt: skip
    """Skin in a plane, from one direction on towards another, as far as it is seen; (n, 3).

    Raises
    ------
    MeasurementError
        When the scan does not show its start.
    """
    angles = np.arange(0.0, sweep_deg, _STEP_DEG)
    near_face = np.zeros(len(angles), dtype=bool) if face is None else face(angles)
    section = polar_section(volume, head, centre, unit_out, unit_onwards, angles, face=near_face)
    points = section.skin_points()
    seen = np.isfinite(points).all(axis=1)
    runs = np.flatnonzero(seen)
    if not runs.size or runs[0] > _WIDEST_GAP:
        raise unseen()
    gaps = np.flatnonzero(np.diff(runs) > _WIDEST_GAP)
    return np.asarray(points[runs[: gaps[0] + 1] if gaps.size else runs])


def unseen() -> MeasurementError:
    """For a tape whose skin is not in view."""
    return MeasurementError(
        found="skin under a tape that the scan does not show",
        expected="the scalp from the nasion to the vertex in view",
        next_step="use a series that shows it",
    )


def _onto_plane(direction: FloatArray, unit_normal: FloatArray) -> FloatArray:
    flat = direction - (direction @ unit_normal) * unit_normal
    return np.asarray(flat / np.linalg.norm(flat))
