"""A placed path measured: in tape terms, against midline, sinus envelope and suture, in bone.

With the scan before placement everything that metal hides is read there, on the same line carried
over. Without it the bone under the bolt is not read at all, and the rest is read past the metal.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import EntrypointError, MeasurementError
from entrypoint.planning.after_frames import Overlay
from entrypoint.planning.after_model import PlacedPath, PlacedTapes, WhereFrom
from entrypoint.planning.clearance import (
    midline_clearances_mm,
    scalp_reading_mm,
    sinus_clearance_mm,
    sinus_path,
    suture_clearances,
)
from entrypoint.planning.ct_parts import CtParts
from entrypoint.planning.ct_side import tape_spreads
from entrypoint.planning.entry import Entry
from entrypoint.planning.given_path import check_path
from entrypoint.planning.given_path_model import GivenPath
from entrypoint.planning.given_place import read_by_tape
from entrypoint.planning.model import Clearance, How, Side, SidePlan
from entrypoint.planning.odds import combined_sd, probability_below
from entrypoint.reference import spread
from entrypoint.volume.bolt import FoundBolt
from entrypoint.volume.rays import sample_rays
from entrypoint.volume.under_metal import Under, inner_under, skin_under

__all__ = ["Line", "OnBefore", "line_of", "measured_after", "measured_before"]

FloatArray = NDArray[np.float64]
_USUAL_SKULL_MM = 7.0  # only for the sinus envelope where no thickness is known, as in a plan
_NORMAL_SD_DEG = 0.4  # of the normal bridged under the metal, on phantoms of 1 mm voxels
_SURFACE_PER_VOXEL = 0.2  # error of a bridged surface along the axis, by the voxel's size there
_OUT_MM, _STEP_MM = 40.0, 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """The bolt's axis on the scan after placement; depths along it below the outer table."""

    bolt: FoundBolt
    side: Side
    skin: Under | None
    inner: Under | None
    voxel_mm: float  # along the axis

    def at(self, depth_mm: float) -> FloatArray:
        """A point of the axis, world."""
        return np.asarray(self.bolt.foot_mm + depth_mm * self.bolt.unit_inward)

    def sd_at_mm(self, depth_mm: float) -> float:
        """Standard deviation across the axis at a depth."""
        return combined_sd(self.bolt.sd_mm, np.radians(self.bolt.sd_deg) * depth_mm)

    @property
    def inner_sd_mm(self) -> float | None:
        """Standard deviation of the bridged inner table along the axis."""
        if self.inner is None:
            return None
        return combined_sd(self.inner.sd_mm, _SURFACE_PER_VOXEL * self.voxel_mm)


def line_of(parts: CtParts, bolt: FoundBolt, side: Side) -> Line:
    """The axis with what is laid under the metal."""
    sizes = np.abs(parts.head.volume.grid.world_from_index[:3, :3]).max(axis=1)
    return Line(
        bolt=bolt,
        side=side,
        skin=skin_under(bolt),
        inner=inner_under(bolt),
        voxel_mm=float(np.abs(bolt.unit_inward) @ sizes),
    )


def measured_after(parts: CtParts, line: Line, tip_mm: float | None) -> PlacedPath:
    """Measure on the scan after placement alone; ``tip_mm`` is a depth along the axis."""
    bolt, side = line.bolt, line.side
    skin = None if line.skin is None else line.at(line.skin.depth_mm)
    entry: Entry | None = None
    why = "the skin round the bolt is not seen well enough"
    if skin is not None:
        try:
            entry, _ = read_by_tape(parts, skin, side)
        except EntrypointError as error:
            why = str(error)
    tapes = None
    if entry is not None and skin is not None:
        tapes = _tapes(parts, entry, skin, WhereFrom.AFTER, line.sd_at_mm(0.0))
    return PlacedPath(
        scalp_entry_mm=skin,
        outer_table_mm=bolt.foot_mm,
        unit_inward=bolt.unit_inward,
        sd_mm=bolt.sd_mm,
        sd_deg=bolt.sd_deg,
        tilt_deg=bolt.tilt_deg,
        tilt_sd_deg=combined_sd(bolt.sd_deg, _NORMAL_SD_DEG),
        bolt_end_mm=bolt.end_mm,
        tapes=tapes,
        tapes_why_not="" if tapes is not None else why,
        skull_why_not="metal hides the bone at the bolt",
        clearance=_clearance(parts, line, entry, skin, tip_mm),
    )


def _tapes(
    parts: CtParts, entry: Entry, skin_mm: FloatArray, read_on: WhereFrom, path_sd_mm: float
) -> PlacedTapes:
    spreads = tape_spreads(parts.head, skin_mm)
    straight = entry.tapes.lateral_straight_mm
    return PlacedTapes(
        read_on=read_on,
        midline_arc_mm=entry.tapes.midline_taut_mm,
        lateral_arc_mm=entry.tapes.lateral_taut_mm,
        lateral_straight_mm=0.0 if straight is None else straight,
        midline_arc_sd_mm=combined_sd(spreads.along_mm, path_sd_mm),
        lateral_arc_sd_mm=combined_sd(spreads.across_mm, path_sd_mm),
        midline_arc_definition_sd_mm=spreads.readers_along_mm,
        lateral_arc_definition_sd_mm=spreads.readers_across_mm,
    )


def _clearance(
    parts: CtParts,
    line: Line,
    entry: Entry | None,
    skin: FloatArray | None,
    tip_mm: float | None,
) -> Clearance:
    head, side, rule, suture = parts.head, line.side, parts.rule, parts.suture
    foot = line.bolt.foot_mm
    inner = None if line.inner is None else line.at(line.inner.depth_mm)
    tip = None if tip_mm is None else line.at(tip_mm)

    def away(p: FloatArray | None) -> float | None:
        if p is None:
            return None
        return float(midline_clearances_mm(p[None], parts.midsagittal, side)[0])

    path = sinus_path(
        foot, inner if inner is not None else line.at(_USUAL_SKULL_MM), line.bolt.unit_inward
    )
    plane_sd = float(max(head.plane_sd_mm(np.stack([foot, line.at(20.0)]))))
    sd = combined_sd(plane_sd, line.sd_at_mm(tip_mm or 10.0))
    clearance = Clearance(
        midline_scalp_mm=away(skin),
        midline_outer_table_mm=away(foot),
        midline_inner_table_mm=away(inner),
        midline_tip_mm=away(tip),
        midline_sd_mm=sd,
        midline_definition_sd_mm=spread("plane_definition"),
        sinus_mm=sinus_clearance_mm(path, parts.midsagittal, side),
        sinus_sd_mm=sd,
    )
    if entry is None:
        return clearance
    got = suture_clearances(
        point=foot,
        suture_curve=suture.curve_mm,
        midsagittal=parts.midsagittal,
        unit_backward=entry.unit_backward,
    )
    # Both ends are seen on this scan: the tape and its nasion have no part in it.
    suture_sd = combined_sd(suture.sd_mm[side], line.sd_at_mm(0.0))
    definition = spread("suture_definition")
    if suture.how[side] is How.ESTIMATED:
        definition = combined_sd(definition, spread("nasion_deepest_offset"))
    reading = None
    if got.parallel_mm is not None and skin is not None:
        reading = scalp_reading_mm(got.parallel_mm, float(np.linalg.norm(skin - foot)))
    return replace(
        clearance,
        suture_mm=got.parallel_mm,
        suture_sd_mm=suture_sd,
        suture_definition_sd_mm=definition,
        suture_nearest_mm=got.nearest_mm,
        suture_bone_mm=got.nearest_mm,
        suture_scalp_mm=reading,
        p_suture_below_margin=probability_below(
            rule.suture_margin_mm, got.nearest_mm, suture_sd, definition
        ),
        p_behind_suture=probability_below(0.0, got.nearest_mm, suture_sd, definition),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class OnBefore:
    """The same line on the scan before placement; depths along it below that outer table."""

    path: PlacedPath  # in the frame of the scan after placement
    skin_mm: FloatArray  # in the plan's frame
    outer_mm: float  # that outer table, below the foot as the scan after placement shows it
    inner_mm: float | None  # the same for the inner table
    inner_sd_mm: float | None
    over_sd_mm: float  # of the line's place there, one axis


def measured_before(
    before: CtParts,
    line: Line,
    own: PlacedPath,
    overlay: Overlay,
    tip_mm: float | None,
    *,
    child: bool,
) -> OnBefore:
    """Measure the line on the scan before placement.

    Raises
    ------
    EntrypointError
        The line does not lie on that scan.
    """
    move = overlay.plan_from_after
    foot, inward = move.apply_point(line.bolt.foot_mm), move.turn(line.bolt.unit_inward)
    skin = _skin_on(before, foot, inward)
    checked = check_path(
        before, GivenPath(label="placed", side=line.side, skin_point_mm=skin, along_mm=inward),
        child=child,
    )  # fmt: skip
    made = checked.path
    if made is None or made.outer_table_mm is None or made.tapes is None:
        raise MeasurementError(
            found=checked.refused or "no path on the scan before placement",
            expected="bone where the bolt stands",
            next_step="look at both scans there",
        )
    over = combined_sd(overlay.sd_at_mm(foot), line.sd_at_mm(0.0))
    lean = combined_sd(overlay.sd_deg, line.bolt.sd_deg)
    outer = float((made.outer_table_mm - foot) @ inward)
    inner = inner_sd = None
    thickness = made.thickness
    if thickness.skull_mm is not None:
        inner = outer + thickness.skull_mm
        # Sideways errors meet a surface that slopes to the axis; along it the overlay's counts.
        slope = float(np.tan(np.radians(max(line.bolt.tilt_deg, 3.0))))
        inner_sd = combined_sd(thickness.skull_sd_mm, overlay.sd_at_mm(foot), slope * over)
    spreads = tape_spreads(before.head, skin)
    tapes = PlacedTapes(
        read_on=WhereFrom.BEFORE,
        midline_arc_mm=made.tapes.midline_taut_mm,
        lateral_arc_mm=made.tapes.lateral_taut_mm,
        lateral_straight_mm=made.tapes.lateral_straight_mm or 0.0,
        midline_arc_sd_mm=combined_sd(spreads.along_mm, over),
        lateral_arc_sd_mm=combined_sd(spreads.across_mm, over),
        midline_arc_definition_sd_mm=spreads.readers_along_mm,
        lateral_arc_definition_sd_mm=spreads.readers_across_mm,
    )
    path = replace(
        own,
        tapes=tapes,
        tapes_why_not="",
        tilt_sd_deg=combined_sd(lean, _NORMAL_SD_DEG),
        skull_mm=thickness.skull_mm,
        skull_sd_mm=None
        if thickness.skull_sd_mm is None
        else combined_sd(thickness.skull_sd_mm, 0.1 * over),
        skull_from=None if thickness.skull_mm is None else WhereFrom.BEFORE,
        skull_why_not=""
        if thickness.skull_mm is not None
        else "no thickness could be read on the scan before placement either",
        clearance=_carried(before, made, line, foot, inward, tip_mm, over, lean),
    )
    return OnBefore(
        path=path,
        over_sd_mm=over,
        skin_mm=skin,
        outer_mm=outer,
        inner_mm=inner,
        inner_sd_mm=inner_sd,
    )


def _carried(
    before: CtParts,
    made: SidePlan,
    line: Line,
    foot: FloatArray,
    inward: FloatArray,
    tip_mm: float | None,
    over_mm: float,
    lean_deg: float,
) -> Clearance:
    """Clearances on the scan before placement, with the errors of line and overlay."""
    got = made.clearance
    tip = None
    if tip_mm is not None:
        point = foot + tip_mm * inward
        tip = float(midline_clearances_mm(point[None], before.midsagittal, line.side)[0])
    deep = combined_sd(over_mm, np.radians(lean_deg) * (tip_mm or 10.0))
    suture_sd = combined_sd(before.suture.sd_mm[line.side], over_mm)
    near, readers = got.suture_nearest_mm, got.suture_definition_sd_mm or 0.0
    margin = before.rule.suture_margin_mm
    return replace(
        got,
        midline_tip_mm=tip,
        midline_sd_mm=combined_sd(got.midline_sd_mm, deep),
        sinus_sd_mm=combined_sd(got.sinus_sd_mm, deep),
        suture_sd_mm=suture_sd,
        p_suture_below_margin=None
        if near is None
        else probability_below(margin, near, suture_sd, readers),
        p_behind_suture=None if near is None else probability_below(0.0, near, suture_sd, readers),
    )


def _skin_on(parts: CtParts, foot_mm: FloatArray, unit_inward: FloatArray) -> FloatArray:
    """Where a line leaves the skin, from the bone outwards."""
    levels = parts.head.coarse.levels
    depths = np.arange(0.0, _OUT_MM, _STEP_MM)
    hu = sample_rays(parts.head.volume, foot_mm, -unit_inward, depths)[0]
    out = np.flatnonzero(~(hu >= levels.skin_hu))
    if not out.size or out[0] == 0:
        raise MeasurementError(
            found="no skin on the path in the scan before placement",
            expected="scalp where the bolt stands",
            next_step="look at both scans there",
        )
    k = int(out[0])
    a, b = float(hu[k - 1]), float(hu[k])
    share = (a - levels.skin_hu) / (a - b) if np.isfinite(b) and a > b else 0.0
    return np.asarray(foot_mm - (depths[k - 1] + share * _STEP_MM) * unit_inward)
