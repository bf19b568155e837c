"""A scan after placement against its plan: the bolt, the sensor, the path as achieved."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from entrypoint import __version__
from entrypoint.errors import EntrypointError, FieldRefused, MeasurementError
from entrypoint.geometry.planes import angle_deg
from entrypoint.planning import after_findings as judge
from entrypoint.planning.after_frames import Overlay, overlay_of
from entrypoint.planning.after_look import Looked, look_along
from entrypoint.planning.after_model import (
    AfterPlacement,
    AgainstPlan,
    Compared,
    Depth,
    Frames,
    PlacedPath,
    Sensor,
    WhereFrom,
)
from entrypoint.planning.after_path import (
    Line,
    OnBefore,
    line_of,
    measured_after,
    measured_before,
)
from entrypoint.planning.ct_parts import CtParts
from entrypoint.planning.findings import ordered
from entrypoint.planning.model import InputInfo, LookedAt, Plan, Side, SidePlan
from entrypoint.planning.odds import combined_sd
from entrypoint.volume.bolt import BoltSearch, FoundBolt, find_bolts
from entrypoint.volume.sensor_thread import SensorThread, follow_sensor

__all__ = ["after_placement"]

FloatArray = NDArray[np.float64]
Progress = Callable[[str], None]
_SIDE_SDS, _SIDE_LEAST_MM = 2.0, 1.5
_DEFINITION_SD_MM = 0.3  # of a bridged inner table: real bone is less even than a smooth surface


def after_placement(
    parts: CtParts,
    *,
    info: InputInfo,
    plan: Plan,
    side: Side,
    before: CtParts | None = None,
    practice: bool = False,
    progress: Progress | None = None,
) -> AfterPlacement:
    """Find the bolt and the sensor, and set them against the plan.

    Parameters
    ----------
    parts : CtParts
        What was found on the scan after placement, with the plan's rule.
    info : InputInfo
        Of that scan.
    plan : Plan
    side : Side
        The patient's side that was planned.
    before : CtParts, optional
        What was found on the plan's own scan; then the two are brought together by the skull.
    practice : bool
    progress : callable, optional

    Returns
    -------
    AfterPlacement

    Raises
    ------
    FieldRefused
        The plan does not plan that side.
    MeasurementError
        No bolt is found; or the plan, or the scan before placement, is of another head.
    """
    say = progress or (lambda _: None)
    planned = plan.sides.get(side)
    if planned is None and plan.sides:
        raise FieldRefused(
            found=f"the plan does not plan the patient's {side.value}",
            expected="the side that was planned, one of " + ", ".join(s.value for s in plan.sides),
            next_step="name that side, or give the plan that was followed",
        )
    child = plan.rule.person == "child" or any(f.code == "child-suspected" for f in plan.findings)
    say("looking for the bolt")
    head = parts.head
    search = find_bolts(head.volume, head.coarse, head.frame)
    if not search.bolts:
        raise _no_bolt(search)
    say("bringing plan and scan together")
    overlay, frames = overlay_of(parts, before, plan)
    bolt = _the_bolt(search, parts, side, planned, overlay)
    away = float(parts.midsagittal.distance_of_mm(bolt.foot_mm))
    told = abs(away) > max(_SIDE_LEAST_MM, _SIDE_SDS * float(head.plane_sd_mm(bolt.foot_mm)[0]))
    nearest = Side.RIGHT if away > 0.0 else Side.LEFT
    line = line_of(parts, bolt, nearest)
    say("following the sensor")
    thread = follow_sensor(head.volume, bolt, head.frame.unit_anterior)
    tip_mm = None if thread is None else thread.tip_depth_mm
    path = measured_after(parts, line, tip_mm)
    on_before: OnBefore | None = None
    if before is not None and overlay is not None:
        say("reading the bone on the scan before placement")
        try:
            on_before = measured_before(
                before, line, path, overlay, tip_mm, child=child
            )
            path = on_before.path
        except EntrypointError as error:
            path = replace(path, skull_why_not=f"{path.skull_why_not}; {error.found}")
    inner_mm, depth = _depth(line, on_before, thread, child)
    sensor = _sensor(bolt, thread, depth)
    looked = _look(parts, line, thread, inner_mm)
    found = nearest if told else None
    against = AgainstPlan()
    if found is side and planned is not None:
        against = _arcs_and_depth(path, sensor, plan, planned, on_before)
        if overlay is not None:
            against = _apart(against, path, sensor, planned, overlay, line, on_before)
    findings = (
        *judge.about_side(side, found, away),
        *judge.about_path(path, against, plan.rule, nearest),
        *judge.about_sensor(sensor, against),
        *judge.about_frames(frames),
        *judge.along_path(looked.found),
        *judge.about_metal(search.others, len(search.bolts)),
    )
    if overlay is not None:
        at = overlay.plan_from_after.apply_point(bolt.foot_mm)
        frames = replace(frames, sd_mm=overlay.sd_at_mm(at), sd_deg=overlay.sd_deg)
    return AfterPlacement(
        tool_version=__version__,
        side_planned=side,
        side_found=found,
        input=info,
        plan_input=plan.input,
        rule=plan.rule,
        frames=frames,
        path=path,
        sensor=sensor,
        against_plan=against,
        along_path=looked.found,
        along_path_judged_to_mm=looked.density_judged_mm,
        findings=ordered(findings),
        looked_at=_looked_at(path, sensor, looked, frames),
        practice=practice or plan.practice,
    )


def _no_bolt(search: BoltSearch) -> MeasurementError:
    seen = "; ".join(f"{count} of {why}" for why, count in search.others)
    return MeasurementError(
        found="no bolt: " + (f"the metal in view is {seen}" if seen else "no metal in view"),
        expected="metal in one piece that stands through the skull",
        next_step="check that this is the scan after placement and that it holds the vault; a bolt "
        "of plastic is not seen in this way",
    )


def _the_bolt(
    search: BoltSearch,
    parts: CtParts,
    side: Side,
    planned: SidePlan | None,
    overlay: Overlay | None,
) -> FoundBolt:
    """The bolt nearest to the planned point; without one, the nearest on the planned side."""
    sign = 1.0 if side is Side.RIGHT else -1.0
    target = None if planned is None else planned.outer_table_mm
    if target is None and planned is not None:
        target = planned.scalp_entry_mm

    def rank(bolt: FoundBolt) -> tuple[bool, float]:
        other = sign * float(parts.midsagittal.distance_of_mm(bolt.foot_mm)) < 0.0
        if target is None or overlay is None:
            return other, -float(bolt.sections)
        at = overlay.plan_from_after.apply_point(bolt.foot_mm)
        return other, float(np.linalg.norm(at - target))

    return min(search.bolts, key=rank)


def _depth(
    line: Line, on_before: OnBefore | None, thread: SensorThread | None, child: bool
) -> tuple[float | None, Depth]:
    """Inner table below the foot, and the tip's depth below it."""
    inner = sd = None
    source: WhereFrom | None = None
    if on_before is not None and on_before.inner_mm is not None:
        inner, sd, source = on_before.inner_mm, on_before.inner_sd_mm, WhereFrom.BEFORE
    elif line.inner is not None:
        inner, source = line.inner.depth_mm, WhereFrom.BRIDGED
        sd = combined_sd(line.inner_sd_mm, _DEFINITION_SD_MM)
    if thread is None:
        return inner, Depth(why_not="the sensor's tip is not seen")
    if inner is None:
        return None, Depth(why_not="metal hides the inner table at the bolt")
    if child:
        return inner, Depth(why_not="no depths are given for a child")
    return inner, Depth(
        below_inner_table_mm=thread.tip_depth_mm - inner,
        sd_mm=combined_sd(thread.sd_mm, sd),
        inner_table_from=source,
    )


def _sensor(bolt: FoundBolt, thread: SensorThread | None, depth: Depth) -> Sensor:
    if thread is None:
        return Sensor(
            depth=depth,
            why_not="no thread stands out of tissue and streaks below the bolt's end, "
            f"{bolt.end_mm:.0f} mm below the outer table",
        )
    return Sensor(
        tip_mm=thread.tip_mm,
        tip_sd_mm=thread.sd_mm,
        seen_share=thread.share,
        off_axis_mm=thread.off_axis_mm,
        depth=depth,
    )


def _look(
    parts: CtParts, line: Line, thread: SensorThread | None, inner_mm: float | None
) -> Looked:
    if inner_mm is None:
        return Looked(found=(), density_judged_mm=None)
    bolt = line.bolt
    tip = thread.tip_depth_mm if thread is not None else max(bolt.end_mm, inner_mm + 10.0)
    offset = np.zeros(3)
    if thread is not None:
        offset = thread.tip_mm - line.at(thread.tip_depth_mm)
    return look_along(
        parts.head.volume,
        bolt,
        inner_mm=inner_mm,
        tip_mm=tip,
        tip_offset_mm=offset,
        midsagittal=parts.midsagittal,
        towards=parts.head.frame.unit_anterior,
    )


def _arcs_and_depth(
    path: PlacedPath,
    sensor: Sensor,
    plan: Plan,
    planned: SidePlan,
    on_before: OnBefore | None,
) -> AgainstPlan:
    """What needs no common frame: the two tapes, and the depth."""
    back = away = arcs_sd = deeper = None
    if path.tapes is not None and planned.tapes is not None:
        back = path.tapes.midline_arc_mm - planned.tapes.midline_taut_mm
        away = path.tapes.lateral_arc_mm - planned.tapes.lateral_taut_mm
        # On one scan both tapes start at one nasion: its error is in neither difference.
        arcs_sd = combined_sd(path.tapes.midline_arc_sd_mm, planned.scalp_entry_sd_along_mm)
        if on_before is not None:
            arcs_sd = on_before.over_sd_mm
    depth = sensor.depth
    if depth.below_inner_table_mm is not None and planned.sensor is not None:
        deeper = depth.below_inner_table_mm - plan.rule.sensor_depth_mm
    return AgainstPlan(
        back_mm=back,
        away_mm=away,
        arcs_sd_mm=arcs_sd,
        deeper_mm=deeper,
        deeper_sd_mm=None if deeper is None else depth.sd_mm,
    )


def _apart(
    against: AgainstPlan,
    path: PlacedPath,
    sensor: Sensor,
    planned: SidePlan,
    overlay: Overlay,
    line: Line,
    on_before: OnBefore | None,
) -> AgainstPlan:
    """The same with straight distances and the angle, in the plan's frame."""
    move = overlay.plan_from_after

    def apart(here: FloatArray | None, there: FloatArray | None) -> float | None:
        if here is None or there is None:
            return None
        return float(np.linalg.norm(move.apply_point(here) - there))

    turned = None
    if planned.unit_inward is not None:
        turned = angle_deg(move.turn(path.unit_inward), planned.unit_inward)
    tip_apart = apart(sensor.tip_mm, planned.sensor_tip_mm)
    # Scalp swells: on the scan before placement the point is that of the plan's own skin.
    entry_apart = apart(path.scalp_entry_mm, planned.scalp_entry_mm)
    if on_before is not None and planned.scalp_entry_mm is not None:
        entry_apart = float(np.linalg.norm(on_before.skin_mm - planned.scalp_entry_mm))
    foot = move.apply_point(path.outer_table_mm)
    return replace(
        against,
        entry_apart_mm=entry_apart,
        outer_table_apart_mm=apart(path.outer_table_mm, planned.outer_table_mm),
        apart_sd_mm=combined_sd(overlay.sd_at_mm(foot), line.sd_at_mm(0.0)),
        turned_deg=turned,
        turned_sd_deg=None if turned is None else combined_sd(path.sd_deg, overlay.sd_deg),
        tip_apart_mm=tip_apart,
        tip_apart_sd_mm=None
        if tip_apart is None or sensor.tip_mm is None
        else combined_sd(sensor.tip_sd_mm, overlay.sd_at_mm(move.apply_point(sensor.tip_mm))),
    )


def _looked_at(path: PlacedPath, sensor: Sensor, looked: Looked, frames: Frames) -> LookedAt:
    checked = [
        "which side of the midsagittal plane the bolt stands on",
        "the bolt's axis",
        "distance to the midline and to the sagittal sinus envelope (published, not this head's "
        "own vein)",
    ]
    could_not = []
    if frames.by is Compared.NOTHING:
        could_not.append(f"distances from the plan ({frames.why_not})")
    else:
        checked.append(f"distances from the plan (by the {frames.by.value})")
    if path.tapes is None:
        could_not.append(f"the entry in tape terms ({path.tapes_why_not})")
    if path.skull_mm is None:
        could_not.append(f"skull thickness at the bolt ({path.skull_why_not})")
    if sensor.tip_mm is None:
        could_not.append(f"the sensor's tip ({sensor.why_not})")
    elif sensor.depth.below_inner_table_mm is None:
        could_not.append(f"the tip's depth below the inner table ({sensor.depth.why_not})")
    else:
        checked.append("the sensor's tip, as far as its thread is seen")
    could_not.append("anything within 3 mm of the metal")
    if looked.density_judged_mm is None:
        could_not.append("density along the path (streaks, or too little in view)")
    else:
        a, b = looked.density_judged_mm
        checked.append(
            f"air and density along the path, {max(a, 0.0):.0f} to {b:.0f} mm below the inner table"
        )
    return LookedAt(
        checked=tuple(checked),
        not_checked=(
            "what the sensor reads, and whether it reads rightly",
            "vessels of the scalp and the brain",
            "cortex and lesions along the path",
            "whether the bolt holds, and the wound",
        ),
        could_not_be_checked=tuple(could_not),
    )
