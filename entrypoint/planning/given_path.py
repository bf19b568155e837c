"""A path of one's own on a CT: measured and judged as the plan's own path is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import EntrypointError, FieldRefused, MeasurementError
from entrypoint.planning.clearance import midline_clearances_mm
from entrypoint.planning.corridor import CorridorRead, read_corridor
from entrypoint.planning.corridor_findings import corridor_findings
from entrypoint.planning.ct import looked_at_on
from entrypoint.planning.ct_parts import CtParts
from entrypoint.planning.ct_side import PointSpreads, side_plan, tape_spreads
from entrypoint.planning.ct_site import LateralScalp, Site, foot_on_bone, place_on_ct, site_along
from entrypoint.planning.entry import Entry
from entrypoint.planning.findings import ordered
from entrypoint.planning.given_path_model import (
    AgainstRule,
    Aim,
    CheckedPath,
    FluidNear,
    GivenPath,
    Within,
)
from entrypoint.planning.given_place import OnSkin, other_space, read_by_tape, to_skin
from entrypoint.planning.given_worst import standing_of, worst_within
from entrypoint.planning.landmark_findings import skin_point_moved
from entrypoint.planning.lean import Lean
from entrypoint.planning.model import How, MovedPoint, Rule, Side, SidePlan
from entrypoint.reference import value
from entrypoint.volume.bone import BonePatch, Foot, foot_along
from entrypoint.volume.rays import sample_rays
from entrypoint.volume.skull_profile import read_skull_profile

__all__ = ["check_path"]

FloatArray = NDArray[np.float64]
_SHORTEST_MM = 1.0
# The normal's own error, a mm of slice: 0.05 degrees at 1 mm, on paths of three phantoms.
_NORMAL_SD_DEG_PER_MM = 0.06
_LEAVES_MM, _STEP_MM = 3.0, 0.5  # of bone beyond the inner table: the path has left the skull


def check_path(
    parts: CtParts,
    given: GivenPath,
    *,
    child: bool = False,
    within: Within | None = None,
) -> CheckedPath:
    """Measure and judge one path.

    Parameters
    ----------
    parts : CtParts
        What was found on the scan; its rule gives margins, and the sensor's depth where no tip
        is given.
    given : GivenPath
        World RAS mm.
    child : bool
        Geometry alone, as where a plan's findings suspect a child.
    within : Within, optional
        Also look for the worst figures within this reach; without it there are none.

    Returns
    -------
    CheckedPath
        Its ``path`` has the form of one side of a plan.

    Raises
    ------
    FieldRefused
        The point is not on this head, its side contradicts the plane, the points fit the other
        space, the direction points outwards or meets no bone, or the tip lies outside the skull.
    MeasurementError
        The skin, the tapes or the bone there are not in view.
    """
    head, side = parts.head, given.side
    skin = to_skin(parts, given.skin_point_mm, side)
    if given.tip_point_mm is not None:
        _right_side(parts, given.tip_point_mm, side)
    entry, lateral = read_by_tape(parts, skin.point_mm, side)
    patch, square = foot_on_bone(head, entry)
    inward, foot = _direction(given, skin, patch, square)
    site = _site(parts, entry, lateral, patch, foot, inward)
    rule = _with_tip(parts, given, skin, site)
    tilt = Lean.of(inward, site.foot, entry)
    other = _beside(parts, entry, side, tilt)
    made = side_plan(
        head, parts.tape, parts.midsagittal, parts.suture, site, other, rule,
        geometry_only=child, by_tape=False,
    )  # fmt: skip
    corridor = read_corridor(head, site, other, rule)
    shown = corridor_findings(corridor, site, already=made.findings)
    findings = ordered((*made.findings, *shown, *skin_point_moved(skin.moved_mm)))
    made = replace(made, findings=findings, moved=_nearest(made, tilt))
    worst = () if within is None else worst_within(parts, site, made, rule, within)
    skull, square_skull = made.thickness.skull_mm, site.square_skull_mm
    if site.tilt_deg == 0.0:
        square_skull = skull
    spreads = tape_spreads(head, skin.point_mm)
    return CheckedPath(
        label=given.label,
        side=side,
        aim=given.aim,
        given_skin_mm=given.skin_point_mm,
        given_tip_mm=given.tip_point_mm,
        skin_moved_mm=skin.moved_mm,
        path=made,
        tilt_back_deg=tilt.back_deg,
        tilt_away_deg=tilt.away_deg,
        tilt_sd_deg=_NORMAL_SD_DEG_PER_MM * max(1.0, *head.volume.grid.voxel_mm),
        square_skull_mm=square_skull,
        slant_mm=None if skull is None or square_skull is None else skull - square_skull,
        midline_arc_sd_mm=spreads.along_mm,
        lateral_arc_sd_mm=spreads.across_mm,
        midline_arc_definition_sd_mm=spreads.readers_along_mm,
        lateral_arc_definition_sd_mm=spreads.readers_across_mm,
        fluid=_fluid(corridor),
        against_rule=_against_rule(parts, site, made, spreads),
        worst=worst,
        standing=standing_of(made, rule, worst),
        looked_at=looked_at_on(
            [site], [], parts.suture, head, {side: corridor}, by_tape=False
        ),
    )


def _direction(
    given: GivenPath, skin: OnSkin, patch: BonePatch, square: Foot
) -> tuple[FloatArray, Foot]:
    """The path's direction, and where it meets the bone."""
    if given.aim is Aim.SQUARE:
        return -square.unit_outward, square
    if given.tip_point_mm is not None:
        wanted = given.tip_point_mm - skin.point_mm
    else:
        assert given.along_mm is not None
        wanted = given.along_mm
    size = float(np.linalg.norm(wanted))
    if given.aim is Aim.TIP and size < _SHORTEST_MM:
        raise FieldRefused(
            found="the tip and the skin point are the same",
            expected="a tip inside the skull",
            next_step="check both points",
        )
    if not size > 0.0:
        raise FieldRefused(
            found="a direction of no length",
            expected="three numbers that are not all 0",
            next_step="give a direction into the head",
        )
    inward = wanted / size
    if float(inward @ skin.unit_outward) >= 0.0:
        raise FieldRefused(
            found="the direction points outwards, away from the head",
            expected="a direction into the head",
            next_step="turn it round, or check the coordinate space (RAS or LPS)",
        )
    try:
        return inward, foot_along(
            patch, skin.point_mm, inward, radius_mm=value("normal_radius")
        )
    except MeasurementError as error:
        raise FieldRefused(
            found=error.found, expected=error.expected, next_step=error.next_step
        ) from None


def _site(
    parts: CtParts,
    entry: Entry,
    lateral: LateralScalp,
    patch: BonePatch,
    foot: Foot,
    inward: FloatArray,
) -> Site:
    """The site along the path, with the skull square to it where it leans."""
    seen = None if parts.suture.how[entry.side] is How.ESTIMATED else parts.suture.curve_mm
    site = site_along(parts.head, entry, lateral, patch, foot, inward, seen)
    if site.profile is None or site.tilt_deg == 0.0:
        return site
    crossing = entry.scalp_entry_mm + site.profile.outer_mm * inward
    start = crossing + site.profile.scalp_mm * foot.unit_outward
    try:
        upright = read_skull_profile(
            parts.head.volume, parts.head.coarse.levels, patch, start, -foot.unit_outward,
            noise_hu=parts.head.noise_hu,
        )  # fmt: skip
    except MeasurementError:
        return site
    return replace(site, square_skull_mm=upright.skull_mm)


def _beside(parts: CtParts, entry: Entry, side: Side, tilt: Lean) -> Site | None:
    """The other side's site at the same tape distances, leaning the same way; None: not in view."""
    other = Side.LEFT if side is Side.RIGHT else Side.RIGHT
    at = entry.tapes
    try:
        there, lateral = place_on_ct(
            parts.head, parts.tape, parts.midsagittal, parts.rule, other,
            at.midline_taut_mm, at.lateral_taut_mm,
        )  # fmt: skip
        patch, square = foot_on_bone(parts.head, there)
        inward, foot = tilt.direction(square, there), square
        if not tilt.back_deg == tilt.away_deg == 0.0:
            foot = foot_along(
                patch, there.scalp_entry_mm, inward, radius_mm=value("normal_radius")
            )
        seen = None if parts.suture.how[other] is How.ESTIMATED else parts.suture.curve_mm
        return site_along(parts.head, there, lateral, patch, foot, inward, seen)
    except EntrypointError:
        return None


def _right_side(parts: CtParts, tip_mm: FloatArray, side: Side) -> None:
    """Refuse a tip that lies far on the other side of the midsagittal plane."""
    away = float(midline_clearances_mm(tip_mm[None], parts.midsagittal, side)[0])
    if away >= -value("landmark_refused"):
        return
    flipped = float(midline_clearances_mm(other_space(tip_mm)[None], parts.midsagittal, side)[0])
    raise FieldRefused(
        found=f"the tip lies {-away:.0f} mm beyond the midline, on the wrong side of the skull",
        expected=f"a tip on the patient's {side.value}",
        next_step="the tip would lie on that side in the other space (RAS against LPS): correct "
        "the stated coordinate space"
        if flipped > 0.0
        else "check its coordinates and the side",
    )


def _with_tip(parts: CtParts, given: GivenPath, skin: OnSkin, site: Site) -> Rule:
    """The rule with the depth at which a given tip lies.

    Raises
    ------
    FieldRefused
        The tip lies outside the skull, or in the scalp or the bone.
    """
    if given.tip_point_mm is None or site.profile is None:
        return parts.rule
    deep = float(np.linalg.norm(given.tip_point_mm - skin.point_mm)) - site.profile.inner_mm
    expected = "a tip inside the skull, below the inner table"
    if deep <= 0.0:
        raise FieldRefused(
            found=f"the tip lies {-deep:.1f} mm short of the inner table",
            expected=expected,
            next_step="give a deeper tip, or a direction with --along",
        )
    if _leaves_skull(parts, skin, site, given.tip_point_mm, deep):
        raise FieldRefused(
            found="the tip lies outside the skull",
            expected=expected,
            next_step="check its coordinates, unit and coordinate space (RAS or LPS)",
        )
    return replace(parts.rule, sensor_depth_mm=deep)


def _leaves_skull(
    parts: CtParts, skin: OnSkin, site: Site, tip_mm: FloatArray, deep_mm: float
) -> bool:
    """Whether the path goes through bone once more before its tip, or the tip lies outside."""
    head = parts.head
    assert site.profile is not None
    if not bool(head.volume.grid.covers(tip_mm[None])[0]):
        return True
    if bool(head.coarse.is_exterior(tip_mm[None])[0]):
        return True
    start = site.profile.inner_mm + _LEAVES_MM
    depths = np.arange(start, site.profile.inner_mm + deep_mm + _STEP_MM, _STEP_MM)
    if len(depths) < 2:
        return False
    hu = sample_rays(head.volume, skin.point_mm, site.unit_inward, depths)[0]
    bone = np.concatenate([[0.0], np.cumsum(hu > head.coarse.levels.bone_edge_hu)])
    run = round(_LEAVES_MM / _STEP_MM)
    return bool(len(bone) > run and (bone[run:] - bone[:-run]).max() >= run)


def _nearest(made: SidePlan, tilt: Lean) -> MovedPoint | None:
    """The nearest path that keeps every margin; from the same point where upright is enough."""
    moved, tapes = made.moved, made.tapes
    if moved is None or not moved.exists or tapes is None:
        return moved
    still = (
        abs((moved.midline_arc_mm or 0.0) - tapes.midline_taut_mm) < 1e-9
        and abs((moved.lateral_arc_mm or 0.0) - tapes.lateral_taut_mm) < 1e-9
    )
    if not still or tilt.back_deg == tilt.away_deg == 0.0:
        return moved
    said = "from the same point of the skin a path square to the skull keeps every margin at the "
    said += "best estimate"
    return replace(moved, text="; ".join(part for part in (said, moved.text) if part))


def _fluid(read: CorridorRead) -> FluidNear:
    space = read.ventricle
    return FluidNear(
        tip_to_space_mm=space.distance_mm,
        tip_to_space_sd_mm=None if space.distance_mm is None else space.sd_mm,
        under_bone_mm=read.fluid_mm,
        under_bone_other_side_mm=read.fluid_other_mm,
        why=space.why if space.distance_mm is None else "",
    )


def _against_rule(
    parts: CtParts, site: Site, made: SidePlan, spreads: PointSpreads
) -> AgainstRule | None:
    """How a path differs from the rule's own; None where that was not measured."""
    rule_site = parts.sites.get(site.side)
    if rule_site is None:
        return None
    own, its = site.entry.tapes, rule_site.entry.tapes
    between = np.cross(rule_site.unit_inward, site.unit_inward)
    turned = np.arctan2(float(np.linalg.norm(between)), rule_site.unit_inward @ site.unit_inward)
    tip = None
    if made.sensor_tip_mm is not None and rule_site.profile is not None:
        deep = rule_site.profile.inner_mm + parts.rule.sensor_depth_mm
        rule_tip = rule_site.entry.scalp_entry_mm + deep * rule_site.unit_inward
        tip = float(np.linalg.norm(made.sensor_tip_mm - rule_tip))
    apart = site.entry.scalp_entry_mm - rule_site.entry.scalp_entry_mm
    return AgainstRule(
        back_mm=own.midline_taut_mm - its.midline_taut_mm,
        away_mm=own.lateral_taut_mm - its.lateral_taut_mm,
        back_sd_mm=spreads.along_mm,
        away_sd_mm=spreads.across_mm,
        back_definition_sd_mm=spreads.readers_along_mm,
        away_definition_sd_mm=spreads.readers_across_mm,
        straight_mm=float(np.linalg.norm(apart)),
        turned_deg=float(np.degrees(turned)),
        tip_mm=tip,
    )
