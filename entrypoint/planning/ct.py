"""The plan from a head CT: finds the head, lays the tapes, measures, judges."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from entrypoint import __version__
from entrypoint.planning.corridor import CorridorRead, read_corridor
from entrypoint.planning.corridor_findings import corridor_findings, corridor_looked_at
from entrypoint.planning.ct_given import Given
from entrypoint.planning.ct_head import CtHead
from entrypoint.planning.ct_parts import CtParts, ct_parts
from entrypoint.planning.ct_side import side_plan
from entrypoint.planning.ct_site import Site
from entrypoint.planning.ct_suture import CtSuture
from entrypoint.planning.ct_whole import whole_head_findings
from entrypoint.planning.findings import ordered
from entrypoint.planning.head_findings import side_not_measured
from entrypoint.planning.model import (
    CoronalSuture,
    How,
    ImageQuality,
    InputInfo,
    Landmark,
    LookedAt,
    MidsagittalPlane,
    Plan,
    Rule,
    Side,
    SidePlan,
)
from entrypoint.reference import spread
from entrypoint.volume.facts import FileFacts
from entrypoint.volume.volume import Volume

__all__ = ["looked_at_on", "plan_from_parts", "plan_from_volume"]

FloatArray = NDArray[np.float64]
_FWHM_PER_SIGMA = 2.3548


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
    plane = _plane_record(head, parts.plane_given)
    whole = whole_head_findings(parts, plane, facts)
    child = rule.person == "child" or any(f.code == "child-suspected" for f in whole)
    plans: dict[Side, SidePlan] = {}
    corridors: dict[Side, CorridorRead] = {}
    for side in sides:
        if side in parts.refused:
            why = str(parts.refused[side])
            plans[side] = SidePlan(findings=(side_not_measured(why, side),))
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
        midsagittal_plane=plane,
        coronal_suture=_suture_record(suture),
        findings=ordered(whole),
        looked_at=looked_at_on(measured, unmeasured, suture, head, corridors),
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
        slice_mm=head.volume.grid.slice_mm,
        air_hu=head.coarse.levels.air_hu,
        soft_hu=head.coarse.levels.soft_hu,
    )


def looked_at_on(
    sites: list[Site],
    refused: list[Side],
    suture: CtSuture,
    head: CtHead,
    corridors: Mapping[Side, CorridorRead],
    *,
    by_tape: bool = True,
) -> LookedAt:
    """What was looked at along the paths of some sites, and what could not be.

    Parameters
    ----------
    sites : list of Site
    refused : list of Side
        On which nothing could be measured.
    suture, head : CtSuture, CtHead
    corridors : mapping of Side to CorridorRead
    by_tape : bool
        The points are the rule's, and what lies under its tapes counts.
    """
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
    tapes = " and under both tapes" if by_tape else ""
    checked.append(f"swelling of the scalp at the entry{tapes}")
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
