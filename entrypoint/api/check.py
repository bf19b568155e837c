"""Paths of one's own, checked on a head CT."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from entrypoint.api.common import Progress
from entrypoint.api.on_ct import plan_ct_with_parts
from entrypoint.errors import FieldRefused
from entrypoint.io.check_record import checked_paths, read_check, read_paths
from entrypoint.io.landmarks import LandmarkSet
from entrypoint.io.nifti import LoadedVolume
from entrypoint.planning.given_path_model import GivenPath, PathCheck, Within
from entrypoint.planning.model import Plan, Rule

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["check_ct", "check_text", "read_plan_or_path"]

_MOST_DEG, _MOST_MM = 15.0, 15.0


def check_ct(
    volume: LoadedVolume | str | Path,
    paths: GivenPath | Iterable[GivenPath] | str | Path,
    *,
    within: Within | None = None,
    series: str | int | None = None,
    landmarks: LandmarkSet | str | Path | None = None,
    rule: Rule | None = None,
    label: str | None = None,
    progress: Progress | None = None,
) -> PathCheck:
    """Check one or more paths of one's own on a head CT.

    Parameters
    ----------
    volume : LoadedVolume, or path of a NIfTI file or a DICOM series
    paths : GivenPath, several of them, or path of a file of paths
        World RAS mm; a file states its own space.
    within : Within, optional
        How far each path is let stray when its worst figures are looked for; by default 4 degrees
        and 5 mm.
    series, landmarks, rule, label, progress
        As of :func:`entrypoint.plan_ct`; the rule gives the margins.

    Returns
    -------
    PathCheck
        Among several, a path that is refused says why.

    Raises
    ------
    InputError, MeasurementError
        Also where every path is refused: the reason of the first.
    """
    near = Within() if within is None else within
    for what, reach, most in (
        ("within_deg", near.within_deg, _MOST_DEG), ("within_mm", near.within_mm, _MOST_MM),
    ):  # fmt: skip
        if not 0.0 <= reach <= most:
            raise FieldRefused(
                found=f"{what} is {reach:g}",
                expected=f"0 to {most:g}",
                next_step="check the number and its unit",
            )
    if isinstance(paths, GivenPath):
        paths = [paths]
    given: Sequence[GivenPath] = (
        read_paths(paths) if isinstance(paths, str | Path) else checked_paths(paths)
    )
    plan, parts = plan_ct_with_parts(
        volume, series=series, landmarks=landmarks, rule=rule, label=label, progress=progress
    )
    from entrypoint.planning.given_check import check_paths

    return check_paths(parts, plan, given, within=near, progress=progress)


def check_text(check: PathCheck, *, brief: bool = False) -> str:
    """The check as plain text, as the command prints it into a pipe."""
    from entrypoint.report.check_text import check_document
    from entrypoint.report.plain import render

    return render(check_document(check, brief=brief))


def read_plan_or_path(path: str | Path, label: str | None = None) -> Plan:
    """A plan from its record, or one path of a check record as a plan.

    Raises
    ------
    FileRefused, FieldRefused
    """
    from entrypoint.io.landmarks import read_text
    from entrypoint.io.record import PLAN, loads
    from entrypoint.io.strict_json import parse

    text = read_text(path, what=PLAN.the)
    data = parse(text, what=PLAN.the)
    if isinstance(data, dict) and data.get("record") == "entrypoint.check":
        from entrypoint.planning.given_check import plan_of_path

        return plan_of_path(read_check(path), label)
    if label is not None:
        raise FieldRefused(
            found="a path is named, and the record is a plan's",
            expected="a check record (check --json)",
            next_step="leave --path out",
        )
    return loads(text)
