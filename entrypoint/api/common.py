"""What every way of planning shares: reading, checking what was given, finishing a plan."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from entrypoint.errors import FieldRefused
from entrypoint.io.landmarks import LandmarkSet, read_landmarks
from entrypoint.io.limits import check_hand, check_rule
from entrypoint.io.nifti import LoadedVolume, short_code
from entrypoint.io.volume_file import read_volume_file
from entrypoint.planning.hand_model import HandOptions
from entrypoint.planning.model import Plan, Rule, Side

if TYPE_CHECKING:
    from entrypoint.io.mesh import SurfaceMesh
    from entrypoint.planning.site_chart import SiteChart

BOTH_SIDES = (Side.RIGHT, Side.LEFT)
Progress = Callable[[str], None]
_LONGEST_LABEL = 40


def read_volume(path: str | Path, *, series: str | int | None = None) -> LoadedVolume:
    """Read a CT volume: a NIfTI file, or a folder, zip archive or file of a DICOM series.

    Parameters
    ----------
    path : path
    series : str, int or None
        Which DICOM series of several: a number of the list, or a series instance UID.

    Raises
    ------
    FileRefused, OrientationRefused, UnitRefused, FieldRefused
    """
    return read_volume_file(path, series)


def read_surface(path: str | Path, *, unit: str, space: str) -> SurfaceMesh:
    """Read a scalp surface (.stl, .ply, .obj, .glb), its unit and space stated.

    Raises
    ------
    FileRefused, UnitRefused
    """
    from entrypoint.io import mesh

    return mesh.read_surface(path, unit=unit, space=space)


def plan_text(plan: Plan, *, brief: bool = False) -> str:
    """The plan as plain text, as the command prints it into a pipe."""
    from entrypoint.report.plain import render
    from entrypoint.report.text import plan_document

    return render(plan_document(plan, brief=brief))


def finished(
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
    return with_comparison(plan, None if prefer_side is None else checked_sides([prefer_side])[0])


def checked_rule(rule: Rule | None) -> Rule:
    """The rule, or the usual one; refused by name where a value is beyond its limits."""
    rule = Rule() if rule is None else rule
    check_rule(rule)
    return rule


def checked_sides(sides: Iterable[Side | str]) -> tuple[Side, ...]:
    """Sides in their usual order; refused by name where there is none."""
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


def landmarks_of(landmarks: LandmarkSet | str | Path | None) -> LandmarkSet | None:
    """Landmarks as they are, or read from a file."""
    if landmarks is None or isinstance(landmarks, LandmarkSet):
        return landmarks
    return read_landmarks(landmarks)


def name_of(label: str | None, sha256: str) -> str:
    """The label, or a short code from the hash: never a file's name."""
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


def as_practice(plan: Plan, practice: bool) -> Plan:
    """The plan, marked as of an invented head where its input says so."""
    return dataclasses.replace(plan, practice=True) if practice and not plan.practice else plan
