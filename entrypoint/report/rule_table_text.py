"""A table of rules as text: what was looked at first, then two narrow tables a side."""

from __future__ import annotations

from collections.abc import Iterable

from entrypoint.planning.model import Level, Seat, Side
from entrypoint.planning.rule_table_model import RuleRow, RuleTable, SideRules
from entrypoint.report.document import Block, Document, Heading, Paragraph, Table
from entrypoint.report.rounding import down, half_width_mm, tape, up
from entrypoint.report.text import findings_blocks
from entrypoint.report.wording import (
    HOW_WORDS,
    LEVEL_ORDER,
    LEVEL_WORDS,
    PRACTICE_BANNER,
    SEAT_WORDS,
    SIDE_WORDS,
    sentence,
)

__all__ = ["rules_document"]

Row = tuple[str, str]
_UNKNOWN = "-"


def rules_document(table: RuleTable, *, brief: bool = False) -> Document:
    """A table of rules as blocks of text.

    Parameters
    ----------
    table : RuleTable
    brief : bool
        Leave out notes.

    Returns
    -------
    Document
        Begins and ends with the caveat.
    """
    banner: list[Block] = [Heading(text=PRACTICE_BANNER, rank=1)] if table.practice else []
    blocks: list[Block] = [Paragraph(text=table.caveat), *banner]
    blocks.append(Paragraph(text=_title(table)))
    looked = table.looked_at
    parts = (
        ("Checked", looked.checked),
        ("Not checked", looked.not_checked),
        ("Could not be checked", looked.could_not_be_checked),
    )
    told = tuple((word, "; ".join(items) or "none of these") for word, items in parts)
    blocks.append(Table(rows=told))
    blocks += findings_blocks("FINDINGS: whole head", table.findings, brief)
    for side in (Side.RIGHT, Side.LEFT):
        if side in table.sides:
            blocks += _side(table, side, table.sides[side], brief)
    blocks.append(Paragraph(text=_meaning(table)))
    blocks += [*banner, Paragraph(text=table.caveat)]
    return tuple(blocks)


def _title(table: RuleTable) -> str:
    return (
        f"Rules over a CT volume, {table.input.name}: each line is one rule, tape behind the "
        f"nasion by tape to the side, both in mm. {table.not_a_plan} {table.sides_note}"
    )


def _side(table: RuleTable, side: Side, found: SideRules, brief: bool) -> list[Block]:
    shown = [row for row in found.rows if row.midline_scalp_mm is not None]
    blocks: list[Block] = [Heading(text=f"RULES: {SIDE_WORDS[side]}")]
    if shown:
        distances = [_distance_row(row) for row in shown]
        bone = [_bone_row(table, row) for row in shown]
        blocks += [
            Paragraph(
                text=f"Distances, mm (midline ± {_widest(row.midline_sd_mm for row in shown)}, "
                f"sinus ± {_widest(row.sinus_sd_mm for row in shown)}); the suture was "
                f"{HOW_WORDS[found.suture]}:"
            ),
            Table(rows=(("back x side", _DISTANCES), *distances)),
            Paragraph(
                text=f"Along the path, mm (scalp ± {_widest(row.scalp_sd_mm for row in shown)}, "
                f"skull ± {_widest(row.skull_sd_mm for row in shown)}), and the worst finding at "
                "the point:"
            ),
            Table(rows=(("back x side", _ALONG), *bone)),
        ]
    missing = _by_note(row for row in found.rows if row.note)
    if missing:
        blocks += [Paragraph(text="Figures that are not given:"), Table(rows=tuple(missing))]
    raised = _by_finding(found.rows, brief)
    if raised:
        blocks += [Paragraph(text="Findings, and the rules at whose points they were raised:")]
        blocks += [Table(rows=tuple(raised))]
    elif shown:
        blocks.append(Paragraph(text="No finding raised. What is not listed was not looked at."))
    return blocks


def _widest(sds_mm: Iterable[float | None]) -> str:
    """Half of the widest 95 % interval."""
    known = [sd for sd in sds_mm if sd is not None]
    return f"{up(half_width_mm(max(known))):.1f}" if known else "not known"


def _columns(*cells: str) -> str:
    widths = (8, 8, 8, 8, 14, 9, 9)
    return "".join(f"{cell:>{width}}" for cell, width in zip(cells, widths, strict=False))


_DISTANCES = _columns("midline", "inner", "tip", "sinus", "suture", "nearer", "behind")
_ALONG = _columns("scalp", "skull", "slope", "stop", "sensor") + "  finding"


def _distance_row(row: RuleRow) -> Row:
    suture = _UNKNOWN
    if row.suture_nearest_mm is not None:
        suture = f"{down(row.suture_nearest_mm):.1f}"
        if row.suture_sd_mm is not None:
            suture += f" ± {up(half_width_mm(row.suture_sd_mm)):.1f}"
    return _name(row), _columns(
        _tenth(row.midline_scalp_mm),
        _tenth(row.midline_inner_table_mm),
        _tenth(row.midline_tip_mm),
        _tenth(row.sinus_mm),
        suture,
        _count(row.p_suture_below_margin),
        _count(row.p_behind_suture),
    )


def _bone_row(table: RuleTable, row: RuleRow) -> Row:
    stop = _UNKNOWN
    if table.rule.stop_seats_on is not None and row.start_stop_mm is not None:
        stop = f"{down(row.start_stop_mm, 0):.0f}"
    worst = min((f.level for f in row.findings), key=LEVEL_ORDER.index, default=None)
    return _name(row), _columns(
        _tenth(row.scalp_mm),
        _tenth(row.skull_mm),
        _UNKNOWN if row.slope_deg is None else f"{row.slope_deg:.0f}",
        stop,
        _tenth(row.sensor_from_scalp_mm),
    ) + f"  {'none raised' if worst is None else LEVEL_WORDS[worst]}"


def _name(row: RuleRow) -> str:
    return f"{row.midline_arc_mm:g} x {row.lateral_arc_mm:g}"


def _tenth(value_mm: float | None) -> str:
    return _UNKNOWN if value_mm is None else f"{down(value_mm):.1f}"


def _count(p: float | None) -> str:
    """Of 100 placements, rounded up, never none and never all."""
    if p is None:
        return _UNKNOWN
    if p < 0.01:
        return "<1"
    count = int(up(100.0 * p, 0))
    return ">99" if count >= 100 else f"{count}"


def _by_note(rows: Iterable[RuleRow]) -> list[Row]:
    found: dict[str, list[RuleRow]] = {}
    for row in rows:
        found.setdefault(row.note, []).append(row)
    return [(sentence(note), _places(these)) for note, these in found.items()]


def _by_finding(rows: Iterable[RuleRow], brief: bool) -> list[Row]:
    found: dict[tuple[Level, str], list[RuleRow]] = {}
    for row in rows:
        for finding in row.findings:
            found.setdefault((finding.level, finding.code), []).append(row)
    ordered = sorted(found, key=lambda key: (LEVEL_ORDER.index(key[0]), key[1]))
    return [
        (f"{LEVEL_WORDS[level]} [{code}]", _places(found[level, code]))
        for level, code in ordered
        if not (brief and level is Level.NOTE)
    ]


def _places(rows: list[RuleRow]) -> str:
    """Rules by their midline arcs; those with the same lateral arcs are told together."""
    by_midline: dict[float, list[str]] = {}
    for row in rows:
        by_midline.setdefault(row.midline_arc_mm, []).append(f"{row.lateral_arc_mm:g}")
    by_lateral: dict[str, list[str]] = {}
    for midline, laterals in by_midline.items():
        by_lateral.setdefault(", ".join(laterals), []).append(f"{midline:g}")
    return "; ".join(f"{', '.join(m)} x {laterals}" for laterals, m in by_lateral.items())


def _meaning(table: RuleTable) -> str:
    rule = table.rule
    seat = rule.stop_seats_on
    words = [
        "Midline: of the scalp's point, the inner table and the sensor's tip, to the plane. Sinus: "
        "to the published envelope, wider on the PATIENT'S RIGHT. Suture: nearest along the bone, "
        "minus where the point lies behind it, ± half of the 95 % interval. Nearer: in how many of "
        f"100 placements the suture is nearer than {rule.suture_margin_mm:g} mm; behind: in how "
        "many the point lies behind it, readers included. Slope: of the bone's surface, in degrees "
        "from level on an upright head. Sensor: tip "
        f"{rule.sensor_depth_mm:g} mm below the inner table, from the scalp.",
        "Stop: none is shown, because the surface that it seats on was not named."
        if seat is None
        else f"Stop: start length, stop seated {SEAT_WORDS[seat]}, from the stop's face to the "
        "very point of the bit, a lower bound to be planned again at its point.",
        f"Charted: {tape(table.midline_arc_first_mm)} to {tape(table.midline_arc_last_mm)} behind "
        f"the nasion, {tape(table.lateral_arc_first_mm)} to {tape(table.lateral_arc_last_mm)} to "
        f"the side. {_UNKNOWN} is not known. Lines are in the order of their tapes, not of merit.",
    ]
    if seat is Seat.SCALP:
        words[1] += " The scalp gives under a stop, and swelling changes by the hour."
    return " ".join(words)
