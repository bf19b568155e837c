"""Findings about a scan after placement: figures in, findings out. Texts describe; none orders."""

from __future__ import annotations

import math
from collections.abc import Iterable

from entrypoint.planning import findings as judge
from entrypoint.planning.after_model import (
    AgainstPlan,
    Along,
    Compared,
    Frames,
    PlacedPath,
    Sensor,
    Something,
)
from entrypoint.planning.finding_kinds import make
from entrypoint.planning.model import Clearance, Finding, Level, Rule, Side
from entrypoint.planning.odds import combined_sd, count_of
from entrypoint.reference import value

__all__ = ["about_frames", "about_metal", "about_path", "about_sensor", "about_side", "along_path"]

_SEEN_WELL = 0.85  # of the sensor's length


def _up(mm: float) -> float:
    return math.ceil(mm * 10.0 - 1e-6) / 10.0


def about_side(planned: Side, found: Side | None, from_plane_mm: float) -> tuple[Finding, ...]:
    """The side found against the side planned."""
    if found is planned:
        return ()
    if found is None:
        text = (
            f"the bolt stands {abs(from_plane_mm):.0f} mm from the midsagittal plane: too near for "
            f"its side to be told; planned was the PATIENT'S {planned.value.upper()}"
        )
    else:
        text = (
            f"the bolt stands on the PATIENT'S {found.value.upper()}; planned was the PATIENT'S "
            f"{planned.value.upper()}"
        )
    return (make("after-side", Level.STOP, text, value=from_plane_mm, figures=("side_found",)),)


def about_frames(frames: Frames) -> tuple[Finding, ...]:
    """How plan and scan were brought together."""
    if frames.by is Compared.SKULL:
        return ()
    if frames.by is Compared.NOTHING:
        text = f"plan and scan could not be brought into one frame: {frames.why_not}"
        return (make("after-not-compared", Level.CAUTION, text, figures=("against_plan",)),)
    text = (
        f"plan and scan were brought together by {', '.join(frames.landmarks)}, not by the skull: "
        "distances from the plan are less exact, and not every exchange of heads would be noticed"
    )
    return (make("after-by-landmarks", Level.NOTE, text, value=frames.sd_mm),)


def about_path(
    path: PlacedPath, against: AgainstPlan, rule: Rule, side: Side
) -> tuple[Finding, ...]:
    """The path as achieved: margins, tilt, away from the plan, bone that is hidden."""
    out: list[Finding] = []
    out += _suture(path.clearance, rule)
    out += judge.midline_margin(path.clearance, rule)
    out += judge.sinus_envelope(path.clearance, rule, side)
    tilt = value("tilt_limit")
    if path.tilt_deg > tilt:
        out.append(
            make(
                "after-tilt",
                Level.CAUTION,
                f"the bolt leans {path.tilt_deg:.0f} degrees (± {2 * path.tilt_sd_deg:.0f}) from "
                "square to the outer table",
                value=path.tilt_deg,
                limit=tilt,
                unit="deg",
                figures=("path.tilt_deg",),
            )
        )
    out += _away(against)
    if path.skull_from is None:
        out.append(
            make(
                "after-hidden",
                Level.NOTE,
                f"no skull thickness at the bolt: {path.skull_why_not}",
                figures=("path.skull_mm",),
            )
        )
    return tuple(out)


def _suture(clearance: Clearance, rule: Rule) -> tuple[Finding, ...]:
    have, p = clearance.suture_nearest_mm, clearance.p_suture_below_margin
    if have is None or p is None:
        return ()
    if have >= rule.suture_margin_mm and p <= value("probability_caution"):
        return ()
    sd = combined_sd(clearance.suture_sd_mm, clearance.suture_definition_sd_mm)
    where = (
        f"{math.floor(have + 1e-9)} mm in front of the coronal suture"
        if have >= 0.0
        else f"{math.ceil(-have - 1e-9)} mm behind the coronal suture"
    )
    return (
        make(
            "after-suture",
            Level.CAUTION,
            f"the path meets the outer table {where} (± {_up(1.96 * sd):.1f} mm); nearer than "
            f"{rule.suture_margin_mm:.0f} mm with a probability of about {count_of(p, 100)} in 100",
            value=have,
            limit=rule.suture_margin_mm,
            figures=("path.clearance.suture_nearest_mm",),
        ),
    )


def _away(against: AgainstPlan) -> tuple[Finding, ...]:
    apart, turned = against.outer_table_apart_mm, against.turned_deg
    parts, most = [], None
    if apart is not None and apart > value("after_place_limit"):
        parts.append(
            f"{apart:.0f} mm (± {_up(1.96 * (against.apart_sd_mm or 0.0)):.1f}) on the outer table"
        )
        most = apart
    if turned is not None and turned > value("after_turn_limit"):
        parts.append(
            f"{turned:.0f} degrees (± {math.ceil(1.96 * (against.turned_sd_deg or 0.0)):.0f})"
        )
    if not parts:
        return ()
    return (
        make(
            "after-away-from-plan",
            Level.CAUTION,
            "the path lies away from the planned one by " + " and ".join(parts),
            value=most if most is not None else turned,
            limit=value("after_place_limit") if most is not None else value("after_turn_limit"),
            unit="mm" if most is not None else "deg",
            figures=("against_plan.outer_table_apart_mm", "against_plan.turned_deg"),
        ),
    )


def about_sensor(sensor: Sensor, against: AgainstPlan) -> tuple[Finding, ...]:
    """The sensor: seen or not, its tip, its depth."""
    out: list[Finding] = []
    if sensor.tip_mm is None:
        out.append(
            make(
                "after-sensor-unseen",
                Level.CAUTION,
                f"the sensor's tip cannot be judged: {sensor.why_not}",
                figures=("sensor.tip_mm", "sensor.depth.below_inner_table_mm"),
            )
        )
        return tuple(out)
    if sensor.seen_share is not None and sensor.seen_share < _SEEN_WELL:
        out.append(
            make(
                "after-sensor-unseen",
                Level.NOTE,
                f"about {100 * sensor.seen_share:.0f} % of the sensor's length below the bolt is "
                "seen; its tip is the deepest part that is seen",
                value=sensor.seen_share,
                unit="1",
                figures=("sensor.tip_mm",),
            )
        )
    limit = value("after_bent_limit")
    if sensor.off_axis_mm is not None and sensor.off_axis_mm > limit:
        out.append(
            make(
                "after-bent",
                Level.CAUTION,
                f"the tip lies {sensor.off_axis_mm:.1f} mm off the bolt's axis",
                value=sensor.off_axis_mm,
                limit=limit,
                figures=("sensor.off_axis_mm",),
            )
        )
    out += _depth(sensor, against)
    return tuple(out)


def _depth(sensor: Sensor, against: AgainstPlan) -> tuple[Finding, ...]:
    depth, sd = sensor.depth.below_inner_table_mm, sensor.depth.sd_mm or 0.0
    if depth is None:
        return ()
    if depth - 1.96 * sd <= 0.0:
        level = Level.STOP if depth <= 0.0 else Level.CAUTION
        where = "outside" if depth <= 0.0 else "inside"
        return (
            make(
                "after-tip-outside",
                level,
                f"the tip lies {abs(depth):.1f} mm {where} the inner table "
                f"(± {_up(1.96 * sd):.1f} mm)",
                value=depth,
                limit=0.0,
                figures=("sensor.depth.below_inner_table_mm",),
            ),
        )
    limit, deeper = value("after_depth_limit"), against.deeper_mm
    if deeper is None or abs(deeper) <= limit:
        return ()
    return (
        make(
            "after-tip-depth",
            Level.CAUTION,
            f"the tip lies {abs(deeper):.1f} mm {'deeper' if deeper > 0 else 'shallower'} below "
            f"the inner table than planned (± {_up(1.96 * (against.deeper_sd_mm or sd)):.1f} mm)",
            value=deeper,
            limit=limit,
            figures=("against_plan.deeper_mm",),
        ),
    )


def along_path(found: Iterable[Along]) -> tuple[Finding, ...]:
    """Something to look at; never what it is."""
    out = []
    for one in found:
        what = "like air" if one.kind is Something.AIR else "denser than brain"
        out.append(
            make(
                "after-look",
                Level.NOTE,
                f"something to look at: the scan reads {what} (about {one.hu:.0f} HU) from "
                f"{max(one.from_mm, 0.0):.0f} to {one.to_mm:.0f} mm below the inner table, "
                f"{one.off_path_mm:.0f} mm and more from the path",
                value=one.hu,
                unit="HU",
                figures=("along_path",),
            )
        )
    return tuple(out)


def about_metal(others: Iterable[tuple[str, int]], bolts: int) -> tuple[Finding, ...]:
    """Other metal, and other bolts."""
    out: list[Finding] = []
    if bolts > 1:
        out.append(
            make(
                "after-other-bolt",
                Level.CAUTION,
                f"{bolts} pieces of metal stand through the skull as a bolt does; these figures "
                "are of one of them",
                value=float(bolts),
                unit="pieces",
                figures=("path",),
            )
        )
    told = [f"{count} of {why}" for why, count in others]
    if told:
        out.append(make("after-other-metal", Level.NOTE, "pieces of other metal: "
                        + "; ".join(told)))  # fmt: skip
    return tuple(out)
