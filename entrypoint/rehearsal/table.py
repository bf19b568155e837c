"""Scores of many attempts on one head: as a document, as CSV and as JSON."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from entrypoint import __version__
from entrypoint.planning.model import CAVEAT, SIDES_NOTE
from entrypoint.rehearsal.cells import cell
from entrypoint.rehearsal.marks_file import Scored
from entrypoint.rehearsal.statistics import BiasAndScatter, bias_and_scatter
from entrypoint.rehearsal.words import NOT_SUMMED, TEACHES, as_lines, score_json
from entrypoint.report.document import Block, Document, Heading, Paragraph, Table
from entrypoint.report.wording import PRACTICE_BANNER, SIDE_WORDS

if TYPE_CHECKING:
    from entrypoint.planning.model import Side
    from entrypoint.rehearsal.heads import StageHead

__all__ = ["scores_csv", "scores_document", "scores_json", "spread_by_side"]

_COLUMNS = (
    "person", "attempt", "side", "nasion_mm", "nasion_front_back_mm", "nasion_left_right_mm",
    "by_eye_mm", "by_eye_front_back_mm", "by_eye_left_right_mm", "entry_mm",
    "entry_front_back_mm", "entry_left_right_mm", "target", "tilt_deg", "lean_front_deg",
    "lean_midline_deg", "off_plan_deg", "suture_mm", "suture_broken_by_mm", "midline_mm",
    "midline_broken_by_mm", "sinus_mm", "sinus_broken_by_mm", "past_inner_mm", "tip_error_mm",
    "decision", "asked", "verdict", "failed", "fails", "refused",
)  # fmt: skip


def _row(scored: Scored) -> dict[str, Any]:
    row: dict[str, Any] = dict.fromkeys(_COLUMNS)
    row |= {"person": scored.person, "attempt": scored.attempt, "refused": scored.refused or None}
    made = scored.score
    if made is None:
        return row
    hand, judged = made.hand, made.judgement
    for name in ("nasion", "by_eye", "entry"):
        offset = getattr(hand, name)
        if offset is not None:
            row[f"{name}_mm"] = offset.along_scalp_mm
            row[f"{name}_front_back_mm"] = offset.front_back_mm
            row[f"{name}_left_right_mm"] = offset.left_right_mm
    for margin in hand.margins:
        row[f"{margin.name}_mm"] = margin.value_mm
        row[f"{margin.name}_broken_by_mm"] = margin.broken_by_mm
    for name in ("target", "tilt_deg", "lean_front_deg", "lean_midline_deg", "off_plan_deg",
                 "past_inner_mm", "tip_error_mm"):  # fmt: skip
        row[name] = getattr(hand, name)
    row |= {
        "side": made.side.value,
        "decision": None if judged.decision is None else judged.decision.value,
        "asked": judged.asked.value,
        "verdict": judged.verdict.value,
        "failed": judged.failed,
        "fails": ";".join(f.value for f in judged.fails),
    }
    return row


def scores_csv(head: StageHead, scored: Sequence[Scored]) -> str:
    """A row an attempt, with caveat and head in the lines above it."""
    out = io.StringIO()
    out.write(f"# {CAVEAT}\n")
    if head.practice:
        out.write(f"# {PRACTICE_BANNER}\n")
    out.write(f"# {TEACHES}\n# head: {head.key}\n# entrypoint {__version__}\n")
    writer = csv.DictWriter(out, _COLUMNS, lineterminator="\n")
    writer.writeheader()
    for one in scored:
        writer.writerow({name: cell(value) for name, value in _row(one).items()})
    return out.getvalue()


def spread_by_side(scored: Sequence[Scored]) -> dict[Side, BiasAndScatter]:
    """Bias and scatter of the entries, a side apart: x to the patient's right, y to the front."""
    marks: dict[Side, list[tuple[float, float]]] = {}
    for one in scored:
        if one.score is not None:
            entry = one.score.hand.entry
            marks.setdefault(one.score.side, []).append(
                (entry.left_right_mm, entry.front_back_mm)
            )
    return {side: bias_and_scatter(xy) for side, xy in marks.items()}


def scores_json(head: StageHead, scored: Sequence[Scored]) -> str:
    """Everything about every attempt, as JSON text."""
    import dataclasses

    made = {
        "record": "entrypoint.rehearsal.scores",
        "version": 1,
        "caveat": CAVEAT,
        "sides_note": SIDES_NOTE,
        "banner": PRACTICE_BANNER if head.practice else None,
        "practice": head.practice,
        "teaches": TEACHES,
        "two_scores": NOT_SUMMED,
        "tool_version": __version__,
        "head": {"key": head.key, "sha256": head.plan.input.sha256},
        "spread": {
            side.value: dataclasses.asdict(found) for side, found in spread_by_side(scored).items()
        },
        "attempts": [
            {
                "person": one.person,
                "attempt": one.attempt,
                "refused": one.refused or None,
                "score": None if one.score is None else score_json(one.score),
            }
            for one in scored
        ],
    }
    return json.dumps(made, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def scores_document(head: StageHead, scored: Sequence[Scored]) -> Document:
    """The scores as blocks of text; begins and ends with the caveat."""
    banner: list[Block] = [Heading(text=PRACTICE_BANNER, rank=1)] if head.practice else []
    blocks: list[Block] = [Paragraph(text=CAVEAT), *banner]
    blocks += [Paragraph(text=f"Marks on {head.title.lower()} ({head.key}). {SIDES_NOTE}")]
    blocks += [Paragraph(text=f"{NOT_SUMMED} {TEACHES}")]
    for one in scored:
        blocks += _attempt(one)
    spreads = spread_by_side(scored)
    for side, found in spreads.items():
        if found.n > 1:
            blocks += _spread(side, found)
    return (*blocks, *banner, Paragraph(text=CAVEAT))


def _attempt(one: Scored) -> list[Block]:
    name = f"{one.person}, attempt {one.attempt}"
    if one.score is None:
        return [Heading(text=name), Paragraph(text=f"Not scored. {one.refused}")]
    made = one.score
    judged = made.judgement
    blocks: list[Block] = [
        Heading(text=f"{name}: {SIDE_WORDS[made.side]}"),
        Heading(text="Hand", rank=3),
        *(Paragraph(text=line) for line in as_lines(made).values()),
    ]
    title = "Judgement: " + ("FAILS, whatever the millimetres" if judged.failed else (
        judged.verdict.value
    ))  # fmt: skip
    blocks.append(Heading(text=title, rank=3))
    return [*blocks, *(Paragraph(text=line) for line in judged.reasons)]


def _spread(side: Side, found: BiasAndScatter) -> list[Block]:
    x, y = found.mean_mm
    rows = [
        ("Marks", str(found.n)),
        ("Bias (their mean)", f"{found.bias_mm:.1f} mm: {abs(y):.1f} mm "
         f"{'in front of' if y >= 0 else 'behind'} and {abs(x):.1f} mm towards the PATIENT'S "
         f"{'RIGHT' if x >= 0 else 'LEFT'}"),
    ]  # fmt: skip
    if found.circular_error_mm is not None:
        rows.append(
            ("Scatter (half of them within)", f"{found.circular_error_mm:.1f} mm of their mean")
        )
        rows.append(
            ("95 % ellipse, half axes",
             f"{found.major_mm or 0.0:.1f} by {found.minor_mm or 0.0:.1f} mm")
        )  # fmt: skip
    rows.append(
        ("Half of them within", f"{found.circular_error_about_true_mm:.1f} mm of the true point")
    )
    return [Heading(text=f"ENTRIES TOGETHER: {SIDE_WORDS[side]}"), Table(rows=tuple(rows))]
