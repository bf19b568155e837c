"""Both sides beside each other: one table, then the reasons in words; no verdict and no sum."""

from __future__ import annotations

from entrypoint.planning.model import ComparisonRow, InputKind, Plan, Side
from entrypoint.report.document import Block, Heading, Paragraph, Table
from entrypoint.report.rounding import figure_mm, half_width_mm, of_100, up
from entrypoint.report.wording import SIDE_WORDS, sentence

__all__ = ["comparison_blocks"]

_NO_VERDICT = (
    "Each line is one reason by itself: they overlap, they are not of one weight, and nothing here "
    "adds them up or names a side. A line speaks for a side only where the difference is larger "
    "than half of its own 95 % interval, readers included. Local protocol and the licensed "
    "practitioner decide the side."
)
# What a row says for the side that it speaks for, and against the other one.
_REASONS = {
    "suture": ("the coronal suture lies farther behind it", "the coronal suture lies nearer"),
    "suture-odds": (
        "the suture margin is broken in fewer placements",
        "the suture margin is broken in more placements",
    ),
    "midline": ("the point lies farther from the midline", "the point lies nearer to the midline"),
    "sinus": (
        "the path keeps farther from the published sinus envelope",
        "the path comes nearer to the published sinus envelope",
    ),
    "scalp": (
        "the scalp is thinner, by more than a usual difference",
        "the scalp is thicker, as over a swelling, which moves tape, point and stop",
    ),
    "skull": ("there is more bone for a bolt to hold", "the bone is thin for a bolt to hold"),
    "findings-stop": ("no stop finding, or fewer", "a stop finding, or more"),
    "findings-caution": ("fewer cautions", "more cautions"),
    "hand-any-margin": (
        "simulated hands break a margin less often",
        "simulated hands break a margin more often",
    ),
}


def comparison_blocks(plan: Plan) -> list[Block]:
    """Blocks of the comparison; none where one side alone is planned.

    Parameters
    ----------
    plan : Plan
    """
    found = plan.comparison
    if found is None:
        return []
    blocks: list[Block] = [
        Heading(text="THE TWO SIDES BESIDE EACH OTHER"),
        Table(rows=tuple((_name(plan, r), _text(r)) for r in found.rows)),
    ]
    for side in (Side.RIGHT, Side.LEFT):
        speaking = [r for r in found.rows if r.speaks_for is not None]
        told = [_reason(r, side) for r in speaking if r.speaks_for is side]
        against = [
            _reason(r, side) for r in speaking if r.speaks_for is not side and r.code in _REASONS
        ]
        blocks.append(
            Paragraph(
                text=f"What speaks for the {SIDE_WORDS[side]}: {_listed(told)} "
                f"Against it: {_listed(against)}"
            )
        )
    blocks.append(Paragraph(text=_NO_VERDICT))
    return blocks


def _listed(reasons: list[str]) -> str:
    return sentence("; ".join(reasons) if reasons else "nothing in this table")


def _reason(row: ComparisonRow, side: Side) -> str:
    if row.code not in _REASONS:
        return f"it is preferred beforehand ({row.note})"
    text = _REASONS[row.code][0 if row.speaks_for is side else 1]
    if row.code == "sinus":
        wider = SIDE_WORDS[Side.RIGHT]
        text += f" (that envelope is wider on the {wider})"
    return text


def _name(plan: Plan, row: ComparisonRow) -> str:
    rule = plan.rule
    if row.code == "suture":
        if plan.population is not None:
            return "Coronal suture, as published heads have it"
        return "Coronal suture, nearest"
    names = {
        "suture-odds": f"  nearer than {rule.suture_margin_mm:g} mm",
        "midline": "Midline plane to the scalp point",
        "sinus": "Sinus envelope, least (wider on the PATIENT'S RIGHT)",
        "scalp": "Scalp along the path, swelling",
        "skull": "Skull along the path",
        "findings-stop": "Stop findings",
        "findings-caution": "Cautions",
        "findings-note": "Notes",
        "hand-any-margin": "At least one margin broken, by a simulated hand",
        "preferred-side": "Preferred beforehand: the non-dominant side, usually the right",
    }
    if row.code == "midline" and plan.input.kind is InputKind.TAPE:
        return "Midline to the scalp point"
    return names.get(row.code, row.code)


def _text(row: ComparisonRow) -> str:
    if row.code == "preferred-side" and row.speaks_for is not None:
        return f"speaks for the {SIDE_WORDS[row.speaks_for]} ({row.note})"
    figures = (
        f"{SIDE_WORDS[Side.RIGHT]} {_figure(row, row.right, row.right_sd)}, "
        f"{SIDE_WORDS[Side.LEFT]} {_figure(row, row.left, row.left_sd)}"
    )
    if row.right is not None and row.left is not None and row.unit == "mm":
        figures += f"; difference {abs(row.right - row.left):.1f}"
        figures += "" if row.sd is None else f" ± {up(half_width_mm(row.sd)):.1f}"
        figures += " mm"
    words = f"speaks for the {SIDE_WORDS[row.speaks_for]}" if row.speaks_for else row.note
    return f"{figures}: {words}"


def _figure(row: ComparisonRow, figure: float | None, sd: float | None) -> str:
    if figure is None:
        return "no figure"
    if row.unit == "findings":
        return f"{figure:.0f}"
    if row.unit == "1":
        return of_100(figure)
    return figure_mm(figure, sd)
