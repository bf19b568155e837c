"""Everything that the command line does, in a few lines of Python.

Each function reads or plans one thing; planning itself is in :mod:`entrypoint.planning`.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from entrypoint.errors import FieldRefused
from entrypoint.io.landmarks import LandmarkSet, read_landmarks
from entrypoint.io.limits import check_hand, check_rule, check_value
from entrypoint.io.nifti import LoadedVolume, read_nifti, short_code
from entrypoint.io.record import read_plan, write_plan
from entrypoint.planning.hand_model import HandOptions
from entrypoint.planning.model import InputInfo, InputKind, Plan, Rule, Side

if TYPE_CHECKING:
    from entrypoint.io.mesh import SurfaceMesh
    from entrypoint.planning.ct_parts import CtParts
    from entrypoint.planning.map_on_ct import MapOnCt
    from entrypoint.planning.rule_table_model import RuleTable
    from entrypoint.planning.site_chart import SiteChart

__all__ = [
    "BOTH_SIDES",
    "draw",
    "map_ct",
    "plan_ct",
    "plan_landmarks",
    "plan_scalp",
    "plan_tape",
    "plan_text",
    "read_landmarks",
    "read_plan",
    "read_surface",
    "read_volume",
    "vary_ct",
    "write_plan",
]

BOTH_SIDES = (Side.RIGHT, Side.LEFT)
MEASURES = ("nasion_inion_mm", "tragus_tragus_mm", "circumference_mm", "interpupillary_mm")
Progress = Callable[[str], None]
_LONGEST_LABEL = 40


def read_volume(path: str | Path) -> LoadedVolume:
    """Read a CT volume (.nii or .nii.gz).

    Raises
    ------
    FileRefused, OrientationRefused, UnitRefused
    """
    return read_nifti(path)


def read_surface(path: str | Path, *, unit: str, space: str) -> SurfaceMesh:
    """Read a scalp surface (.stl, .ply, .obj, .glb), its unit and space stated.

    Raises
    ------
    FileRefused, UnitRefused
    """
    from entrypoint.io import mesh

    return mesh.read_surface(path, unit=unit, space=space)


def plan_ct(
    volume: LoadedVolume | str | Path,
    *,
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
    volume : LoadedVolume, or path of a NIfTI file
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
    plan, parts = _on_ct(volume, landmarks, rule, sides, label, progress)
    if hand is None:
        return _finished(plan, None, prefer_side)
    from entrypoint.planning.ct_parts import charts_of

    return _finished(plan, hand, prefer_side, charts_of(parts, plan.sides))


def _on_ct(
    volume: LoadedVolume | str | Path,
    landmarks: LandmarkSet | str | Path | None,
    rule: Rule | None,
    sides: Iterable[Side | str],
    label: str | None,
    progress: Progress | None,
) -> tuple[Plan, CtParts]:
    """A plan on a CT with what it was made from."""
    rule = _rule(rule)
    given = _landmarks(landmarks)
    # Decompression holds no lock: the planning modules are imported on the other core meanwhile.
    importing = threading.Thread(target=_import_planning, daemon=True)
    importing.start()
    loaded = volume if isinstance(volume, LoadedVolume) else read_nifti(volume)
    importing.join()
    from entrypoint.planning.ct import plan_from_parts
    from entrypoint.planning.ct_parts import ct_parts

    grid = loaded.volume.grid
    info = InputInfo(
        kind=InputKind.CT,
        name=_name(label, loaded.sha256),
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
    plan = plan_from_parts(parts, info=info, sides=_sides(sides), facts=loaded.facts)
    plan = _practice(plan, loaded.practice or (given is not None and given.practice))
    return plan, parts


def map_ct(
    volume: LoadedVolume | str | Path,
    *,
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
    volume, landmarks, rule, sides, label, progress
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

    plan, parts = _on_ct(volume, landmarks, rule, sides, label, progress)
    return map_on_ct(plan, parts, hand=hand, progress=progress)


def vary_ct(
    volume: LoadedVolume | str | Path,
    *,
    midline_arcs_mm: Iterable[float],
    lateral_arcs_mm: Iterable[float],
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
    volume, landmarks, rule, sides, label, progress
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
    plan, parts = _on_ct(volume, landmarks, rule, sides, label, progress)
    return rule_table(plan, parts, set(midline), set(lateral), progress=progress)


def draw(*given: Any, **options: Any) -> Iterator[Any]:
    """Draw the pictures of a plan: :func:`entrypoint.figures.pictures.draw`, loaded late."""
    drawn: Iterator[Any] = import_module("entrypoint.figures.pictures").draw(*given, **options)
    return drawn


def plan_landmarks(
    landmarks: LandmarkSet | str | Path,
    *,
    rule: Rule | None = None,
    sides: Iterable[Side | str] = BOTH_SIDES,
    label: str | None = None,
    hand: HandOptions | None = None,
    prefer_side: Side | str | None = Side.RIGHT,
) -> Plan:
    """Plan from landmarks alone, with a scalp fitted between them.

    Raises
    ------
    InputError, GeometryError
    """
    from entrypoint.planning.landmark_head import plan_from_landmarks

    rule = _rule(rule)
    given = landmarks if isinstance(landmarks, LandmarkSet) else read_landmarks(landmarks)
    info = InputInfo(
        kind=InputKind.LANDMARKS,
        name=_name(label, given.sha256),
        sha256=given.sha256,
        unit=given.unit,
        space=given.space,
    )
    plan = plan_from_landmarks(
        dict(given.points_mm),
        coronal_suture_mm=given.coronal_suture_mm,
        info=info,
        rule=rule,
        sides=_sides(sides),
    )
    return _practice(_finished(plan, hand, prefer_side), given.practice)


def plan_scalp(
    surface: SurfaceMesh | str | Path,
    landmarks: LandmarkSet | str | Path,
    *,
    unit: str | None = None,
    space: str | None = None,
    rule: Rule | None = None,
    sides: Iterable[Side | str] = BOTH_SIDES,
    label: str | None = None,
    hand: HandOptions | None = None,
    prefer_side: Side | str | None = Side.RIGHT,
) -> Plan:
    """Plan from a scalp surface with landmarks on it.

    Parameters
    ----------
    surface : SurfaceMesh, or path
    landmarks : LandmarkSet, or path
    unit : "mm", "cm" or "m"; needed with a path
    space : "RAS" or "LPS"; the landmarks' own where it is not given

    Raises
    ------
    InputError, GeometryError, MeasurementError
    """
    from entrypoint.io import mesh
    from entrypoint.planning.surface_head import plan_from_scalp

    rule = _rule(rule)
    given = landmarks if isinstance(landmarks, LandmarkSet) else read_landmarks(landmarks)
    if isinstance(surface, str | Path):
        surface = mesh.read_surface(surface, unit=unit, space=space or given.space)
    sha256 = hashlib.sha256((surface.sha256 + given.sha256).encode()).hexdigest()
    info = InputInfo(
        kind=InputKind.SCALP,
        name=_name(label, sha256),
        sha256=sha256,
        unit=surface.unit,
        space=surface.space,
    )
    plan = plan_from_scalp(
        surface.vertices_mm,
        surface.faces,
        dict(given.points_mm),
        coronal_suture_mm=given.coronal_suture_mm,
        info=info,
        rule=rule,
        sides=_sides(sides),
    )
    return _practice(_finished(plan, hand, prefer_side), given.practice)


def plan_tape(
    measures_mm: Mapping[str, float] | None = None,
    *,
    rule: Rule | None = None,
    sides: Iterable[Side | str] = BOTH_SIDES,
    label: str | None = None,
    hand: HandOptions | None = None,
    prefer_side: Side | str | None = Side.RIGHT,
) -> Plan:
    """Plan from tape measures alone: any subset, or none.

    Parameters
    ----------
    measures_mm : mapping
        ``nasion_inion_mm``, ``tragus_tragus_mm``, ``circumference_mm``, ``interpupillary_mm``.

    Raises
    ------
    InputError
    """
    from entrypoint.planning.tape import plan_from_tape

    rule = _rule(rule)
    given = {name: float(value) for name, value in sorted((measures_mm or {}).items())}
    for name, value in given.items():
        if name not in MEASURES:
            raise FieldRefused(
                found=f"a measure named {name!r}",
                expected="one of " + ", ".join(MEASURES),
                next_step="correct the name",
            )
        check_value(name, value)
    text = ";".join(f"{name}={value!r}" for name, value in given.items())
    sha256 = hashlib.sha256(b"entrypoint.tape.1" + text.encode()).hexdigest()
    info = InputInfo(
        kind=InputKind.TAPE, name=_name(label, sha256), sha256=sha256, measures_mm=given
    )
    plan = plan_from_tape(given, info=info, rule=rule, sides=_sides(sides))
    return _finished(plan, hand, prefer_side)


def plan_text(plan: Plan, *, brief: bool = False) -> str:
    """The plan as plain text, as the command prints it into a pipe."""
    from entrypoint.report.plain import render
    from entrypoint.report.text import plan_document

    return render(plan_document(plan, brief=brief))


def _finished(
    plan: Plan,
    hand: HandOptions | None,
    prefer_side: Side | str | None,
    charts: Mapping[Side, SiteChart] | None = None,
) -> Plan:
    """The plan with simulated hands, where asked for, and its sides beside each other."""
    from entrypoint.planning.side_comparison import with_comparison

    if hand is not None:
        from entrypoint.planning.hand import with_hand

        check_hand(hand)
        plan = with_hand(plan, hand, charts)
    return with_comparison(plan, None if prefer_side is None else _sides([prefer_side])[0])


def _import_planning() -> None:
    # An error here is met again, and raised, by the import that follows.
    with contextlib.suppress(Exception):
        import_module("entrypoint.planning.ct")
        import_module("scipy.ndimage")


def _rule(rule: Rule | None) -> Rule:
    rule = Rule() if rule is None else rule
    check_rule(rule)
    return rule


def _sides(sides: Iterable[Side | str]) -> tuple[Side, ...]:
    names = [sides] if isinstance(sides, str) else list(sides)
    try:
        wanted = {Side(name) for name in names}
    except ValueError:
        wanted = set()
    if not wanted:
        raise FieldRefused(
            found=f"the sides {[str(name) for name in names]}",
            expected='"right", "left" or both',
            next_step="name the patient's side",
        )
    return tuple(side for side in BOTH_SIDES if side in wanted)


def _landmarks(landmarks: LandmarkSet | str | Path | None) -> LandmarkSet | None:
    if landmarks is None or isinstance(landmarks, LandmarkSet):
        return landmarks
    return read_landmarks(landmarks)


def _name(label: str | None, sha256: str) -> str:
    if label is None:
        return short_code(sha256)
    cleaned = " ".join(label.split())
    if not cleaned or len(cleaned) > _LONGEST_LABEL or not cleaned.isprintable():
        raise FieldRefused(
            found="the label is empty, too long or not plain text",
            expected=f"1 to {_LONGEST_LABEL} printable characters",
            next_step="choose a shorter label that names no person",
        )
    return cleaned


def _practice(plan: Plan, practice: bool) -> Plan:
    return dataclasses.replace(plan, practice=True) if practice and not plan.practice else plan
