"""A scan after placement as a short text: the side first, then what was looked at, then figures."""

from __future__ import annotations

import math

from entrypoint.planning.after_model import (
    AfterPlacement,
    AgainstPlan,
    Compared,
    Frames,
    PlacedPath,
    Sensor,
    Something,
    WhereFrom,
)
from entrypoint.planning.model import Clearance
from entrypoint.report.document import Block, Document, Heading, Paragraph, Table
from entrypoint.report.rounding import down, figure_mm, half_width_mm, of_100, tape, up
from entrypoint.report.text import findings_blocks
from entrypoint.report.wording import PRACTICE_BANNER, SIDE_WORDS, SPREADS

__all__ = ["after_document"]

Row = tuple[str, str]
CANNOT = "cannot be judged"
_FROM = {
    WhereFrom.BEFORE: "read on the scan before placement",
    WhereFrom.AFTER: "read on this scan",
    WhereFrom.BRIDGED: "inner table laid smoothly under the metal from the bone round it",
}
_LANDMARK_WORDS = {
    "nasion_skin": "nasion",
    "nasion_bone": "nasion on bone",
    "inion_bone": "inion on bone",
}


def after_document(made: AfterPlacement, *, brief: bool = False) -> Document:
    """A scan after placement as blocks of text.

    Parameters
    ----------
    made : AfterPlacement
    brief : bool
        Leave out notes.

    Returns
    -------
    Document
        Begins and ends with the caveat; the side stands before every figure.
    """
    banner: list[Block] = [Heading(text=PRACTICE_BANNER, rank=1)] if made.practice else []
    blocks: list[Block] = [Paragraph(text=made.caveat), *banner]
    blocks.append(
        Paragraph(
            text=f"Scan after placement, {made.input.name}, against the plan of "
            f"{made.plan_input.name}. {made.sides_note}"
        )
    )
    blocks.append(Heading(text="SIDE"))
    blocks.append(Table(rows=_side(made), boxed=True, title="side found against side planned"))
    looked = made.looked_at
    parts = (
        ("Checked", looked.checked),
        ("Not checked", looked.not_checked),
        ("Could not be checked", looked.could_not_be_checked),
    )
    blocks.append(
        Table(rows=tuple((word, "; ".join(items) or "nothing") for word, items in parts))
    )
    blocks += findings_blocks("FINDINGS", made.findings, brief, always=True)
    where = "side not told" if made.side_found is None else SIDE_WORDS[made.side_found]
    blocks.append(Heading(text=f"AS FOUND: {where}"))
    blocks.append(
        Table(
            rows=(
                *_path(made.path),
                *_sensor(made.sensor),
                *_clearance(made.path.clearance),
                *_along(made),
            )
        )
    )
    blocks.append(Heading(text="AGAINST THE PLAN"))
    blocks.append(Table(rows=(*_frames(made.frames), *_against(made.against_plan))))
    blocks.append(Paragraph(text=SPREADS))
    blocks.append(Paragraph(text=made.not_a_reading))
    blocks += [*banner, Paragraph(text=made.caveat)]
    return tuple(blocks)


def _side(made: AfterPlacement) -> tuple[Row, ...]:
    found = "TOO NEAR TO THE MIDLINE TO BE TOLD"
    if made.side_found is not None:
        found = SIDE_WORDS[made.side_found]
    rows: list[Row] = [
        ("Planned", SIDE_WORDS[made.side_planned]),
        ("Found", found),
    ]
    if made.side_found is not made.side_planned:
        rows.append(("", "NOT THE SIDE THAT WAS PLANNED"))
    return tuple(rows)


def _deg(value: float | None, sd: float | None) -> str:
    if value is None:
        return CANNOT
    if sd is None:
        return f"{value:.1f} degrees"
    return f"{value:.1f} ± {up(half_width_mm(sd)):.1f} degrees"


def _length(value: float | None, sd: float | None, *, lower: bool = True) -> str:
    return CANNOT if value is None else figure_mm(value, sd, lower=lower)


def _path(path: PlacedPath) -> list[Row]:
    rows: list[Row] = []
    at = path.tapes
    if at is None:
        rows.append(("Entry in tape terms", f"{CANNOT}: {path.tapes_why_not}"))
    else:
        rows += [
            ("Entry: tape behind the nasion", _arc(at.midline_arc_mm, at.midline_arc_sd_mm,
                                                   at.midline_arc_definition_sd_mm)),
            ("  tape to the side", _arc(at.lateral_arc_mm, at.lateral_arc_sd_mm,
                                        at.lateral_arc_definition_sd_mm)),
            ("  both tapes", _FROM[at.read_on]),
        ]  # fmt: skip
    rows.append(("Bolt's tilt from square to the skull", _deg(path.tilt_deg, path.tilt_sd_deg)))
    rows.append(("  its axis on the outer table", f"± {up(half_width_mm(path.sd_mm)):.1f} mm"))
    if path.skull_mm is None:
        rows.append(("Skull along the axis", f"{CANNOT}: {path.skull_why_not}"))
    else:
        source = "" if path.skull_from is None else f"; {_FROM[path.skull_from]}"
        rows.append(
            ("Skull along the axis", figure_mm(path.skull_mm, path.skull_sd_mm) + source)
        )
    return rows


def _arc(value: float, sd: float, readers: float) -> str:
    text = f"{tape(value)} ± {up(half_width_mm(sd)):.1f} mm"
    return text + f"; readers ± {up(half_width_mm(readers)):.1f} mm"


def _sensor(sensor: Sensor) -> list[Row]:
    if sensor.tip_mm is None:
        return [("Sensor tip", f"{CANNOT}: {sensor.why_not}")]
    rows: list[Row] = []
    depth = sensor.depth
    if depth.below_inner_table_mm is None:
        rows.append(("Tip below the inner table", f"{CANNOT}: {depth.why_not}"))
    else:
        value = depth.below_inner_table_mm
        where = "inside" if value > 0.0 else "outside"
        source = "" if depth.inner_table_from is None else f"; {_FROM[depth.inner_table_from]}"
        signed = figure_mm(value, depth.sd_mm, lower=False)
        rows.append(
            ("Tip below the inner table (positive inside)", f"{signed}, {where}{source}")
        )
    if sensor.tip_sd_mm is not None:
        rows.append(("  the tip along the axis", f"± {up(half_width_mm(sensor.tip_sd_mm)):.1f} mm"))
    if sensor.off_axis_mm is not None:
        rows.append(("  off the bolt's axis", f"{up(sensor.off_axis_mm):.1f} mm"))
    if sensor.seen_share is not None:
        share = math.floor(100.0 * sensor.seen_share + 1e-6)
        rows.append(("  of its length below the bolt, seen", f"{share} %"))
    return rows


def _clearance(c: Clearance) -> list[Row]:
    rows: list[Row] = [("Clearances as achieved", "")]
    readers = c.midline_definition_sd_mm
    for words, value in (
        ("  midline, at the scalp", c.midline_scalp_mm),
        ("  midline, at the outer table", c.midline_outer_table_mm),
        ("  midline, at the inner table", c.midline_inner_table_mm),
        ("  midline, at the sensor's tip", c.midline_tip_mm),
    ):
        rows.append((words, _with_readers(value, c.midline_sd_mm, readers)))
    rows.append(
        ("  sagittal sinus envelope (published)", _with_readers(c.sinus_mm, c.sinus_sd_mm, readers))
    )
    near = _with_readers(c.suture_nearest_mm, c.suture_sd_mm, c.suture_definition_sd_mm)
    rows.append(("  in front of the coronal suture, nearest", near))
    if c.suture_mm is not None:
        rows.append(("  the same, parallel to the midline", figure_mm(c.suture_mm, c.suture_sd_mm)))
    if c.p_suture_below_margin is not None:
        rows.append(("  nearer than the rule's margin", of_100(c.p_suture_below_margin)))
    return rows


def _with_readers(value: float | None, sd: float | None, readers: float | None) -> str:
    text = _length(value, sd)
    if value is None or not readers:
        return text
    return text + f"; readers ± {up(half_width_mm(readers)):.1f} mm"


def _along(made: AfterPlacement) -> list[Row]:
    span = made.along_path_judged_to_mm
    name = "Along the path, something to look at"
    if not made.along_path:
        if span is None:
            return [(name, CANNOT)]
        return [
            (
                name,
                f"none raised from {max(down(span[0], 0), 0.0):.0f} to {down(span[1], 0):.0f} mm "
                "below the inner table, 3 mm and more from the metal",
            )
        ]
    rows: list[Row] = [(name, "")]
    for one in made.along_path:
        what = "reads like air" if one.kind is Something.AIR else "reads denser than brain"
        rows.append(
            (
                f"  {what}",
                f"{max(down(one.from_mm, 0), 0.0):.0f} to {up(one.to_mm, 0):.0f} mm below the "
                f"inner table, about {round(one.hu)} HU",
            )
        )
    return rows


def _frames(frames: Frames) -> list[Row]:
    if frames.by is Compared.NOTHING:
        return [("Plan and scan", f"not brought together: {frames.why_not}")]
    by = "by the skull of both scans"
    if frames.by is Compared.LANDMARKS:
        names = ", ".join(_LANDMARK_WORDS.get(n, n) for n in frames.landmarks)
        by = f"by landmarks: {names}"
    rows: list[Row] = [("Plan and scan brought together", by)]
    if frames.sd_mm is not None and frames.sd_deg is not None:
        rows.append(
            (
                "  error at the bolt",
                f"± {up(half_width_mm(frames.sd_mm)):.1f} mm along each axis, "
                f"± {up(half_width_mm(frames.sd_deg)):.1f} degrees",
            )
        )
    if frames.apart_75_mm is not None:
        rows.append(
            ("  outer tables apart", f"within {up(frames.apart_75_mm):.1f} mm in 75 of 100 places")
        )
    return rows


def _against(a: AgainstPlan) -> list[Row]:
    if a.outer_table_apart_mm is None and a.back_mm is None:
        return [("Distances from the plan", CANNOT)]
    rows: list[Row] = []
    if a.back_mm is not None and a.away_mm is not None:
        half = "" if a.arcs_sd_mm is None else f" ± {up(half_width_mm(a.arcs_sd_mm)):.1f} mm"
        back = "farther back" if a.back_mm >= 0 else "farther forward"
        aside = "farther from the midline" if a.away_mm >= 0 else "nearer to the midline"
        rows.append(("Entry, along the midline tape", f"{abs(a.back_mm):.1f}{half} {back}"))
        rows.append(("  along the lateral tape", f"{abs(a.away_mm):.1f}{half} {aside}"))
    rows.append(("On the scalp, straight", _length(a.entry_apart_mm, a.apart_sd_mm, lower=False)))
    rows.append(
        ("On the outer table, straight", _length(a.outer_table_apart_mm, a.apart_sd_mm,
                                                 lower=False))
    )  # fmt: skip
    rows.append(("Direction", _deg(a.turned_deg, a.turned_sd_deg)))
    rows.append(("Tip, straight", _length(a.tip_apart_mm, a.tip_apart_sd_mm, lower=False)))
    if a.deeper_mm is None:
        rows.append(("Tip's depth", CANNOT))
    else:
        how = "deeper" if a.deeper_mm >= 0 else "shallower"
        text = figure_mm(abs(a.deeper_mm), a.deeper_sd_mm, lower=False)
        rows.append(("Tip's depth", f"{text} {how} than planned"))
    return rows


