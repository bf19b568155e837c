"""A chart of one side read from the scan: tapes laid, bone met squarely, thickness measured.

Everything that a plan measures at one point, over a grid of the two tape distances, in about a
second: the bone is read once as a sheet, the paths are sampled together, and the half-peak edges
on them are put on the scale of the fitted profile by a few fits spread over the chart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import MeasurementError
from entrypoint.geometry.planes import Plane
from entrypoint.planning.chart_bone import SiteBone, read_bone
from entrypoint.planning.chart_tapes import scalp_grid
from entrypoint.planning.entry import MidlineTape, side_sign
from entrypoint.planning.model import How, Rule, Side
from entrypoint.planning.site_chart import ChartedHead, ChartedSuture, SiteChart
from entrypoint.planning.suture_many import suture_nearest_many_mm
from entrypoint.reference import value
from entrypoint.volume.bone_sheet import BoneSheet, bone_sheet, square_feet

__all__ = ["LATERAL_ARCS_MM", "MIDLINE_ARCS_MM", "read_chart"]

FloatArray = NDArray[np.float64]

MIDLINE_ARCS_MM: FloatArray = np.arange(80.0, 140.5, 1.0)
LATERAL_ARCS_MM: FloatArray = np.arange(15.0, 50.5, 1.0)
_SHEET_DEG = 0.8  # a millimetre of vault
_BESIDE_MM = 24.0  # of bone beyond the outermost entries: normals, leaning paths, and gaps
_USUAL_SKULL_MM = 7.0  # only for the sinus envelope where no thickness is known, as in a plan


def read_chart(
    head: ChartedHead,
    tape: MidlineTape,
    midsagittal: Plane,
    suture: ChartedSuture,
    rule: Rule,
    side: Side,
    midline_arcs_mm: FloatArray = MIDLINE_ARCS_MM,
    lateral_arcs_mm: FloatArray = LATERAL_ARCS_MM,
) -> SiteChart:
    """Read every figure of a plan over a grid of tape distances.

    Parameters
    ----------
    head : ChartedHead
    tape : MidlineTape
    midsagittal : Plane
    suture : ChartedSuture
    rule : Rule
        Its sensor depth.
    side : Side
    midline_arcs_mm, lateral_arcs_mm : (n,), (m,) arrays
        Evenly spaced, rising.

    Returns
    -------
    SiteChart
        NaN where scalp or bone is out of view; thickness is NaN where there is no sound bone.

    Raises
    ------
    MeasurementError
        No scalp of the chart is in view.
    """
    scalp = scalp_grid(head, tape, midsagittal, rule, side, midline_arcs_mm, lateral_arcs_mm)
    shape = scalp.scalp_entry_mm.shape[:2]
    entry = scalp.scalp_entry_mm.reshape(-1, 3)
    seen = np.isfinite(entry).all(axis=1) & np.isfinite(scalp.unit_across).all(axis=2).ravel()
    if seen.sum() < 4:
        raise MeasurementError(
            found="too little scalp round the site in view",
            expected=f"the scalp over midline arcs of {midline_arcs_mm[0]:.0f} to "
            f"{midline_arcs_mm[-1]:.0f} mm",
            next_step="use a scan that shows more of the head",
        )
    along = scalp.unit_along.reshape(-1, 3)
    rough = np.cross(scalp.unit_across.reshape(-1, 3)[seen], along[seen])
    rough = rough / np.linalg.norm(rough, axis=1, keepdims=True)
    inwards = np.einsum("ij,ij->i", rough, head.frame.origin_mm - entry[seen]) < 0.0
    rough = np.where(inwards[:, None], -rough, rough)
    sheet = _sheet(head, entry[seen])
    feet, outward = square_feet(sheet, entry[seen], rough, radius_mm=value("normal_radius"))
    bone = read_bone(
        head,
        sheet,
        entry[seen],
        -outward,
        feet,
        None if suture.how[side] is How.ESTIMATED else suture.curve_mm,
    )
    got = _figures(head, midsagittal, suture, rule, side, along[seen], bone)

    def grid(values: FloatArray) -> FloatArray:
        out = np.full((len(entry), *values.shape[1:]), np.nan)
        out[seen] = values
        return out.reshape(*shape, *values.shape[1:])

    no_bone = np.ones(len(entry), dtype=bool)
    no_bone[seen] = bone.no_sound_bone
    return SiteChart(
        side=side,
        midline_arc_mm=np.asarray(midline_arcs_mm, dtype=float),
        lateral_arc_mm=np.asarray(lateral_arcs_mm, dtype=float),
        scalp_entry_mm=scalp.scalp_entry_mm,
        outer_table_mm=grid(bone.outer_table_mm),
        unit_inward=grid(-outward),
        unit_along=scalp.unit_along,
        unit_across=scalp.unit_across,
        scalp_mm=grid(bone.scalp_mm),
        skull_mm=grid(bone.skull_mm),
        outer_layer_mm=grid(bone.outer_layer_mm),
        diploe_mm=grid(bone.diploe_mm),
        inner_layer_mm=grid(bone.inner_layer_mm),
        slope_deg=grid(got.slope_deg),
        midline_scalp_mm=grid(_away(midsagittal, side, entry[seen])),
        midline_inner_table_mm=grid(got.midline_inner_table_mm),
        midline_tip_mm=grid(got.midline_tip_mm),
        sinus_mm=grid(got.sinus_mm),
        suture_nearest_mm=grid(got.suture_nearest_mm),
        no_sound_bone=no_bone.reshape(shape),
        scalp_sd_mm=bone.scalp_sd_mm,
        skull_sd_mm=bone.skull_sd_mm,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Figures:
    slope_deg: FloatArray
    midline_inner_table_mm: FloatArray
    midline_tip_mm: FloatArray
    sinus_mm: FloatArray
    suture_nearest_mm: FloatArray


def _figures(
    head: ChartedHead,
    midsagittal: Plane,
    suture: ChartedSuture,
    rule: Rule,
    side: Side,
    unit_backward: FloatArray,
    bone: SiteBone,
) -> _Figures:
    """What follows from the paths alone, as in a plan."""
    foot, inward = bone.outer_table_mm, bone.unit_inward
    inner = foot + bone.skull_mm[:, None] * inward
    known = np.where(np.isfinite(bone.skull_mm), bone.skull_mm, _USUAL_SKULL_MM)
    inside = foot + (known + value("sinus_reach_inside"))[:, None] * inward
    # The envelope's walls are planes: the least distance is at an end of the stretch.
    least = np.minimum(_away(midsagittal, side, foot), _away(midsagittal, side, inside))
    upright = np.clip(-inward @ head.frame.unit_superior, -1.0, 1.0)
    return _Figures(
        slope_deg=np.degrees(np.arccos(upright)),
        midline_inner_table_mm=_away(midsagittal, side, inner),
        midline_tip_mm=_away(midsagittal, side, inner + rule.sensor_depth_mm * inward),
        sinus_mm=least - value(f"sinus_half_width_{side.value}"),
        suture_nearest_mm=suture_nearest_many_mm(foot, suture.curve_mm, midsagittal, unit_backward),
    )


def _away(midsagittal: Plane, side: Side, points_mm: FloatArray) -> FloatArray:
    """Distances from the midsagittal plane, positive on the named side; NaN rows stay NaN."""
    return side_sign(side) * ((points_mm - midsagittal.point_mm) @ midsagittal.unit_normal)


def _sheet(head: ChartedHead, entries_mm: FloatArray) -> BoneSheet:
    """The bone under entries and round them."""
    local = head.frame.head_from_world(entries_mm)
    radius = np.linalg.norm(local, axis=1)
    phi = np.degrees(np.arctan2(local[:, 2], local[:, 1]))
    phi = np.where(phi < -90.0, phi + 360.0, phi)
    lam = np.degrees(np.arcsin(local[:, 0] / radius))
    beside = float(np.degrees(_BESIDE_MM / radius.min()))
    # Meridians run together to the side: more of them for the same way.
    wider = beside / max(float(np.cos(np.radians(np.abs(lam).max()))), 0.5)
    return bone_sheet(
        head.volume,
        head.coarse,
        head.frame,
        np.arange(phi.min() - wider, phi.max() + wider + _SHEET_DEG, _SHEET_DEG),
        np.arange(lam.min() - beside, lam.max() + beside + _SHEET_DEG, _SHEET_DEG),
    )
