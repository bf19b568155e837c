"""Checked paths as a short text: an order where there are several, then one part a path."""

from __future__ import annotations

from entrypoint.planning.given_check import plan_of_path
from entrypoint.planning.given_path_model import Aim, CheckedPath, PathCheck, Standing, Worst
from entrypoint.report.document import Block, Document, Heading, Paragraph, Table
from entrypoint.report.rounding import down, figure_mm, half_width_mm, up
from entrypoint.report.text import findings_blocks, landmark_blocks, looked_at_blocks, side_blocks
from entrypoint.report.wording import PRACTICE_BANNER, SIDE_WORDS, SPREADS, sentence

__all__ = ["check_document", "leaning", "order_rows"]

Row = tuple[str, str]
_AIM_WORDS = {
    Aim.TIP: "from the skin point to a given tip",
    Aim.ALONG: "along a given direction",
    Aim.SQUARE: "square to the skull at its foot",
}
_FIGURES = {
    "thickness.skull_mm, thinnest": "Skull, thinnest",
    "thickness.skull_mm, thickest": "Skull, thickest",
    "clearance.midline_scalp_mm": "Midline plane to the scalp, least",
    "clearance.midline_inner_table_mm": "Midline plane to the inner table, least",
    "clearance.midline_tip_mm": "Midline plane to the sensor tip, least",
    "clearance.sinus_mm": "Sagittal sinus envelope, least",
    "clearance.suture_nearest_mm": "Coronal suture, least in front",
}
_THREATENS_WHEN_LARGE = "thickness.skull_mm, thickest"


def check_document(check: PathCheck, *, brief: bool = False) -> Document:
    """A check as blocks of text.

    Parameters
    ----------
    check : PathCheck
    brief : bool
        Leave out notes and landmarks.

    Returns
    -------
    Document
        Begins and ends with the caveat.
    """
    banner: list[Block] = [Heading(text=PRACTICE_BANNER, rank=1)] if check.practice else []
    blocks: list[Block] = [Paragraph(text=check.caveat), *banner, Paragraph(text=_title(check))]
    blocks += findings_blocks("FINDINGS: whole head", check.findings, brief)
    if len(check.paths) > 1:
        blocks += [
            Heading(text="THE PATHS IN AN ORDER"),
            Table(rows=tuple(order_rows(check))),
            Paragraph(text=sentence(check.order_rule)),
        ]
    by_label = {path.label: path for path in check.paths}
    for label in check.order:
        blocks += _path(check, by_label[label], brief)
    if not brief:
        blocks += landmark_blocks(plan_of_path(check, _first_with_figures(check)))
    blocks.append(Paragraph(text=SPREADS))
    blocks += [*banner, Paragraph(text=check.caveat)]
    return tuple(blocks)


def _first_with_figures(check: PathCheck) -> str:
    return next(path.label for path in check.paths if path.path is not None)


def _title(check: PathCheck) -> str:
    rule, count = check.rule, len(check.paths)
    paths = "One given path" if count == 1 else f"{count} given paths"
    return (
        f"{paths} on a CT volume, {check.input.name}. Margins: {rule.suture_margin_mm:g} mm in "
        f"front of the coronal suture, {rule.midline_margin_mm:g} mm from the midline at the "
        f"scalp, {rule.sinus_margin_mm:g} mm from the sagittal sinus envelope. {check.sides_note}"
    )


def order_rows(check: PathCheck) -> list[Row]:
    """One row a path, by the stated order: what it is ordered by."""
    by_label = {path.label: path for path in check.paths}
    rows = []
    for place, label in enumerate(check.order, start=1):
        path = by_label[label]
        said = "refused: see below" if path.standing is None else _standing(path.standing)
        rows.append((f"{place}. {label}, {SIDE_WORDS[path.side]}", said))
    return rows


def _standing(at: Standing) -> str:
    left = (
        "no margin known at its worst"
        if at.least_left_mm is None
        else f"smallest margin at its worst {down(at.least_left_mm):.1f} mm "
        + ("left" if at.least_left_mm >= 0.0 else "(minus: broken)")
    )
    return (
        f"{_count(at.stop_findings, 'stop finding')}, {_count(at.margins_broken, 'margin')} broken,"
        f" {left}"
    )


def _count(number: int, what: str) -> str:
    return f"{number} {what}" + ("" if number == 1 else "s")


def _path(check: PathCheck, path: CheckedPath, brief: bool) -> list[Block]:
    name = f"PATH {path.label}: {SIDE_WORDS[path.side]}"
    if path.path is None:
        return [
            Heading(text=name),
            Paragraph(text=f"{path.refused} It has no figures.", lead="REFUSED"),
        ]
    plan = plan_of_path(check, path.label)
    blocks: list[Block] = [Heading(text=f"{name}, {_AIM_WORDS[path.aim]}")]
    blocks += looked_at_blocks(plan)
    blocks += findings_blocks(f"FINDINGS: {name}", path.path.findings, brief, always=True)
    blocks += [Heading(text=f"HOW IT LIES: {name}"), Table(rows=tuple(_lies(path)))]
    blocks += side_blocks(plan, path.side)
    if path.path.moved is None:
        blocks.append(
            Paragraph(
                text="Suture, midline and sinus margins hold at the best estimate: no other path "
                "was looked for."
            )
        )
    if path.worst:
        near = check.within
        blocks += [
            Heading(
                text=f"THE WORST within {near.within_deg:g} degrees and {near.within_mm:g} mm: "
                f"{name}"
            ),
            Table(rows=tuple(_worst(path))),
        ]
    return blocks


def _lies(path: CheckedPath) -> list[Row]:
    moved = path.skin_moved_mm or 0.0
    rows: list[Row] = [
        (
            "The given point",
            f"lies {up(moved):.1f} mm from the skin"
            + (", on it as well as that is known" if moved < 0.35 else "; moved to it"),
        )
    ]
    for name, sd, readers in (
        ("Tape along the midline, read to", path.midline_arc_sd_mm,
         path.midline_arc_definition_sd_mm),
        ("Tape to the side, read to", path.lateral_arc_sd_mm, path.lateral_arc_definition_sd_mm),
    ):  # fmt: skip
        if sd is not None:
            said = f"± {up(half_width_mm(sd)):.1f} mm"
            if readers:
                said += f"; readers ± {up(half_width_mm(readers)):.1f} mm"
            rows.append((name, said))
    found = path.path
    if found is not None and found.tilt_deg is not None and path.tilt_sd_deg is not None:
        said = f"{found.tilt_deg:.1f} ± {up(half_width_mm(path.tilt_sd_deg)):.1f} degrees"
        if found.tilt_deg >= 0.05:
            said += f": {leaning(path)}, as it goes in"
        rows.append(("Tilt from square to the skull", said))
    rows += _slant(path)
    rows += _against_rule(path)
    fluid = path.fluid
    if fluid is not None:
        if fluid.tip_to_space_mm is None:
            rows.append(("Tip to the nearest fluid space", f"not known: {fluid.why}"))
        else:
            rows.append(
                ("Tip to the nearest fluid space",
                 figure_mm(fluid.tip_to_space_mm, fluid.tip_to_space_sd_mm))
            )  # fmt: skip
    return rows


def leaning(path: CheckedPath) -> str:
    """Which way a path leans, in words."""
    parts = []
    for angle, positive, negative in (
        (path.tilt_back_deg, "towards the back", "towards the front"),
        (path.tilt_away_deg, "away from the midline", "towards the midline"),
    ):
        if angle is not None and abs(angle) >= 0.05:
            parts.append(f"{abs(angle):.1f} {positive if angle > 0.0 else negative}")
    return " and ".join(parts)


def _slant(path: CheckedPath) -> list[Row]:
    found = path.path
    if found is None or path.square_skull_mm is None or path.slant_mm is None:
        return []
    if not found.tilt_deg:
        return []
    factor = found.thickness.slant_factor
    said = f"{path.slant_mm:+.1f} mm along it" + (
        "" if factor is None else f", {factor:.2f} times as much"
    )
    return [
        ("Skull square to it at the same foot",
         figure_mm(path.square_skull_mm, found.thickness.skull_sd_mm)),
        ("  what the slant adds", said),
    ]  # fmt: skip


def _against_rule(path: CheckedPath) -> list[Row]:
    off = path.against_rule
    if off is None:
        return [("Against the rule's path", "that one was not measured on this side")]
    behind = f"{abs(off.back_mm):.1f} mm {'behind' if off.back_mm >= 0.0 else 'in front of'} it"
    away = (
        f"{abs(off.away_mm):.1f} mm "
        f"{'farther from' if off.away_mm >= 0.0 else 'nearer to'} the midline"
    )
    rows = [
        ("Against the rule's point, by tape", f"{behind}, {away}"),
        ("  the rule's point itself",
         f"± {up(half_width_mm(off.back_sd_mm)):.1f} mm along, "
         f"± {up(half_width_mm(off.away_sd_mm)):.1f} mm to the side; readers "
         f"± {up(half_width_mm(off.back_definition_sd_mm)):.1f} and "
         f"± {up(half_width_mm(off.away_definition_sd_mm)):.1f} mm"),
        ("  straight, between the points", f"{up(off.straight_mm):.1f} mm"),
        ("  between the directions", f"{off.turned_deg:.1f} degrees"),
    ]  # fmt: skip
    if off.tip_mm is not None:
        rows.append(("  between the tips", f"{up(off.tip_mm):.1f} mm"))
    return rows


def _worst(path: CheckedPath) -> list[Row]:
    return [(_FIGURES.get(w.figure, w.figure), _one_worst(w)) for w in path.worst]


def _one_worst(worst: Worst) -> str:
    if worst.figure == _THREATENS_WHEN_LARGE:
        said = f"{up(worst.worst_mm):.1f}"
        if worst.sd_mm is not None:
            said += f" ± {up(half_width_mm(worst.sd_mm)):.1f}"
        said += " mm"
    else:
        said = figure_mm(worst.worst_mm, worst.sd_mm)
    places = [
        f"{abs(mm):.0f} mm {positive if mm > 0.0 else negative}"
        for mm, positive, negative in (
            (worst.offset_back_mm, "back", "forwards"),
            (worst.offset_away_mm, "away from the midline", "to the midline"),
        )
        if abs(mm) >= 0.5
    ]
    return said + (f", {' and '.join(places)}" if places else "")
