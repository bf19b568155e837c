"""Plans, site maps and tables of rules from a head CT."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterable
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

from entrypoint.api.common import (
    BOTH_SIDES,
    Progress,
    as_practice,
    checked_rule,
    checked_sides,
    finished,
    landmarks_of,
    name_of,
)
from entrypoint.io.landmarks import LandmarkSet
from entrypoint.io.limits import check_value
from entrypoint.io.nifti import LoadedVolume
from entrypoint.io.volume_file import read_volume_file
from entrypoint.planning.hand_model import HandOptions
from entrypoint.planning.model import InputInfo, InputKind, Plan, Rule, Side

if TYPE_CHECKING:
    from entrypoint.planning.ct_parts import CtParts
    from entrypoint.planning.map_on_ct import MapOnCt
    from entrypoint.planning.rule_table_model import RuleTable


def plan_ct(
    volume: LoadedVolume | str | Path,
    *,
    series: str | int | None = None,
    landmarks: LandmarkSet | str | Path | None = None,
    rule: Rule | None = None,
    sides: Iterable[Side | str] = BOTH_SIDES,
    label: str | None = None,
    hand: HandOptions | None = None,
    prefer_side: Side | str | None = Side.RIGHT,
    progress: Progress | None = None,
) -> Plan:
    """Plan from a head CT.

    Parameters
    ----------
    volume : LoadedVolume, or path of a NIfTI file or of a DICOM folder, archive or file
    series : str, int or None
        Which DICOM series of several, where a path is given.
    landmarks : LandmarkSet or path, optional
        Overrides what would be found.
    rule : Rule, optional
        Defaults as in ``Rule()``.
    sides : of the patient
    label : str, optional
        A short name for the outputs; without it a code from the hash.
    hand : HandOptions, optional
        Simulate placements by hand, on top of the plan's own errors.
    prefer_side : Side, str or None
        One row of the comparison of two sides; by default the usual one, the right.
    progress : function of one short text, optional

    Returns
    -------
    Plan

    Raises
    ------
    InputError, MeasurementError
    """
    plan, parts = plan_ct_with_parts(
        volume, series=series, landmarks=landmarks, rule=rule, sides=sides, label=label,
        progress=progress,
    )  # fmt: skip
    if hand is None:
        return finished(plan, None, prefer_side)
    from entrypoint.planning.ct_parts import charts_of

    return finished(plan, hand, prefer_side, charts_of(parts, plan.sides))


def plan_ct_with_parts(
    volume: LoadedVolume | str | Path,
    *,
    series: str | int | None = None,
    landmarks: LandmarkSet | str | Path | None = None,
    rule: Rule | None = None,
    sides: Iterable[Side | str] = BOTH_SIDES,
    label: str | None = None,
    progress: Progress | None = None,
) -> tuple[Plan, CtParts]:
    """A plan on a CT with what it was made from; arguments as of :func:`plan_ct`."""
    rule = checked_rule(rule)
    given = landmarks_of(landmarks)
    # Decompression holds no lock: the planning modules are imported on the other core meanwhile.
    importing = threading.Thread(target=_import_planning, daemon=True)
    importing.start()
    loaded = volume if isinstance(volume, LoadedVolume) else read_volume_file(volume, series)
    importing.join()
    from entrypoint.planning.ct import plan_from_parts
    from entrypoint.planning.ct_parts import ct_parts

    grid = loaded.volume.grid
    info = InputInfo(
        kind=InputKind.CT,
        name=name_of(label, loaded.sha256),
        sha256=loaded.sha256,
        shape=grid.shape,
        voxel_mm=grid.voxel_mm,
        world_matrix_from=loaded.facts.world_matrix_from,
        unit="mm" if loaded.facts.unit == "unknown" else loaded.facts.unit,
    )
    parts = ct_parts(
        loaded.volume.canonical(),
        rule=rule,
        landmarks=dict(given.points_mm) if given else None,
        coronal_suture_mm=given.coronal_suture_mm if given else None,
        progress=progress,
    )
    plan = plan_from_parts(parts, info=info, sides=checked_sides(sides), facts=loaded.facts)
    plan = as_practice(plan, loaded.practice or (given is not None and given.practice))
    return plan, parts


def map_ct(
    volume: LoadedVolume | str | Path,
    *,
    series: str | int | None = None,
    landmarks: LandmarkSet | str | Path | None = None,
    rule: Rule | None = None,
    sides: Iterable[Side | str] = BOTH_SIDES,
    label: str | None = None,
    hand: HandOptions | None = None,
    progress: Progress | None = None,
) -> MapOnCt:
    """Map the site on a head CT: where every margin holds, and how rules fall in it.

    Parameters
    ----------
    volume, series, landmarks, rule, sides, label, progress
        As of :func:`plan_ct`.
    hand : HandOptions, optional
        Add what simulated hands add to the place of the mark.

    Returns
    -------
    MapOnCt
        ``map`` is the record; ``charts`` and ``fields`` hold the grids.

    Raises
    ------
    InputError, MeasurementError
    """
    from entrypoint.planning.map_on_ct import map_on_ct

    plan, parts = plan_ct_with_parts(
        volume, series=series, landmarks=landmarks, rule=rule, sides=sides, label=label,
        progress=progress,
    )  # fmt: skip
    return map_on_ct(plan, parts, hand=hand, progress=progress)


def vary_ct(
    volume: LoadedVolume | str | Path,
    *,
    midline_arcs_mm: Iterable[float],
    lateral_arcs_mm: Iterable[float],
    series: str | int | None = None,
    landmarks: LandmarkSet | str | Path | None = None,
    rule: Rule | None = None,
    sides: Iterable[Side | str] = BOTH_SIDES,
    label: str | None = None,
    progress: Progress | None = None,
) -> RuleTable:
    """Tabulate every figure on a head CT over a grid of rules.

    Parameters
    ----------
    midline_arcs_mm, lateral_arcs_mm : iterable of float
        Every one of the first with every one of the second; at most 2,000 rules.
    volume, series, landmarks, rule, sides, label, progress
        As of :func:`plan_ct`; the rule gives margins, depths and seat.

    Raises
    ------
    InputError, MeasurementError
    """
    from entrypoint.planning.rule_table import grid_of, rule_table

    midline, lateral = grid_of(midline_arcs_mm, lateral_arcs_mm)
    for name, arcs in (("midline_arc_mm", midline), ("lateral_arc_mm", lateral)):
        check_value(name, float(arcs.min()))
        check_value(name, float(arcs.max()))
    plan, parts = plan_ct_with_parts(
        volume, series=series, landmarks=landmarks, rule=rule, sides=sides, label=label,
        progress=progress,
    )  # fmt: skip
    return rule_table(plan, parts, set(midline), set(lateral), progress=progress)


def _import_planning() -> None:
    # An error here is met again, and raised, by the import that follows.
    with contextlib.suppress(Exception):
        import_module("entrypoint.planning.ct")
        import_module("scipy.ndimage")
