"""Simulated placements on a scan: where each path runs, and what the chart shows there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from entrypoint.planning.clearance import sinus_half_width_mm
from entrypoint.planning.entry import side_sign
from entrypoint.planning.hand_chart import Ground, Nodes, slanted_mm
from entrypoint.planning.hand_draws import Part, TapeEnds
from entrypoint.planning.hand_model import HandSpreads
from entrypoint.planning.model import MidsagittalPlane, Plan, Side
from entrypoint.planning.odds import combined_sd
from entrypoint.planning.site_chart import SiteChart
from entrypoint.reference import value

__all__ = ["ScanPlaced", "ScanShows", "on_scan", "scan_shows"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Where no thickness is known the path still has to be compared with the sinus envelope.
_USUAL_SKULL_MM = 7.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanShows:
    """A chart made ready for many look-ups, and the plan's own point on it."""

    place_mm: FloatArray  # (2,) midline arc, lateral arc
    ground: Ground
    skin: Nodes  # scalp entry (3), distance to the midline
    bone: Nodes  # foot (3), direction (3), suture, skull, scalp, no sound bone, sinus
    thickness: Nodes  # skull, scalp
    skull_shift_mm: float  # from the chart's thickness to the plan's own
    scalp_shift_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanPlaced:
    """What came of each placement, (n,); NaN where the scan does not show it."""

    offset_mm: FloatArray  # (n, 2) along and across on the scalp, from the plan's point
    hand_offset_mm: FloatArray  # (n, 2) of the hand alone
    outside: BoolArray
    no_sound_bone: BoolArray
    suture_mm: FloatArray
    midline_mm: FloatArray
    sinus_mm: FloatArray
    skull_mm: FloatArray  # along the slanted path; NaN where there is no sound bone
    scalp_mm: FloatArray
    tip_offset_mm: FloatArray | None  # (n, 3) along, across, deep


def scan_shows(plan: Plan, side: Side, chart: SiteChart) -> ScanShows | None:
    """Make a chart ready; None where it does not show the plan's own point."""
    found = plan.sides[side]
    if found.tapes is None:
        return None
    place = np.array([found.tapes.midline_taut_mm, found.tapes.lateral_taut_mm])
    ground = Ground.of(chart, float(place[0]), float(place[1]))
    if ground is None:
        return None
    axes = chart.midline_arc_mm, chart.lateral_arc_mm

    def nodes(*figures: FloatArray) -> Nodes:
        return Nodes(*axes, np.concatenate([f.reshape(*f.shape[:2], -1) for f in figures], axis=2))

    thickness = nodes(chart.skull_mm, chart.scalp_mm)
    skull, scalp = thickness.at(*place[:, None])[0]

    def shift(own: float | None, charted: float) -> float:
        return float(own - charted) if own is not None and np.isfinite(charted) else 0.0

    return ScanShows(
        place_mm=place,
        ground=ground,
        skin=nodes(chart.scalp_entry_mm, chart.midline_scalp_mm),
        bone=nodes(
            chart.outer_table_mm,
            chart.unit_inward,
            chart.suture_nearest_mm,
            chart.skull_mm,
            chart.scalp_mm,
            chart.no_sound_bone.astype(np.float64),
            chart.sinus_mm,
        ),
        thickness=thickness,
        skull_shift_mm=shift(found.thickness.skull_mm, skull),
        scalp_shift_mm=shift(found.thickness.scalp_mm, scalp),
    )


def on_scan(
    plan: Plan,
    side: Side,
    plane: MidsagittalPlane,
    shows: ScanShows,
    ends: TapeEnds,
    table: FloatArray,
    tilt_rad: FloatArray,
    spreads: HandSpreads,
) -> ScanPlaced:
    """Follow every placement through scalp and bone.

    Parameters
    ----------
    plan, side : Plan, Side
    plane : MidsagittalPlane
    shows : ScanShows
    ends : TapeEnds
        Where the tapes lead.
    table : (n, parts) array
        Normal numbers.
    tilt_rad : (n, 2) array
        Of the drill, towards along and across.
    spreads : HandSpreads

    Returns
    -------
    ScanPlaced
    """
    found, ground = plan.sides[side], shows.ground
    laid = np.stack([ends.midline_arc_mm, ends.lateral_arc_mm], axis=1)
    mark = spreads.mark_mm * table[:, [Part.MARK_ALONG, Part.MARK_ACROSS]]
    own_sd = np.array([found.scalp_entry_sd_along_mm or 0.0, found.scalp_entry_sd_across_mm or 0.0])
    own = own_sd * table[:, [Part.ENTRY_ALONG, Part.ENTRY_ACROSS]]
    by_hand = laid + mark @ ground.scalp_ratio.T
    point = by_hand + own @ ground.scalp_ratio.T
    slip = spreads.skate_mm * table[:, [Part.SKATE_ALONG, Part.SKATE_ACROSS]]
    foot_at = point + slip @ ground.bone_ratio.T

    skin = shows.skin.at(point[:, 0], point[:, 1])
    bone = shows.bone.at(foot_at[:, 0], foot_at[:, 1])
    foot, inward = bone[:, 0:3], _units(bone[:, 3:6])
    outside = ~np.isfinite(np.concatenate([skin, bone[:, :7]], axis=1)).all(axis=1)
    no_sound = outside | (bone[:, 9] > 0.0) | ~np.isfinite(bone[:, 7])

    t = found.thickness
    skull_sd = combined_sd(t.skull_sd_mm, t.skull_definition_sd_mm)
    scalp_sd = combined_sd(t.scalp_sd_mm, t.scalp_definition_sd_mm)
    skull_add = shows.skull_shift_mm + skull_sd * table[:, Part.SKULL]
    scalp_add = shows.scalp_shift_mm + scalp_sd * table[:, Part.SCALP]
    angle = np.hypot(tilt_rad[:, 0], tilt_rad[:, 1])
    lean = np.where(angle[:, None] > 0.0, tilt_rad, [1.0, 0.0])
    lean = lean / np.hypot(lean[:, 0], lean[:, 1])[:, None]

    def along_path(which: int, add: FloatArray, *, inwards: bool) -> FloatArray:
        def there(along: FloatArray, across: FloatArray) -> FloatArray:
            at = foot_at + np.stack([along, across], axis=1) @ ground.bone_ratio.T
            return np.maximum(shows.thickness.at(at[:, 0], at[:, 1])[:, which] + add, 0.0)

        return slanted_mm(there, angle, lean, ground.bend_per_mm, inward=inwards)

    skull = np.where(no_sound, np.nan, along_path(0, skull_add, inwards=True))
    scalp = np.where(outside, np.nan, along_path(1, scalp_add, inwards=False))
    no_sound = no_sound | ~np.isfinite(skull)
    path = _leaning(inward, ground.unit_scalp, angle, lean)

    sd_along, sd_across = own_sd
    c = found.clearance
    slopes = _slopes(shows)
    away = side_sign(side) * plane.unit_normal
    through = np.where(np.isfinite(skull), skull, _USUAL_SKULL_MM) + value("sinus_reach_inside")
    ends_away = np.stack([foot, foot + through[:, None] * path]) - plane.point_mm
    sinus = (ends_away @ away).min(axis=0) - sinus_half_width_mm(side)

    def rest(total: float | None, slope: FloatArray) -> float:
        """What the point's own error does not bring already of a figure's spread."""
        part = float(np.hypot(slope[0] * sd_along, slope[1] * sd_across))
        return float(np.sqrt(max((total or 0.0) ** 2 - part**2, 0.0)))

    readers = (c.midline_definition_sd_mm or 0.0) * table[:, Part.MIDLINE_READERS]
    plane_z = table[:, Part.MIDLINE]
    suture = (
        bone[:, 6]
        + rest(c.suture_sd_mm, slopes[1]) * table[:, Part.SUTURE]
        + (c.suture_definition_sd_mm or 0.0) * table[:, Part.SUTURE_READERS]
    )
    tip = None
    if found.sensor is not None and found.sensor.from_outer_table_mm is not None:
        tip = _tips(shows, ground, foot, path, found.sensor.from_outer_table_mm)
    home = shows.skin.at(*shows.place_mm[:, None])[0, :3]
    return ScanPlaced(
        offset_mm=(skin[:, :3] - home) @ ground.unit_scalp.T,
        hand_offset_mm=(by_hand - shows.place_mm) @ np.linalg.inv(ground.scalp_ratio).T,
        outside=outside,
        no_sound_bone=no_sound,
        suture_mm=suture,
        midline_mm=skin[:, 3] + rest(c.midline_sd_mm, slopes[0]) * plane_z + readers,
        sinus_mm=sinus + rest(c.sinus_sd_mm, slopes[2]) * plane_z + readers,
        skull_mm=skull,
        scalp_mm=scalp,
        tip_offset_mm=tip,
    )


def _units(v: FloatArray) -> FloatArray:
    return np.asarray(v / np.linalg.norm(v, axis=1, keepdims=True))


def _leaning(
    inward: FloatArray, unit_scalp: FloatArray, angle: FloatArray, lean: FloatArray
) -> FloatArray:
    """Directions (n, 3) that lean from square by an angle towards (along, across)."""
    along = _units(unit_scalp[0] - (inward @ unit_scalp[0])[:, None] * inward)
    across = unit_scalp[1] - (inward @ unit_scalp[1])[:, None] * inward
    across = _units(across - np.einsum("ij,ij->i", across, along)[:, None] * along)
    aside = lean[:, :1] * along + lean[:, 1:] * across
    return np.asarray(np.cos(angle)[:, None] * inward + np.sin(angle)[:, None] * aside)


def _slopes(shows: ScanShows) -> FloatArray:
    """Change of midline, suture and sinus distance a mm on the scalp, along and across (3, 2).

    0 where the chart cannot tell: then a figure's whole spread is drawn beside the point's.
    """
    steps = np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]])
    at = (shows.place_mm + steps @ shows.ground.scalp_ratio.T).T
    bone = shows.bone.at(*at)
    figures = np.stack([shows.skin.at(*at)[:, 3], bone[:, 6], bone[:, 10]])
    slopes = 0.5 * (figures[:, 0::2] - figures[:, 1::2])
    return np.where(np.isfinite(slopes), slopes, 0.0)


def _tips(
    shows: ScanShows, ground: Ground, foot: FloatArray, path: FloatArray, length_mm: float
) -> FloatArray:
    """Tips (n, 3) from the planned one: along, across, deep; the length set from the plan."""
    home = shows.bone.at(*shows.place_mm[:, None])
    deep = _units(home[:, 3:6])
    planned = home[0, 0:3] + length_mm * deep[0]
    still = np.zeros(1)
    along = _leaning(deep, ground.unit_scalp, still + np.pi / 2.0, np.array([[1.0, 0.0]]))[0]
    across = _leaning(deep, ground.unit_scalp, still + np.pi / 2.0, np.array([[0.0, 1.0]]))[0]
    tips = foot + length_mm * path - planned
    return np.asarray(tips @ np.stack([along, across, deep[0]]).T)
