"""The plan from a head CT: finds the head, lays the tapes, measures, judges."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from entrypoint import __version__
from entrypoint.planning import head_findings as about
from entrypoint.planning.corridor import CorridorRead, read_corridor
from entrypoint.planning.corridor_findings import corridor_findings, corridor_looked_at
from entrypoint.planning.ct_given import Given
from entrypoint.planning.ct_head import CtHead
from entrypoint.planning.ct_parts import CtParts, ct_parts
from entrypoint.planning.ct_side import side_plan
from entrypoint.planning.ct_site import Site
from entrypoint.planning.ct_suture import CtSuture
from entrypoint.planning.findings import ordered
from entrypoint.planning.model import (
    CoronalSuture,
    Finding,
    How,
    ImageQuality,
    InputInfo,
    Landmark,
    Level,
    LookedAt,
    MidsagittalPlane,
    Plan,
    Rule,
    Side,
    SidePlan,
)
from entrypoint.reference import row, spread, value
from entrypoint.volume.facts import FileFacts
from entrypoint.volume.volume import Volume

__all__ = ["plan_from_parts", "plan_from_volume"]

FloatArray = NDArray[np.float64]
_FWHM_PER_SIGMA = 2.3548
# Cortical bone of the vault peaks below the first; below the second its tables look alike.
_USUAL_TOP_HU, _LOW_TOP_HU = 2000.0, 1250.0
_USUAL_FLOOR_HU = -950.0  # a file cut off at air's own level has lost nothing


def plan_from_volume(
    volume: Volume,
    *,
    info: InputInfo,
    rule: Rule,
    sides: tuple[Side, ...] = (Side.RIGHT, Side.LEFT),
    landmarks: Mapping[str, FloatArray] | None = None,
    coronal_suture_mm: FloatArray | None = None,
    plane: tuple[FloatArray, FloatArray] | None = None,
    facts: FileFacts | None = None,
    progress: Callable[[str], None] | None = None,
) -> Plan:
    """Plan on a CT.

    Parameters
    ----------
    volume, rule, landmarks, coronal_suture_mm, plane, progress
        As of :func:`~entrypoint.planning.ct_parts.ct_parts`, with what it raises.
    info, sides, facts
        As of :func:`plan_from_parts`.

    Returns
    -------
    Plan
    """
    parts = ct_parts(
        volume,
        rule=rule,
        landmarks=landmarks,
        coronal_suture_mm=coronal_suture_mm,
        plane=plane,
        progress=progress,
    )
    return plan_from_parts(parts, info=info, sides=sides, facts=facts)


def plan_from_parts(
    parts: CtParts,
    *,
    info: InputInfo,
    sides: tuple[Side, ...] = (Side.RIGHT, Side.LEFT),
    facts: FileFacts | None = None,
) -> Plan:
    """Judge what was found on a CT.

    Parameters
    ----------
    parts : CtParts
    info : InputInfo
    sides : tuple of Side
    facts : FileFacts, optional

    Returns
    -------
    Plan

    Raises
    ------
    MeasurementError
        Nothing could be measured on any of the sides.
    """
    head, suture, sites, rule = parts.head, parts.suture, parts.sites, parts.rule
    if not any(side in sites for side in sides):
        raise parts.refused[sides[0]]
    whole = [*_head_findings(head, suture, rule, facts, parts.given), *parts.doubts]
    child = rule.person == "child" or any(f.code == "child-suspected" for f in whole)
    plans: dict[Side, SidePlan] = {}
    corridors: dict[Side, CorridorRead] = {}
    for side in sides:
        if side in parts.refused:
            why = str(parts.refused[side])
            plans[side] = SidePlan(findings=(about.side_not_measured(why, side),))
            continue
        other = sites.get(Side.LEFT if side is Side.RIGHT else Side.RIGHT)
        planned = side_plan(
            head,
            parts.tape,
            parts.midsagittal,
            suture,
            sites[side],
            other,
            rule,
            geometry_only=child,
        )
        corridors[side] = read_corridor(head, sites[side], other, rule)
        shown = corridor_findings(corridors[side], sites[side], already=planned.findings)
        plans[side] = replace(planned, findings=ordered((*planned.findings, *shown)))
    measured = [sites[s] for s in sides if s in sites]
    unmeasured = [s for s in sides if s in parts.refused]
    return Plan(
        tool_version=__version__,
        input=info,
        rule=rule,
        sides=plans,
        landmarks=_landmarks(head, suture, parts.given),
        midsagittal_plane=_plane_record(head, parts.plane_given),
        coronal_suture=_suture_record(suture),
        findings=ordered(whole),
        looked_at=_looked_at(measured, unmeasured, suture, head, corridors),
        quality=_quality(head, measured, facts),
        practice=bool(facts and facts.practice),
    )


def _landmarks(head: CtHead, suture: CtSuture, given: Given) -> dict[str, Landmark]:
    def found(
        name: str,
        position: FloatArray | None,
        sd_mm: float,
        definition: str,
        how: How = How.DETECTED,
    ) -> None:
        if position is None:
            return
        by_hand = name.removesuffix("_skin") in given.moved_mm
        points[name] = Landmark(
            position_mm=position,
            sd_mm=spread("landmark_given") if by_hand else sd_mm,
            how=How.GIVEN if by_hand else how,
            definition_sd_mm=spread(definition),
            moved_mm=given.moved_mm.get(name.removesuffix("_skin")),
        )

    points: dict[str, Landmark] = {}
    found("nasion_skin", head.nasion_skin_mm, head.nasion_skin_sd_mm, "nasion_definition")
    found("nasion_bone", head.nasion_bone_mm, head.nasion_bone_sd_mm, "nasion_definition")
    found("inion", head.inion_skin_mm, head.inion_sd_mm, "inion_definition")
    if head.inion_bone_mm is not None:
        points["inion_bone"] = Landmark(
            position_mm=head.inion_bone_mm,
            sd_mm=head.inion_sd_mm,
            how=How.DETECTED,
            definition_sd_mm=spread("inion_definition"),
        )
    found("bregma", suture.bregma_mm, suture.bregma_sd_mm, "bregma_definition", suture.bregma_how)
    return points


def _plane_record(head: CtHead, is_given: bool) -> MidsagittalPlane:
    near = head.midline_skin_mm[:: max(1, len(head.midline_skin_mm) // 40)]
    sd = float(np.max(head.plane_sd_mm(near)))
    tilt = float(np.degrees(np.sqrt(np.sum(np.diag(head.plane_covariance)[1:]))))
    return MidsagittalPlane(
        point_mm=head.frame.origin_mm,
        unit_normal=head.frame.unit_right,
        sd_mm=sd,
        sd_deg=tilt,
        how=How.GIVEN if is_given else How.DETECTED,
        definition_sd_mm=spread("plane_definition"),
    )


def _suture_record(suture: CtSuture) -> CoronalSuture:
    hows = set(suture.how.values())
    how = hows.pop() if len(hows) == 1 else How.ESTIMATED
    return CoronalSuture(
        how=how,
        sd_mm=max(suture.sd_mm.values()),
        curve_mm=suture.curve_mm,
        along="outer_table",
        right=suture.how[Side.RIGHT],
        left=suture.how[Side.LEFT],
        right_sd_mm=suture.sd_mm[Side.RIGHT],
        left_sd_mm=suture.sd_mm[Side.LEFT],
        definition_sd_mm=spread("suture_definition"),
    )


def _quality(head: CtHead, sites: list[Site], facts: FileFacts | None) -> ImageQuality:
    blurs = [s.profile.blur_sigma_mm for s in sites if s.profile is not None]
    return ImageQuality(
        blur_fwhm_mm=_FWHM_PER_SIGMA * float(np.mean(blurs)) if blurs else None,
        noise_hu=head.noise_hu,
        slice_mm=_slice_mm(head.volume),
        air_hu=head.coarse.levels.air_hu,
        soft_hu=head.coarse.levels.soft_hu,
    )


def _head_findings(
    head: CtHead, suture: CtSuture, rule: Rule, facts: FileFacts | None, given: Given
) -> list[Finding]:
    """Findings about the whole head and the file."""
    out: list[Finding] = [about.sides_as_stated()]
    if facts is not None:
        if facts.practice:
            out.append(about.practice_head())
        if facts.transforms_differ_mm is not None:
            out += about.world_matrices_differ(facts.transforms_differ_mm, facts.world_matrix_from)
        if facts.unit == "unknown":
            out.append(about.unit_assumed())
        out += _stored(facts)
    plane = _plane_record(head, False)
    out += about.plane_uncertain(plane.sd_mm, plane.sd_deg)
    if head.nasion_hollow is not None:
        shallow = about.nasion_shallow(head.nasion_hollow.depth_mm, head.nasion_skin_sd_mm)
        out += shallow
        if not shallow and head.nasion_skin_sd_mm > 2.5:
            out.append(
                about.landmark_doubtful(
                    "nasion skin", head.nasion_skin_sd_mm, "the nasal root is long and flat"
                )
            )
    out += about.coarse_slices(_slice_mm(head.volume))
    out += about.noise(head.noise_hu)
    out += given.findings
    out += _child(head, suture, rule)
    out += _unusual(head, suture)
    if head.inion_bone_mm is None:
        out.append(
            about.field_of_view("the inion is", level=Level.NOTE, figures=("landmarks.inion",))
        )
    out += about.asymmetry(_sides_differ_mm(suture))
    return out


def _slice_mm(volume: Volume) -> float:
    """Largest distance between neighbouring planes of voxels: shear does not widen it."""
    across = np.linalg.inv(volume.grid.world_from_index[:3, :3])
    return float(1.0 / np.linalg.norm(across, axis=1).min())


def _stored(facts: FileFacts) -> list[Finding]:
    """What was done to read the file's values, each fact a note or a caution."""
    out = []
    if facts.offset_applied_hu is not None:
        out.append(
            about.stored_values(
                f"the stored values read like HU shifted by {-facts.offset_applied_hu:.0f}; they "
                "were shifted back"
            )
        )
    if facts.clipped_low_hu is not None and facts.clipped_low_hu > _USUAL_FLOOR_HU:
        out.append(
            about.stored_values(
                f"values below {facts.clipped_low_hu:.0f} HU are cut off in the file; the skin's "
                "edge is read between that value and soft tissue"
            )
        )
    if facts.clipped_high_hu is not None and facts.clipped_high_hu < _USUAL_TOP_HU:
        out.append(
            about.stored_values(
                f"values above {facts.clipped_high_hu:.0f} HU are cut off in the file: the edges "
                "of bone and its layers are less certain than their errors say",
                level=Level.CAUTION if facts.clipped_high_hu < _LOW_TOP_HU else Level.NOTE,
                figures=("thickness.skull_mm", "thickness.scalp_mm"),
            )
        )
    if facts.padding_hu is not None:
        out.append(
            about.stored_values(
                f"the file is padded with {facts.padding_hu:.0f}; that was read as air"
            )
        )
    if facts.unusable_transform is not None:
        out.append(
            about.stored_values(
                f"the file's {facts.unusable_transform} cannot be used; the other transform was"
            )
        )
    if facts.sizes_disagree:
        out.append(
            about.stored_values(
                "the voxel sizes in the header are not those of its transform; the transform was "
                "used",
                level=Level.CAUTION,
                figures=("input.voxel_mm", "scalp_entry_mm"),
            )
        )
    return out


def _unusual(head: CtHead, suture: CtSuture) -> list[Finding]:
    """Sizes beyond any of the published series: a wrong voxel size, or a most unusual head."""
    out = []
    length, high = _head_length_mm(head), row("head_length_men").high or 225.0
    if length is not None and length > high:
        low = row("head_length_women").low or 168.0
        found = about.measure_unusual("length of the head", length, low, high)
        out.append(replace(found, level=Level.CAUTION))
    if head.nasion_bone_mm is not None and suture.bregma_how is not How.ESTIMATED:
        chord = float(np.linalg.norm(suture.bregma_mm - head.nasion_bone_mm))
        least, most = row("nasion_bregma_chord_women").low, row("nasion_bregma_chord_men").high
        # The published chord starts at the suture, not at the deepest point.
        slack = 2.0 * spread("nasion_deepest_offset")
        if least is not None and most is not None and not least - slack < chord < most + slack:
            out.append(
                about.measure_unusual(
                    "straight distance from nasion to bregma on bone", chord, least, most
                )
            )
    return out


def _head_length_mm(head: CtHead) -> float | None:
    """Greatest length of the head in the midline; None where the back is not in view."""
    phi = head.section.angles_deg
    skin = head.frame.head_from_world(head.section.skin_points())
    seen = np.isfinite(skin[:, 1])
    brow = float(head.frame.phi_deg(head.nasion_skin_mm))  # under it lies the nose
    front, back = seen & (phi > brow) & (phi < brow + 60), seen & (phi > 150) & (phi < 200)
    # Without the back of the head in view there is no length.
    whole = front.sum() > 20 and back.sum() > 0.8 * ((phi > 150) & (phi < 200)).sum()
    length = None
    if whole:
        gap = skin[front][:, None, 1:] - skin[back][None, :, 1:]
        length = float(np.sqrt(np.square(gap).sum(axis=2)).max())
    return length


def _child(head: CtHead, suture: CtSuture, rule: Rule) -> tuple[Finding, ...]:
    """A head shorter than any adult woman's of the published series, or a vault as thin."""
    length = _head_length_mm(head)
    low = row("head_length_women").low or 168.0
    why = ""
    if length is not None and length < low - 4.0:
        why = (
            f"the head is {length:.0f} mm long, shorter than the shortest of the published "
            f"series of adult women ({low:.0f} mm)"
        )
    women = row("head_length_women")
    vault, least = float(np.nanmedian(suture.vault.thickness_mm)), value("vault_child_limit")
    short = length is not None and length < women.value - 2.0 * (women.spread or 7.5)
    if not why and short and vault < least:
        why = (
            f"the head is {length:.0f} mm long and its vault {vault:.1f} mm thick (median along "
            f"the top), under {least:.1f} mm"
        )
        return about.child(rule.person, why, value_found=vault, limit=least)
    return about.child(rule.person, why, value_found=length, limit=low)


def _sides_differ_mm(suture: CtSuture) -> float:
    """Largest smoothed difference of mirrored radii over the vault."""
    from scipy import ndimage

    radius = ndimage.uniform_filter(suture.vault.radius_mm, size=(15, 7), mode="nearest")
    return float(np.nanpercentile(np.abs(radius - radius[:, ::-1]), 99))


def _looked_at(
    sites: list[Site],
    refused: list[Side],
    suture: CtSuture,
    head: CtHead,
    corridors: Mapping[Side, CorridorRead],
) -> LookedAt:
    checked = [
        "distance to the midline",
        "distance to the sagittal sinus envelope (published, not this head's own vein)",
    ]
    could_not = [f"anything on the PATIENT'S {side.value.upper()}" for side in refused]
    for site in sites:
        name = f"PATIENT'S {site.side.value.upper()}"
        if suture.how[site.side] in (How.MEASURED, How.GIVEN):
            checked.append(f"distance to the coronal suture, {name}")
        else:
            could_not.append(f"the coronal suture, {name} (not seen: estimated)")
        if site.profile is None:
            could_not.append(f"skull thickness, {name} ({site.no_bone or 'too blurred'})")
        else:
            checked.append(
                f"scalp and skull along the path, missing bone and metal within 8 mm, {name}"
            )
        seen, unseen = corridor_looked_at(corridors[site.side])
        checked += seen
        could_not += unseen
    checked.append("swelling of the scalp at the entry and under both tapes")
    if head.inion_bone_mm is None:
        could_not.append("the inion")
    return LookedAt(
        checked=tuple(checked),
        not_checked=(
            "vessels of the scalp and the brain",
            "cortex and lesions along the path",
            "anything outside the corridors round the paths",
            "hairline fractures",
            "clotting, infection, consent, previous surgery",
        ),
        could_not_be_checked=tuple(could_not),
    )
