"""Findings about one side's corridor: numbers in, findings out. Texts say where to look.

Nothing here names a disease, and nothing says that a corridor is free of anything: what was
looked at, and what could not be judged, is told apart by :func:`corridor_looked_at`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from entrypoint.planning import head_findings as about
from entrypoint.planning.corridor import CorridorRead, Reading
from entrypoint.planning.ct_site import Site
from entrypoint.planning.finding_kinds import make
from entrypoint.planning.model import Finding, Level
from entrypoint.reference import value

__all__ = ["corridor_findings", "corridor_looked_at"]

_FLUID_SURE = 2.5  # standard deviations of noise, for a note
_PAST_BLUR_MM = 0.75  # below the bone's own blur, for fluid to have been read at all
_LOOK = "look at it"


def corridor_findings(
    read: CorridorRead, site: Site, *, already: Iterable[Finding] = ()
) -> tuple[Finding, ...]:
    """What a corridor shows, beyond what its site has said.

    Parameters
    ----------
    read : CorridorRead
    site : Site
        Of the same side: its missing bone, metal and air between the tables are findings of
        their own and are not said again.
    already : iterable of Finding
        Raised for this side so far; a swelling named there is not named again.

    Returns
    -------
    tuple of Finding
    """
    codes = {f.code for f in already}
    out: list[Finding] = []
    if "scalp-swelling" not in codes:
        out += _swelling(read)
    out += _air(read)
    if read.air_in_bone_mm is not None and site.air_in_bone_mm is None:
        out.append(about.frontal_sinus(read.air_in_bone_mm))
    said = site.metal_mm is not None and site.metal_mm <= value("bone_missing_radius")
    if read.metal_inside is not None and not said:
        out.append(about.metal(_below(read.metal_inside), on_path=True))
    out += _dense(read)
    out += _denser(read)
    out += _fluid(read)
    out += _ventricle(read)
    return tuple(out)


def corridor_looked_at(read: CorridorRead) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What was checked in the corridor, and what could not be.

    Returns
    -------
    checked, could_not_be_checked : tuples of str
    """
    name = f"PATIENT'S {read.side.value.upper()}"
    at = read.settings
    checked, could_not = [], []
    beside = "" if read.other_seen else " (without the other side beside it)"
    if read.inner_seen and read.density_can_be_judged and not read.metal_near:
        checked.append(
            f"density and air within {at.radius_inside_mm:.0f} mm of the path to "
            f"{at.beyond_tip_mm:.0f} mm beyond the tip{beside}, {name}"
        )
    elif read.metal_near:
        could_not.append(f"density and air along the path, {name} (metal)")
    elif not read.inner_seen:
        could_not.append(f"density and air along the path, {name} (not in view)")
    else:
        checked.append(f"air and metal along the path, {name}")
        could_not.append(f"density along the path, {name} (noise)")
    if not read.other_seen:
        could_not.append(f"the mirrored place of the path, {name} (not in view)")
    if read.ventricle.distance_mm is None:
        could_not.append(f"distance from the tip to a ventricle, {name} ({read.ventricle.why})")
    else:
        checked.append(f"distance from the tip to the nearest fluid space, {name}")
    return tuple(checked), tuple(could_not)


def _below(reading: Reading) -> str:
    return (
        f"{math.floor(reading.from_mm)} to {math.ceil(reading.to_mm)} mm below the inner table "
        "along the path"
    )


def _swelling(read: CorridorRead) -> list[Finding]:
    own, other, limit = read.scalp_mm, read.scalp_other_mm, value("corridor_swelling_limit")
    if own is None or other is None or own - other < limit:
        return []
    return [
        make(
            "scalp-swelling",
            Level.CAUTION,
            f"on this scan the scalp round the path is {own:.1f} mm thick, "
            f"{own - other:.1f} mm more than at the same place on the other side: a swelling moves "
            "the tape and the point",
            value=own - other,
            limit=limit,
            figures=("thickness.scalp_mm", "scalp_entry_mm", "drill_stop.start_on_scalp_mm"),
        )
    ]


def _air(read: CorridorRead) -> list[Finding]:
    out = []
    if read.air_in_scalp is not None:
        deep = read.air_in_scalp
        out.append(
            make(
                "air-near-path",
                Level.CAUTION,
                f"on this scan air lies in the scalp {math.floor(deep.from_mm)} to "
                f"{math.ceil(deep.to_mm)} mm below the skin, within "
                f"{read.settings.radius_bone_mm:.0f} mm of the path: {_LOOK}",
                value=deep.hu,
                limit=value("corridor_air_hu"),
                unit="HU",
                figures=("thickness.scalp_mm",),
            )
        )
    if read.air_inside is not None:
        out.append(
            make(
                "air-near-path",
                Level.CAUTION,
                f"on this scan air lies inside the skull, {_below(read.air_inside)}: {_LOOK}",
                value=read.air_inside.hu,
                limit=value("corridor_air_hu"),
                unit="HU",
                figures=("sensor_tip_mm",),
            )
        )
    return out


def _dense(read: CorridorRead) -> list[Finding]:
    found = read.dense_inside
    if found is None:
        return []
    return [
        make(
            "dense-under-bone",
            Level.CAUTION,
            f"on this scan something as dense as bone or calcification (about {found.hu:.0f} HU) "
            f"lies {_below(found)}: {_LOOK}; the thickness of the skull may hold it",
            value=found.hu,
            limit=value("corridor_calcified_hu"),
            unit="HU",
            figures=("thickness.skull_mm", "drill_stop", "sensor_tip_mm"),
        )
    ]


def _denser(read: CorridorRead) -> list[Finding]:
    found = read.denser
    if found is None:
        return []
    if found.from_mm == 0.0:
        where = (
            f"a layer {math.ceil(found.to_mm)} mm deep of about {found.hu:.0f} HU lies under the "
            "inner table along the path"
        )
    else:
        where = f"about {found.hu:.0f} HU are read {_below(found)}"
    beside = (
        f"the same place on the other side reads {found.other_hu:.0f} HU"
        if found.other_hu is not None
        else f"brain near it reads {read.brain_hu:.0f} HU and the other side is not in view"
    )
    return [
        make(
            "denser-than-brain",
            Level.CAUTION,
            f"on this scan {where}; {beside}: {_LOOK}",
            value=found.hu,
            limit=read.brain_hu + value("corridor_denser"),
            unit="HU",
            figures=("sensor_tip_mm",),
        )
    ]


def _fluid(read: CorridorRead) -> list[Finding]:
    own, other = read.fluid_mm, read.fluid_other_mm
    if own is None or not read.density_can_be_judged:
        return []
    deep = value("corridor_fluid_deep")
    more = None if other is None else own - other
    note = max(value("corridor_fluid_note"), _FLUID_SURE * read.fluid_sd_mm)
    if more is not None and more >= note:
        limit = max(value("corridor_fluid_caution"), value("corridor_sure") * read.fluid_sd_mm)
        level = Level.CAUTION if more >= limit else Level.NOTE
        beside = f"{other:.1f} mm on the other side"
    elif own >= deep and own > read.least_fluid_mm + _PAST_BLUR_MM:
        level, limit = Level.NOTE, deep
        beside = (
            "the other side is not in view"
            if other is None
            else f"{other:.1f} mm on the other side"
        )
    else:
        return []
    return [
        make(
            "fluid-under-bone",
            level,
            f"on this scan it reads like fluid to {own:.1f} mm below the inner table round the "
            f"path, {beside}: {_LOOK}",
            value=own,
            limit=limit if level is Level.CAUTION or own >= deep else note,
            figures=("sensor_tip_mm",),
        )
    ]


def _ventricle(read: CorridorRead) -> list[Finding]:
    away = read.ventricle.distance_mm
    near, nearer = value("ventricle_near_note"), value("ventricle_near_caution")
    if away is None or away >= near:
        return []
    sd = read.ventricle.sd_mm or 0.0
    level = Level.CAUTION if away < nearer else Level.NOTE
    return [
        make(
            "fluid-space-near",
            level,
            f"on this scan a space that reads like fluid lies {math.floor(away)} mm from the "
            f"sensor's tip (95 %: {max(math.floor(away - 1.96 * sd), 0)} to "
            f"{math.ceil(away + 1.96 * sd)}): {_LOOK}",
            value=away,
            limit=nearer if level is Level.CAUTION else near,
            figures=("sensor_tip_mm",),
        )
    ]
