"""The plan of one side on a CT, from what the site shows."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import EntrypointError
from entrypoint.geometry.planes import Plane
from entrypoint.geometry.polylines import nearest_on
from entrypoint.planning import findings as judge
from entrypoint.planning import head_findings as about
from entrypoint.planning import thickness_findings as layers
from entrypoint.planning.clearance import (
    SutureClearances,
    midline_clearances_mm,
    scalp_reading_mm,
    sinus_clearance_mm,
    sinus_path,
    suture_clearances,
)
from entrypoint.planning.ct_head import CtHead
from entrypoint.planning.ct_site import Site, foot_on_bone, place_on_ct
from entrypoint.planning.ct_suture import CtSuture
from entrypoint.planning.depths import drill_stop, sensor_depth
from entrypoint.planning.entry import MidlineTape
from entrypoint.planning.model import (
    Clearance,
    Finding,
    How,
    Level,
    MovedPoint,
    Rule,
    SidePlan,
    Tapes,
    Thickness,
)
from entrypoint.planning.moved import Margins, Replan, moved_point
from entrypoint.planning.odds import combined_sd, probability_below
from entrypoint.planning.path_findings import midline_crossed, tilt, tip_outside_skull
from entrypoint.planning.thick_slices import are_thick
from entrypoint.reference import spread, value

__all__ = ["PointSpreads", "side_plan", "tape_spreads"]

FloatArray = NDArray[np.float64]

# Interpolation on a surface read from voxels of up to a millimetre: measured on phantoms.
_SURFACE_SD_MM = 0.06
_MIDLINE_SD_MM = 0.03


@dataclass(frozen=True, slots=True, kw_only=True)
class PointSpreads:
    """Standard deviations of a point's place on the scalp: measured, and as readers differ."""

    along_mm: float
    across_mm: float
    readers_along_mm: float
    readers_across_mm: float


_AS_GIVEN = PointSpreads(
    along_mm=_SURFACE_SD_MM, across_mm=_SURFACE_SD_MM, readers_along_mm=0.0, readers_across_mm=0.0
)


def tape_spreads(head: CtHead, point_mm: FloatArray) -> PointSpreads:
    """Spreads of a point that is placed, or read, by tapes."""
    return PointSpreads(
        along_mm=combined_sd(head.nasion_skin_sd_mm, _SURFACE_SD_MM),
        across_mm=combined_sd(float(head.plane_sd_mm(point_mm)[0]), _SURFACE_SD_MM),
        readers_along_mm=spread("nasion_definition"),
        readers_across_mm=spread("plane_definition"),
    )


def side_plan(
    head: CtHead,
    tape: MidlineTape,
    midsagittal: Plane,
    suture: CtSuture,
    site: Site,
    other: Site | None,
    rule: Rule,
    *,
    geometry_only: bool,
    by_tape: bool = True,
) -> SidePlan:
    """Figures and findings of one path: the rule's own, or a given one.

    Parameters
    ----------
    site, other : Site
        Of the named side, and of the other one, for what is compared between sides; None where
        that one could not be measured.
    geometry_only : bool
        A child: no stop and no depths.
    by_tape : bool
        The point is the rule's: it moves with the nasion and the plane, as readers differ in both,
        and with a swelling under either tape. A point given in the scan's own millimetres does not.

    Returns
    -------
    SidePlan
    """
    side, entry, inward = site.side, site.entry, site.unit_inward
    thickness = _thickness(site, other)
    geometry_only = geometry_only or layers.child_of_bone(thickness, rule)
    inner = tip = None
    if site.profile is not None:
        inner = entry.scalp_entry_mm + site.profile.inner_mm * inward
        if not geometry_only:
            tip = inner + rule.sensor_depth_mm * inward
    foot = (
        entry.scalp_entry_mm + site.profile.outer_mm * inward
        if site.profile is not None
        else site.foot.foot_mm
    )
    placed = tape_spreads(head, entry.scalp_entry_mm) if by_tape else _AS_GIVEN
    clearance = _clearance(
        head, midsagittal, suture, site, rule, foot, inner, tip, placed, thickness
    )

    def replan(midline: float, lateral: float) -> Margins:
        there, _ = place_on_ct(head, tape, midsagittal, rule, side, midline, lateral)
        _, its_foot = foot_on_bone(head, there)
        got = _to_suture(its_foot.foot_mm, there.unit_backward, suture, midsagittal)
        path = sinus_path(
            its_foot.foot_mm,
            its_foot.foot_mm - (thickness.skull_mm or 7.0) * its_foot.unit_outward,
            -its_foot.unit_outward,
        )
        return Margins(
            suture_nearest_mm=got.nearest_mm,
            midline_scalp_mm=float(
                midline_clearances_mm(there.scalp_entry_mm[None], midsagittal, side)[0]
            ),
            sinus_mm=sinus_clearance_mm(path, midsagittal, side),
            scalp_entry_mm=there.scalp_entry_mm,
        )

    moved = _moved(replan, rule, site, clearance)
    sinus = (*judge.sinus_envelope(clearance, rule, side), *midline_crossed(clearance, side))
    # No length to set a drill by on a path that a stop finding names.
    stopped = any(f.level is Level.STOP for f in sinus)
    stop = drill_stop(thickness, rule, geometry_only=geometry_only or stopped)
    out: list[Finding] = []
    if site.no_bone is not None:
        out.append(about.bone_missing(site.no_bone, site.no_bone_mm, side))
    if site.too_blurred_mm is not None:
        out.append(about.too_blurred(site.too_blurred_mm))
    if site.metal_mm is not None and site.no_bone is None:
        out.append(about.metal("beside the path", on_path=False, distance_mm=site.metal_mm))
    if site.air_in_bone_mm is not None:
        out.append(about.frontal_sinus(site.air_in_bone_mm))
    point = "the rule's point" if by_tape else "this point"
    out += judge.suture_margin(clearance, rule, moved, point=point)
    out += layers.suture_in_path(clearance, thickness, suture.how[side], dense=suture.dense[side])
    out += judge.midline_margin(clearance, rule)
    out += sinus
    out += layers.skull_thickness(thickness, rule)
    # Of thicker slices it is told for the whole head.
    if not are_thick(head.volume.grid.slice_mm):
        out += layers.thickness_uncertain(thickness)
    elsewhere, where = _swelling_elsewhere(head, site, other) if by_tape else (None, "")
    out += tilt(site.tilt_deg)
    out += layers.swelling(thickness, elsewhere_mm=elsewhere, where=where)
    out += layers.drill_stop_withheld(thickness)
    out += layers.engagement_too_deep(thickness, rule)
    out += judge.dense_seam(side, suture.dense[side])
    out += judge.estimated_suture(
        side,
        suture.how[side],
        suture.sd_mm[side],
        why="no line that stands out of the bone's own texture",
    )
    if tip is not None:
        out += tip_outside_skull(_inside(head, tip), rule.sensor_depth_mm)
    return SidePlan(
        scalp_entry_mm=entry.scalp_entry_mm,
        scalp_entry_sd_along_mm=placed.along_mm,
        scalp_entry_sd_across_mm=placed.across_mm,
        scalp_entry_definition_sd_along_mm=placed.readers_along_mm,
        scalp_entry_definition_sd_across_mm=placed.readers_across_mm,
        outer_table_mm=foot,
        inner_table_mm=inner,
        sensor_tip_mm=tip,
        unit_inward=inward,
        tilt_deg=site.tilt_deg,
        tapes=_with_bone(entry.tapes, head, entry.midline_point_mm),
        thickness=thickness,
        clearance=clearance,
        drill_stop=stop,
        sensor=sensor_depth(thickness, rule, geometry_only=geometry_only),
        moved=moved,
        findings=judge.ordered(out),
    )


def _thickness(site: Site, other: Site | None) -> Thickness:
    """Figures along the path; no bone, no thickness of it."""
    p = site.profile
    others = None if other is None else other.scalp_mm
    if p is None:
        return Thickness(scalp_mm=None, scalp_other_side_mm=others)
    outer = diploe = inner = None
    if p.outer_diploe_mm is not None and p.diploe_inner_mm is not None:
        outer, diploe = p.outer_diploe_mm - p.outer_mm, p.diploe_inner_mm - p.outer_diploe_mm
        inner = p.inner_mm - p.diploe_inner_mm
    return Thickness(
        scalp_mm=p.scalp_mm,
        skull_mm=p.skull_mm,
        outer_table_mm=outer,
        diploe_mm=diploe,
        inner_table_mm=inner,
        tables_merged=outer is None,
        scalp_sd_mm=p.scalp_sd_mm,
        skull_sd_mm=p.skull_sd_mm,
        scalp_definition_sd_mm=spread("scalp_definition"),
        skull_definition_sd_mm=spread("skull_definition"),
        scalp_other_side_mm=others,
        thinnest_near_mm=site.thinnest_near_mm,
        slant_factor=site.slant_factor,
    )


def _to_suture(
    foot: FloatArray, unit_backward: FloatArray, suture: CtSuture, midsagittal: Plane
) -> SutureClearances:
    return suture_clearances(
        point=foot,
        suture_curve=suture.curve_mm,
        midsagittal=midsagittal,
        unit_backward=unit_backward,
    )


def _clearance(
    head: CtHead,
    midsagittal: Plane,
    suture: CtSuture,
    site: Site,
    rule: Rule,
    foot: FloatArray,
    inner: FloatArray | None,
    tip: FloatArray | None,
    placed: PointSpreads,
    thickness: Thickness,
) -> Clearance:
    side, entry = site.side, site.entry
    got = _to_suture(foot, entry.unit_backward, suture, midsagittal)
    # The entry's error along the tape and the suture's own both enter its distance to it.
    sd = combined_sd(placed.along_mm, suture.sd_mm[side])
    definition = combined_sd(spread("suture_definition"), placed.readers_along_mm)
    if suture.how[side] is How.ESTIMATED:
        # An estimate starts from the nasion itself, wherever the point is.
        started = spread("nasion_definition"), spread("nasion_deepest_offset")
        definition = combined_sd(spread("suture_definition"), *started)

    def away(p: FloatArray | None) -> float | None:
        return None if p is None else float(midline_clearances_mm(p[None], midsagittal, side)[0])

    plane_sd = float(max(head.plane_sd_mm(np.stack([entry.scalp_entry_mm, foot]))))
    path = sinus_path(
        foot, inner if inner is not None else foot + 7.0 * site.unit_inward, site.unit_inward
    )
    reading = None
    if got.parallel_mm is not None:
        reading = scalp_reading_mm(got.parallel_mm, thickness.scalp_mm or site.scalp_mm)
    return Clearance(
        midline_scalp_mm=away(entry.scalp_entry_mm),
        midline_outer_table_mm=away(foot),
        midline_inner_table_mm=away(inner),
        midline_tip_mm=away(tip),
        midline_sd_mm=combined_sd(plane_sd, _MIDLINE_SD_MM),
        midline_definition_sd_mm=spread("plane_definition"),
        sinus_mm=sinus_clearance_mm(path, midsagittal, side),
        sinus_sd_mm=plane_sd,
        suture_mm=got.parallel_mm,
        suture_sd_mm=sd,
        suture_definition_sd_mm=definition,
        suture_nearest_mm=got.nearest_mm,
        suture_bone_mm=got.nearest_mm,
        suture_scalp_mm=reading,
        p_suture_below_margin=probability_below(
            rule.suture_margin_mm, got.nearest_mm, sd, definition
        ),
        p_behind_suture=probability_below(0.0, got.nearest_mm, sd, definition),
    )


def _moved(replan: Replan, rule: Rule, site: Site, clearance: Clearance) -> MovedPoint | None:
    """The alternatives, only where a margin is broken or likely to be."""
    near, p = clearance.suture_nearest_mm, clearance.p_suture_below_margin or 0.0
    broken = (
        (near is not None and near < rule.suture_margin_mm)
        or p > value("probability_caution")
        or (clearance.midline_scalp_mm or 0.0) < rule.midline_margin_mm
        or (clearance.sinus_mm is not None and clearance.sinus_mm < rule.sinus_margin_mm)
    )
    if not broken:
        return None
    start = (site.entry.tapes.midline_taut_mm, site.entry.tapes.lateral_taut_mm)
    try:
        return moved_point(
            replan,
            rule,
            start,
            suture_sd_mm=clearance.suture_sd_mm,
            suture_definition_sd_mm=clearance.suture_definition_sd_mm,
        )
    except EntrypointError:
        return MovedPoint(exists=False, text="no other point could be planned on this scan")


def _with_bone(tapes: Tapes, head: CtHead, midline_point_mm: FloatArray) -> Tapes:
    """Tapes with the arc on bone under the midline point."""
    if head.nasion_bone_mm is None:
        return tapes
    return replace(
        tapes, midline_bone_mm=float(nearest_on(head.midline_bone_mm, midline_point_mm)[0])
    )


def _swelling_elsewhere(head: CtHead, site: Site, other: Site | None) -> tuple[float | None, str]:
    """Greatest excess of scalp under either tape: beside the other side, or the usual."""
    tape_end = site.entry.tapes.lateral_taut_mm + 15.0
    own, his = site.lateral_scalp, None if other is None else other.lateral_scalp
    here = own.arc_mm < tape_end
    lateral = None
    if his is not None and here.sum() > 10 and len(his.arc_mm) > 10:
        difference = own.scalp_mm[here] - np.interp(own.arc_mm[here], his.arc_mm, his.scalp_mm)
        difference = difference[np.isfinite(difference)]
        if difference.size > 10:
            lateral = float(np.percentile(difference, 95))
    section = head.section
    phi0 = float(head.frame.phi_deg(head.nasion_skin_mm))
    phi1 = float(head.frame.phi_deg(site.entry.midline_point_mm))
    under = (section.angles_deg > phi0 + 8.0) & (section.angles_deg < phi1 + 8.0)
    scalp = (section.skin_mm - section.bone_mm)[under]
    scalp = scalp[np.isfinite(scalp)]
    midline = None
    if scalp.size > 20:
        # Against the middle of the scalp under this tape; a swelling of all of it shows on the
        # side-to-side comparison or as a thick scalp.
        midline = float(np.percentile(scalp, 95) - np.median(scalp))
    if lateral is not None and (midline is None or lateral >= midline):
        return lateral, f"under the lateral tape on the PATIENT'S {site.side.value.upper()}"
    return midline, "under the midline tape"


def _inside(head: CtHead, tip_mm: FloatArray) -> bool | None:
    """Whether the tip lies in the head's tissue; None outside the field."""
    hu = float(head.volume.sample_hu(tip_mm[None])[0])
    if not np.isfinite(hu):
        return None
    return bool(not head.coarse.is_exterior(tip_mm[None])[0])
