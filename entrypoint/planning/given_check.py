"""Several paths of one's own on one scan: each checked by itself, then put in a stated order."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from entrypoint import __version__
from entrypoint.errors import EntrypointError, FieldRefused
from entrypoint.planning.ct_parts import CtParts
from entrypoint.planning.given_path import check_path
from entrypoint.planning.given_path_model import CheckedPath, GivenPath, PathCheck, Within
from entrypoint.planning.given_worst import in_order
from entrypoint.planning.model import LateralBy, Plan

__all__ = ["check_paths", "plan_of_path"]


def check_paths(
    parts: CtParts,
    plan: Plan,
    paths: Iterable[GivenPath],
    *,
    within: Within,
    progress: Callable[[str], None] | None = None,
) -> PathCheck:
    """Check paths on a scan of which the plan has been made.

    Parameters
    ----------
    parts : CtParts
    plan : Plan
        Of the same parts, both sides.
    paths : iterable of GivenPath
        With labels that differ.
    within : Within
    progress : callable, optional

    Returns
    -------
    PathCheck
        A path that is refused among others is one that says why.

    Raises
    ------
    EntrypointError
        Every path is refused: the reason of the first.
    """
    say = progress or (lambda _: None)
    child = plan.rule.person == "child" or any(f.code == "child-suspected" for f in plan.findings)
    checked: list[CheckedPath] = []
    first: EntrypointError | None = None
    for given in paths:
        say(f"following the path {given.label}")
        try:
            checked.append(check_path(parts, given, child=child, within=within))
        except EntrypointError as error:
            first = first or error
            checked.append(
                CheckedPath(
                    label=given.label, side=given.side, aim=given.aim,
                    given_skin_mm=given.skin_point_mm, given_tip_mm=given.tip_point_mm,
                    refused=str(error), refused_exit=error.exit_code,
                )
            )  # fmt: skip
    if first is not None and all(path.path is None for path in checked):
        raise first
    return PathCheck(
        tool_version=__version__,
        input=plan.input,
        rule=plan.rule,
        within=within,
        paths=tuple(checked),
        order=in_order(checked),
        rule_sides=plan.sides,
        landmarks=plan.landmarks,
        midsagittal_plane=plan.midsagittal_plane,
        coronal_suture=plan.coronal_suture,
        findings=plan.findings,
        quality=plan.quality,
        practice=plan.practice,
    )


def plan_of_path(check: PathCheck, label: str | None = None) -> Plan:
    """One checked path as a plan of its side, for whatever reads a plan.

    Parameters
    ----------
    check : PathCheck
    label : str, optional
        Which path; needed where the record holds several.

    Returns
    -------
    Plan
        ``given_path`` names the path; its rule holds the tape distances at which the point lies.

    Raises
    ------
    FieldRefused
        No such path, none named among several, or one that was refused.
    """
    names = [path.label for path in check.paths]
    if label is None and len(names) == 1:
        label = names[0]
    path = next((p for p in check.paths if p.label == label), None)
    if path is None:
        raise FieldRefused(
            found="no path is named" if label is None else f"no path is called {label!r}",
            expected=f"one of {', '.join(names)}",
            next_step="name it with --path",
        )
    if path.path is None:
        raise FieldRefused(
            found=f"the path {label} was refused ({(path.refused or '').rstrip('.')})",
            expected="a path with figures",
            next_step="correct it and check again",
        )
    rule, tapes, sensor = check.rule, path.path.tapes, path.path.sensor
    if tapes is not None:
        rule = replace(
            rule, midline_arc_mm=tapes.midline_taut_mm, lateral_arc_mm=tapes.lateral_taut_mm,
            lateral_by=LateralBy.ARC,
        )  # fmt: skip
    if sensor is not None:
        rule = replace(rule, sensor_depth_mm=sensor.below_inner_table_mm)
    return Plan(
        tool_version=check.tool_version,
        input=check.input,
        rule=rule,
        sides={path.side: path.path},
        landmarks=check.landmarks,
        midsagittal_plane=check.midsagittal_plane,
        coronal_suture=check.coronal_suture,
        findings=check.findings,
        looked_at=path.looked_at,
        quality=check.quality,
        practice=check.practice,
        given_path=path.label,
    )
