"""Every figure of one side as a row of a page: value, its two spreads, and where it is from.

The drill stop is not among them: it has a box of its own (``drill``).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from entrypoint.planning.model import How, InputKind, Plan, Side, SidePlan
from entrypoint.report.rounding import down, figure_mm, half_width_mm, of_100, tape, up
from entrypoint.report.wording import HOW_WORDS, NOT_KNOWN, SIDE_WORDS

__all__ = ["FigureGroup", "FigureRow", "PointRow", "landmark_rows", "point_rows", "side_groups"]

FloatArray = NDArray[np.float64]
_FROM = {
    InputKind.CT: "read on this scan",
    InputKind.SCALP: "read on this surface",
    InputKind.LANDMARKS: "from the scalp fitted between the landmarks",
    InputKind.TAPE: "the rule of this plan",
}
_PUBLISHED = "published figures of other heads"
_SIMULATED = "simulated placements, measurement and readers together"
_SINUS_ROWS = ("sinus_half_width_right", "sinus_half_width_left", "sinus_envelope_sd")
_READERS_OF = {
    "nasion_skin": "nasion_definition",
    "nasion_bone": "nasion_definition",
    "nasion": "nasion_definition",
    "inion": "inion_definition",
    "inion_bone": "inion_definition",
    "bregma": "bregma_definition",
    "vertex": "vertex_definition",
    "left_preauricular": "preauricular_definition",
    "right_preauricular": "preauricular_definition",
    "left_pupil": "pupil_definition",
    "right_pupil": "pupil_definition",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureRow:
    """One figure in words; an empty spread is one that the record does not hold."""

    name: str
    value: str
    measured: str = ""
    readers: str = ""
    origin: str = ""
    notes: tuple[str, ...] = ()  # keys of the reference rows that stand behind it


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureGroup:
    """Figures that belong together."""

    title: str
    rows: tuple[FigureRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PointRow:
    """A place or a direction in the file's own world, component by component."""

    name: str
    right: str
    anterior: str
    superior: str
    unit: str = "mm"


def half(sd: float | None, unit: str = "mm") -> str:
    """Half of the 95 % interval, in words; empty where there is none."""
    return "" if sd is None else f"± {up(half_width_mm(sd)):.1f} {unit}"


def side_groups(plan: Plan, side: Side) -> tuple[FigureGroup, ...]:
    """All figures of one side but the stop's and the sensor's, in groups.

    Parameters
    ----------
    plan : Plan
    side : Side
    """
    found = plan.sides[side]
    groups = (
        ("Place on the scalp", _place(plan, found)),
        ("Scalp and skull along the path", _thickness(plan, found)),
        ("Coronal suture", _suture(plan, side)),
        ("Midline and sagittal sinus envelope", _midline(plan, found)),
        ("A point that keeps every margin", _moved(plan, found)),
    )
    return tuple(FigureGroup(title=t, rows=tuple(rows)) for t, rows in groups if rows)


def _place(plan: Plan, found: SidePlan) -> list[FigureRow]:
    tapes, origin = found.tapes, _FROM[plan.input.kind]
    rows = []
    if tapes is not None:
        lengths = (
            ("Tape along the midline from the nasion, pulled tight", tapes.midline_taut_mm, True),
            ("the same in contact with the skin", tapes.midline_surface_mm, True),
            ("the same along the bone", tapes.midline_bone_mm, True),
            ("straight line, which no tape reads", tapes.midline_chord_mm, False),
            ("Tape to the side at right angles, pulled tight", tapes.lateral_taut_mm, True),
            ("the same in contact with the skin", tapes.lateral_surface_mm, True),
            ("straight distance from the midline", tapes.lateral_straight_mm, False),
        )
        for name, value, as_tape in lengths:
            if value is not None:
                text = tape(value) if as_tape else figure_mm(value)
                rows.append(FigureRow(name=name, value=text, origin=origin))
    spreads = (
        ("along the midline", found.scalp_entry_sd_along_mm,
         found.scalp_entry_definition_sd_along_mm, "nasion_definition"),
        ("to the side", found.scalp_entry_sd_across_mm,
         found.scalp_entry_definition_sd_across_mm, "plane_definition"),
    )  # fmt: skip
    placed = "as the rule puts it" if plan.given_path is None else "as it was given"
    for where, sd, readers, key in spreads:
        if sd is not None:
            rows.append(
                FigureRow(
                    name=f"Place of the entry, {where}", value=placed,
                    measured=half(sd), readers=half(readers), origin=origin,
                    notes=(key,) if readers else (),
                )
            )  # fmt: skip
    if found.tilt_deg is not None:
        tilt = f"{up(found.tilt_deg):.1f} degrees"
        rows.append(FigureRow(name="Tilt from square to the skull", value=tilt, origin=origin))
    return rows


def _thickness(plan: Plan, found: SidePlan) -> list[FigureRow]:
    t, origin = found.thickness, _FROM[plan.input.kind]
    if plan.input.kind is not InputKind.CT:
        names = ("Scalp thickness", "Skull thickness")
        return [FigureRow(name=n, value="", origin=NOT_KNOWN) for n in names]
    rows = [
        FigureRow(
            name="Scalp", value=figure_mm(t.scalp_mm), measured=half(t.scalp_sd_mm),
            readers=half(t.scalp_definition_sd_mm), origin=origin, notes=("scalp_definition",),
        ),
        FigureRow(
            name="Skull", value=figure_mm(t.skull_mm), measured=half(t.skull_sd_mm),
            readers=half(t.skull_definition_sd_mm), origin=origin, notes=("skull_definition",),
        ),
    ]  # fmt: skip
    layers = (
        ("outer table", t.outer_table_mm), ("diploe", t.diploe_mm),
        ("inner table", t.inner_table_mm),
    )  # fmt: skip
    if t.tables_merged:
        said = "cannot be told apart here"
        rows.append(FigureRow(name="outer table, diploe, inner table", value=said, origin=origin))
    for layer, layer_mm in layers:
        if layer_mm is not None:
            rows.append(FigureRow(name=layer, value=figure_mm(layer_mm), origin=origin))
    more = (
        ("Thinnest skull near the path, within 5 mm and 4 degrees", t.thinnest_near_mm,
         ("stop_near_radius", "stop_near_tilt")),
        ("Scalp on the other side", t.scalp_other_side_mm, ()),
    )  # fmt: skip
    for name, length_mm, notes in more:
        if length_mm is not None:
            rows.append(
                FigureRow(name=name, value=figure_mm(length_mm), origin=origin, notes=notes)
            )
    if t.slant_factor is not None:
        value_text = f"{up(t.slant_factor, 2):.2f} times"
        name = "Skull along the path against square to it"
        rows.append(FigureRow(name=name, value=value_text, origin=origin))
    return rows


def suture_words(plan: Plan, side: Side) -> str:
    """How the suture was had on one side."""
    suture = plan.coronal_suture
    if suture is None:
        return HOW_WORDS[How.ESTIMATED]
    return HOW_WORDS[suture.right if side is Side.RIGHT else suture.left]


def _suture(plan: Plan, side: Side) -> list[FigureRow]:
    c, how = plan.sides[side].clearance, suture_words(plan, side)
    rows = []
    nearest = c.suture_nearest_mm
    spreads = {
        "measured": half(c.suture_sd_mm), "readers": half(c.suture_definition_sd_mm),
        "origin": f"suture {how}",
    }  # fmt: skip
    keys = ("suture_definition", "nasion_definition")
    if nearest is not None:
        suture = plan.coronal_suture
        along = "scalp model" if suture is not None and suture.along == "scalp" else "bone"
        value = f"{figure_mm(nearest)} {'in front' if nearest >= 0 else '(minus: behind it)'}"
        name = f"Nearest, along the {along}"
        rows.append(FigureRow(name=name, value=value, notes=keys, **spreads))
    elif plan.input.kind is InputKind.CT:
        rows.append(FigureRow(name="Nearest, along the bone", value="not known"))
    if c.suture_mm is not None:
        name = "straight back, beside the midline"
        rows.append(FigureRow(name=name, value=figure_mm(c.suture_mm), notes=keys, **spreads))
    if c.suture_scalp_mm is not None:
        name = "as a tape on the scalp reads it"
        rows.append(
            FigureRow(name=name, value=figure_mm(c.suture_scalp_mm), origin=spreads["origin"])
        )
    for name, p in (
        (f"nearer than {plan.rule.suture_margin_mm:g} mm", c.p_suture_below_margin),
        ("behind the suture", c.p_behind_suture),
    ):
        if p is not None:
            rows.append(FigureRow(name=name, value=of_100(p), origin=_SIMULATED))
    return rows


def _midline(plan: Plan, found: SidePlan) -> list[FigureRow]:
    c, origin = found.clearance, _FROM[plan.input.kind]
    rows = []
    for where, value in (
        ("scalp", c.midline_scalp_mm),
        ("outer table", c.midline_outer_table_mm),
        ("inner table", c.midline_inner_table_mm),
        ("sensor tip", c.midline_tip_mm),
    ):
        if value is not None:
            rows.append(
                FigureRow(
                    name=f"Midline plane to the {where}", value=figure_mm(value),
                    measured=half(c.midline_sd_mm), readers=half(c.midline_definition_sd_mm),
                    origin=origin, notes=("plane_definition",),
                )
            )  # fmt: skip
    if c.sinus_mm is not None:
        rows.append(
            FigureRow(
                name="Sagittal sinus envelope, least distance", value=figure_mm(c.sinus_mm),
                measured=half(c.sinus_sd_mm), readers=half(c.midline_definition_sd_mm),
                origin="published envelope, not this head's own vein", notes=_SINUS_ROWS,
            )
        )  # fmt: skip
    return rows


def _moved(plan: Plan, found: SidePlan) -> list[FigureRow]:
    moved = found.moved
    if moved is None or not moved.exists:
        return []
    origin = _FROM[plan.input.kind]
    rows = []
    if moved.midline_arc_mm is not None:
        rows.append(FigureRow(name="Tape along the midline", value=tape(moved.midline_arc_mm)))
    if moved.lateral_arc_mm is not None:
        rows.append(FigureRow(name="Tape to the side", value=tape(moved.lateral_arc_mm)))
    for name, value in (
        ("Coronal suture, nearest", moved.suture_nearest_mm),
        ("Midline plane to the scalp", moved.midline_scalp_mm),
        ("Sagittal sinus envelope, least distance", moved.sinus_mm),
    ):
        if value is not None:
            rows.append(FigureRow(name=name, value=figure_mm(value)))
    if moved.midline_arc_95_mm is not None:
        name = "Tape along the midline that keeps the suture's margin with 95 % probability"
        value_text = tape(down(moved.midline_arc_95_mm, 0))
        rows.append(FigureRow(name=name, value=value_text, notes=("probability_kept",)))
    return [replace(row, origin=origin) for row in rows]


def landmark_rows(plan: Plan) -> tuple[FigureRow, ...]:
    """Landmarks, plane, suture and the scan's own quality, with their spreads.

    Parameters
    ----------
    plan : Plan
    """
    rows = []
    for name, mark in sorted(plan.landmarks.items()):
        moved = ""
        if mark.moved_mm is not None:
            moved = f", moved {up(mark.moved_mm):.1f} mm to its surface"
        key = _READERS_OF.get(name)
        readers = half(mark.definition_sd_mm) if mark.definition_sd_mm else ""
        rows.append(
            FigureRow(
                name=name.replace("_", " ").capitalize(), value=HOW_WORDS[mark.how] + moved,
                measured=half(mark.sd_mm), readers=readers, origin=_had(mark.how),
                notes=(key,) if key and readers else (),
            )
        )  # fmt: skip
    plane = plan.midsagittal_plane
    if plane is not None:
        readers = half(plane.definition_sd_mm) if plane.definition_sd_mm else ""
        measured = f"{half(plane.sd_mm)}, {half(plane.sd_deg, 'degrees')}"
        rows.append(
            FigureRow(
                name="Midsagittal plane", value=HOW_WORDS[plane.how], measured=measured,
                readers=readers, origin=_had(plane.how),
                notes=("plane_definition",) if readers else (),
            )
        )  # fmt: skip
    rows += _seam(plan)
    return tuple(rows)


def _seam(plan: Plan) -> Iterable[FigureRow]:
    suture = plan.coronal_suture
    if suture is None:
        return
    readers = half(suture.definition_sd_mm) if suture.definition_sd_mm else ""
    for name, how, sd in (
        ("Coronal suture", suture.how, suture.sd_mm),
        ("the same, PATIENT'S RIGHT", suture.right, suture.right_sd_mm),
        ("the same, PATIENT'S LEFT", suture.left, suture.left_sd_mm),
    ):
        yield FigureRow(
            name=name, value=HOW_WORDS[how], measured=half(sd), readers=readers, origin=_had(how),
            notes=("suture_definition",) if readers else (),
        )  # fmt: skip


def _had(how: How) -> str:
    return {
        How.DETECTED: "found in this input",
        How.MEASURED: "measured in this input",
        How.GIVEN: "as it was given",
        How.ESTIMATED: _PUBLISHED,
    }[how]


def point_rows(plan: Plan, sides: Iterable[Side]) -> tuple[PointRow, ...]:
    """Places and directions of the record in the file's own world.

    Parameters
    ----------
    plan : Plan
    sides : of those that are shown
    """
    rows = [
        _point(name.replace("_", " ").capitalize(), mark.position_mm)
        for name, mark in sorted(plan.landmarks.items())
    ]
    plane = plan.midsagittal_plane
    if plane is not None:
        rows.append(_point("Midsagittal plane, a point of it", plane.point_mm))
        rows.append(
            _point("Midsagittal plane, its normal to the patient's right", plane.unit_normal, "")
        )
    for side in sides:
        found = plan.sides[side]
        for name, place, unit in (
            ("entry on the scalp", found.scalp_entry_mm, "mm"),
            ("path at the outer table", found.outer_table_mm, "mm"),
            ("path at the inner table", found.inner_table_mm, "mm"),
            ("sensor tip", found.sensor_tip_mm, "mm"),
            ("path, its direction inwards", found.unit_inward, ""),
            ("moved point on the scalp",
             None if found.moved is None else found.moved.scalp_entry_mm, "mm"),
        ):  # fmt: skip
            if place is not None:
                rows.append(_point(f"{SIDE_WORDS[side]}: {name}", place, unit))
    return tuple(rows)


def _point(name: str, place: FloatArray, unit: str = "mm") -> PointRow:
    digits = 1 if unit else 3
    right, anterior, superior = (f"{round(float(x), digits) + 0.0:.{digits}f}" for x in place)
    return PointRow(name=name, right=right, anterior=anterior, superior=superior, unit=unit)
