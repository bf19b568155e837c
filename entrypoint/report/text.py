"""A plan as a short text: what was looked at, findings first, then one table a side.

Rounding and wording live here and in the modules beside it; nothing is computed.
"""

from __future__ import annotations

from entrypoint.planning.model import (
    Finding,
    InputKind,
    Plan,
    Population,
    Side,
    SidePlan,
)
from entrypoint.report.comparison_text import comparison_blocks
from entrypoint.report.document import Block, Document, Heading, Paragraph, Table
from entrypoint.report.drill import drill_box
from entrypoint.report.hand_text import hand_blocks
from entrypoint.report.rounding import down, figure_mm, half_width_mm, of_100, tape, up
from entrypoint.report.wording import (
    BLANK,
    HOW_WORDS,
    KIND_WORDS,
    LEVEL_ORDER,
    LEVEL_WORDS,
    NOT_KNOWN,
    PRACTICE_BANNER,
    SIDE_WORDS,
    SPREADS,
    sentence,
)

Row = tuple[str, str]


def plan_document(plan: Plan, *, brief: bool = False) -> Document:
    """A plan as blocks of text.

    Parameters
    ----------
    plan : Plan
    brief : bool
        Leave out notes and everything but what has to be acted on.

    Returns
    -------
    Document
        Begins and ends with the caveat.
    """
    banner: list[Block] = [Heading(text=PRACTICE_BANNER, rank=1)] if plan.practice else []
    blocks: list[Block] = [Paragraph(text=plan.caveat), *banner]
    blocks.append(Paragraph(text=_title(plan)))
    blocks += looked_at_blocks(plan)
    blocks += findings_blocks("FINDINGS: whole head", plan.findings, brief)
    sides = _ordered(plan)
    for side in sides:
        blocks += findings_blocks(
            f"FINDINGS: {SIDE_WORDS[side]}", plan.sides[side].findings, brief, always=True
        )
    if plan.population is not None:
        blocks += _population(plan.population)
    for side in sides:
        blocks += side_blocks(plan, side)
        blocks += hand_blocks(plan, side)
    if not brief:
        blocks += landmark_blocks(plan)
    blocks += comparison_blocks(plan)
    blocks.append(Paragraph(text=SPREADS))
    blocks += [*banner, Paragraph(text=plan.caveat)]
    return tuple(blocks)


def _ordered(plan: Plan) -> list[Side]:
    return [side for side in (Side.RIGHT, Side.LEFT) if side in plan.sides]


def _title(plan: Plan) -> str:
    rule = plan.rule
    lateral = (
        "at half the interpupillary distance"
        if rule.lateral_by.value == "mid-pupillary"
        else f"{tape(rule.lateral_arc_mm)} to the side"
    )
    return (
        f"Entry plan from {KIND_WORDS[plan.input.kind]}, {plan.input.name}. Rule: "
        f"{tape(rule.midline_arc_mm)} behind the nasion, {lateral}, at least "
        f"{down(rule.suture_margin_mm, 1):g} mm in front of the coronal suture. {plan.sides_note}"
    )


def looked_at_blocks(plan: Plan) -> list[Block]:
    """What was looked at, what was not, and what could not be."""
    looked = plan.looked_at
    parts = (
        ("Checked", looked.checked),
        ("Not checked", looked.not_checked),
        ("Could not be checked", looked.could_not_be_checked),
    )
    return [
        Table(rows=tuple((word, "; ".join(items) if items else "nothing") for word, items in parts))
    ]


def findings_blocks(
    title: str, findings: tuple[Finding, ...], brief: bool, *, always: bool = False
) -> list[Block]:
    """Findings under a heading, worst first; without notes where ``brief``."""
    ordered = sorted(findings, key=lambda f: LEVEL_ORDER.index(f.level))
    if brief:
        ordered = [f for f in ordered if f.level is not LEVEL_ORDER[-1]]
    if not ordered and not always:
        return []
    blocks: list[Block] = [Heading(text=title)]
    if not ordered:
        blocks.append(Paragraph(text="None raised. What is not listed was not looked at."))
    for finding in ordered:
        text = f"{sentence(finding.text)} [{finding.code}]"
        blocks.append(Paragraph(text=text, lead=LEVEL_WORDS[finding.level]))
    return blocks


def side_blocks(plan: Plan, side: Side) -> list[Block]:
    """The figures of one side: its table, its alternatives, and the box of drill and sensor."""
    found = plan.sides[side]
    blocks: list[Block] = [Heading(text=f"FIGURES: {SIDE_WORDS[side]}")]
    rows = [
        *_tapes(found),
        *_entry(plan, found),
        *_thickness(plan, found),
        *_clearance(plan, found),
    ]
    blocks.append(Table(rows=tuple(rows)))
    if found.moved is not None and (found.moved.text or found.moved.exists):
        blocks.append(Paragraph(text=sentence(_moved(found))))
    blocks.append(drill_box(plan, side))
    return blocks


def _tapes(found: SidePlan) -> list[Row]:
    tapes = found.tapes
    if tapes is None:
        return []
    rows = [
        ("Tape along the midline, pulled tight", tape(tapes.midline_taut_mm) + " behind the nasion")
    ]
    if tapes.midline_surface_mm is not None:
        rows.append(("  the same in contact with the skin", tape(tapes.midline_surface_mm)))
    if tapes.midline_bone_mm is not None:
        rows.append(("  the same along the bone", tape(tapes.midline_bone_mm)))
    if tapes.midline_chord_mm is not None:
        rows.append(("  straight line (no tape reads this)", figure_mm(tapes.midline_chord_mm)))
    rows.append(("Tape to the side, at right angles", tape(tapes.lateral_taut_mm)))
    if tapes.lateral_straight_mm is not None:
        rows.append(("  straight distance from the midline", figure_mm(tapes.lateral_straight_mm)))
    return rows


def _entry(plan: Plan, found: SidePlan) -> list[Row]:
    rows = []
    along, across = found.scalp_entry_sd_along_mm, found.scalp_entry_sd_across_mm
    if along is not None and across is not None:
        text = (
            f"± {up(half_width_mm(along)):.1f} mm along the midline, "
            f"± {up(half_width_mm(across)):.1f} mm to the side"
        )
        readers = found.scalp_entry_definition_sd_along_mm
        if readers:
            aside = found.scalp_entry_definition_sd_across_mm or 0.0
            text += f"; readers ± {up(half_width_mm(readers)):.1f} mm along the midline"
            if aside:
                text += f", ± {up(half_width_mm(aside)):.1f} mm to the side"
        name = "Place of the entry on the scalp"
        if plan.given_path is not None:
            name = "Place of the given point on the scalp"
        rows.append((name, text))
    if found.tilt_deg is not None:
        rows.append(("Tilt from square to the skull", f"{up(found.tilt_deg):.1f} degrees"))
    return rows


def _thickness(plan: Plan, found: SidePlan) -> list[Row]:
    t = found.thickness
    if plan.input.kind is not InputKind.CT:
        return [
            ("Scalp thickness", f"{BLANK} mm  {NOT_KNOWN}"),
            ("Skull thickness", f"{BLANK} mm  {NOT_KNOWN}"),
        ]
    rows = [
        (
            "Scalp thickness along the path",
            figure_mm(t.scalp_mm, t.scalp_sd_mm) + _readers(t.scalp_definition_sd_mm),
        ),
        (
            "Skull thickness along the path",
            figure_mm(t.skull_mm, t.skull_sd_mm) + _readers(t.skull_definition_sd_mm),
        ),
    ]
    if t.outer_table_mm is not None and t.diploe_mm is not None and t.inner_table_mm is not None:
        rows.append(
            (
                "  outer table, diploe, inner table, each rounded down",
                f"{down(t.outer_table_mm):.1f}, {down(t.diploe_mm):.1f}, "
                f"{down(t.inner_table_mm):.1f} mm",
            )
        )
    elif t.tables_merged:
        rows.append(("  outer table, diploe, inner table", "cannot be told apart here"))
    if t.thinnest_near_mm is not None:
        rows.append(("  thinnest within 5 mm and 4 degrees", figure_mm(t.thinnest_near_mm)))
    if t.scalp_other_side_mm is not None:
        rows.append(("  scalp on the other side", figure_mm(t.scalp_other_side_mm)))
    return rows


def _clearance(plan: Plan, found: SidePlan) -> list[Row]:
    c = found.clearance
    rows: list[Row] = []
    if c.suture_nearest_mm is not None:
        along = "scalp model" if _on_scalp(plan) else "bone"
        text = figure_mm(c.suture_nearest_mm, c.suture_sd_mm) + _front(c.suture_nearest_mm)
        text += _readers(c.suture_definition_sd_mm)
        rows.append((f"Coronal suture, nearest along the {along}", text))
        if c.suture_mm is not None:
            rows.append(("  straight back, beside the midline", figure_mm(c.suture_mm)))
        if c.suture_scalp_mm is not None:
            rows.append(("  as a tape on the scalp reads it", figure_mm(c.suture_scalp_mm)))
        rows.append(("  the suture was", _suture_how(plan, found)))
    elif plan.input.kind is InputKind.CT:
        rows.append(("Coronal suture", "not known"))
    if plan.population is None or c.suture_nearest_mm is not None:
        margin = f"{plan.rule.suture_margin_mm:g} mm"
        for words, p in (
            (f"  nearer than {margin}, simulated", c.p_suture_below_margin),
            ("  behind the suture, simulated", c.p_behind_suture),
        ):
            if p is not None:
                rows.append((words, of_100(p)))
    places = (
        ("scalp", c.midline_scalp_mm),
        ("outer table", c.midline_outer_table_mm),
        ("inner table", c.midline_inner_table_mm),
        ("sensor tip", c.midline_tip_mm),
    )
    for where, value in places:
        if value is not None:
            text = figure_mm(value, c.midline_sd_mm) + _readers(c.midline_definition_sd_mm)
            rows.append((f"Midline plane to the {where}", text))
    if c.sinus_mm is not None:
        text = figure_mm(c.sinus_mm, c.sinus_sd_mm) + _readers(c.midline_definition_sd_mm)
        rows.append(("Sagittal sinus envelope, least", text))
    return rows


def _readers(definition_sd_mm: float | None) -> str:
    """How far careful readers differ, after a figure."""
    if not definition_sd_mm:
        return ""
    return f"; readers ± {up(half_width_mm(definition_sd_mm)):.1f} mm"


def _front(value: float) -> str:
    return " in front" if value >= 0 else " (minus: behind the suture)"


def _on_scalp(plan: Plan) -> bool:
    return plan.coronal_suture is not None and plan.coronal_suture.along == "scalp"


def _suture_how(plan: Plan, found: SidePlan) -> str:
    suture = plan.coronal_suture
    if suture is None:
        return "estimated, not seen"
    side = next(side for side, value in plan.sides.items() if value is found)
    return HOW_WORDS[suture.right if side is Side.RIGHT else suture.left]


def _moved(found: SidePlan) -> str:
    moved = found.moved
    if moved is None:
        return ""
    if not moved.exists:
        return moved.text or "No point keeps every margin on this side."
    text = moved.text.rstrip()
    if not text and moved.midline_arc_mm is not None and moved.lateral_arc_mm is not None:
        text = (
            f"Every margin holds at {tape(moved.midline_arc_mm)} behind the nasion and "
            f"{tape(moved.lateral_arc_mm)} to the side."
        )
    return text


def population_rows(population: Population) -> tuple[Row, ...]:
    """What published figures say where this input cannot."""
    cautious = population.cautious_midline_arc_mm
    return (
        (
            "Expected bregma, tape on the scalp from the nasion",
            f"{tape(population.bregma_arc_mm)}, "
            f"± {up(half_width_mm(population.bregma_arc_sd_mm)):.0f} mm in 95 of 100 heads",
        ),
        (
            "Expected distance in front of the suture",
            f"{down(population.suture_clearance_mm):.1f} mm, "
            f"± {up(half_width_mm(population.suture_clearance_sd_mm)):.0f} mm in 95 of 100 heads",
        ),
        ("Nearer than the margin", of_100(population.p_suture_below_margin)),
        ("Behind the suture", of_100(population.p_behind_suture)),
        (
            "Tape distance that keeps the margin in 95 of 100 heads",
            tape(down(cautious, 0)) if cautious is not None else "no such point",
        ),
        ("Source", population.source),
    )


def _population(population: Population) -> list[Block]:
    rows = population_rows(population)
    return [Heading(text="WHAT OTHER HEADS SAY: not this head"), Table(rows=rows)]


def landmark_blocks(plan: Plan) -> list[Block]:
    """Landmarks, plane and scan, with their errors."""
    rows = []
    for name, mark in plan.landmarks.items():
        text = f"{HOW_WORDS[mark.how]}, ± {up(half_width_mm(mark.sd_mm)):.1f} mm"
        text += _readers(mark.definition_sd_mm)
        if mark.moved_mm is not None:
            text += f"; moved {up(mark.moved_mm):.1f} mm to its surface"
        rows.append((name.replace("_", " ").capitalize(), text))
    plane = plan.midsagittal_plane
    if plane is not None:
        rows.append(
            (
                "Midsagittal plane",
                f"{HOW_WORDS[plane.how]}, ± {up(half_width_mm(plane.sd_mm)):.1f} mm, "
                f"± {up(half_width_mm(plane.sd_deg)):.1f} degrees",
            )
        )
    quality = plan.quality
    if quality is not None:
        parts = [
            f"{words} {value:.1f} {unit}"
            for words, value, unit in (
                ("slices", quality.slice_mm, "mm"),
                ("blur", quality.blur_fwhm_mm, "mm full width"),
                ("noise", quality.noise_hu, "HU"),
            )
            if value is not None
        ]
        rows.append(("The scan itself", ", ".join(parts)))
    if not rows:
        return []
    return [Heading(text="LANDMARKS"), Table(rows=tuple(rows))]
