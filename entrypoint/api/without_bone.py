"""Plans without a scan of bone: from landmarks, a scalp surface, or tape measures."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from entrypoint.api.common import (
    BOTH_SIDES,
    as_practice,
    checked_rule,
    checked_sides,
    finished,
    name_of,
)
from entrypoint.errors import FieldRefused
from entrypoint.io.landmarks import LandmarkSet, read_landmarks
from entrypoint.io.limits import check_value
from entrypoint.planning.hand_model import HandOptions
from entrypoint.planning.model import InputInfo, InputKind, Plan, Rule, Side

if TYPE_CHECKING:
    from entrypoint.io.mesh import SurfaceMesh

MEASURES = ("nasion_inion_mm", "tragus_tragus_mm", "circumference_mm", "interpupillary_mm")


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

    rule = checked_rule(rule)
    given = landmarks if isinstance(landmarks, LandmarkSet) else read_landmarks(landmarks)
    info = InputInfo(
        kind=InputKind.LANDMARKS,
        name=name_of(label, given.sha256),
        sha256=given.sha256,
        unit=given.unit,
        space=given.space,
    )
    plan = plan_from_landmarks(
        dict(given.points_mm),
        coronal_suture_mm=given.coronal_suture_mm,
        info=info,
        rule=rule,
        sides=checked_sides(sides),
    )
    return as_practice(finished(plan, hand, prefer_side), given.practice)


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

    rule = checked_rule(rule)
    given = landmarks if isinstance(landmarks, LandmarkSet) else read_landmarks(landmarks)
    if isinstance(surface, str | Path):
        surface = mesh.read_surface(surface, unit=unit, space=space or given.space)
    sha256 = hashlib.sha256((surface.sha256 + given.sha256).encode()).hexdigest()
    info = InputInfo(
        kind=InputKind.SCALP,
        name=name_of(label, sha256),
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
        sides=checked_sides(sides),
    )
    return as_practice(finished(plan, hand, prefer_side), given.practice)


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

    rule = checked_rule(rule)
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
        kind=InputKind.TAPE, name=name_of(label, sha256), sha256=sha256, measures_mm=given
    )
    plan = plan_from_tape(given, info=info, rule=rule, sides=checked_sides(sides))
    return finished(plan, hand, prefer_side)
