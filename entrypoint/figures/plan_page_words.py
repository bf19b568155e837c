"""What the page of a plan says of one side, ready for its template."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from entrypoint.figures import sheet_words
from entrypoint.planning.model import Plan, Side
from entrypoint.report import page_rows, page_words
from entrypoint.report.document import Heading, Paragraph, Table
from entrypoint.report.hand_text import hand_blocks
from entrypoint.report.wording import (
    NAME_THE_SEAT,
    SEAT_WORDS,
    SIDE_WORDS,
    STOP_GIVES,
    sentence,
)

__all__ = ["Sources", "blocks_told", "drill_told", "side_told"]


class Sources:
    """Reference rows in the order in which the page leads to them."""

    def __init__(self) -> None:
        self.keys: list[str] = []

    def numbers(self, keys: Iterable[str]) -> list[int]:
        """The numbers of rows; one that is new gets the next."""
        for key in keys:
            if key not in self.keys:
                self.keys.append(key)
        return [self.keys.index(key) + 1 for key in keys]

    def row(self, row: page_rows.FigureRow | page_words.Row3) -> dict[str, Any]:
        """A row with its sources as numbers."""
        fields = {name: getattr(row, name) for name in row.__slots__}
        return {**fields, "notes": self.numbers(row.notes)}


def side_told(
    plan: Plan, side: Side, pictures_of: dict[str, dict[Side | None, dict[str, Any]]],
    sources: Sources,
) -> dict[str, Any]:  # fmt: skip
    """One side: findings, the box of what is set by hand, figures, pictures."""
    found = plan.sides[side]
    groups = [
        {"title": group.title, "rows": [sources.row(row) for row in group.rows]}
        for group in page_rows.side_groups(plan, side)
    ]
    moved = sentence(found.moved.text) if found.moved is not None and found.moved.text else ""
    return {
        "anchor": f"side-{side.value}", "words": SIDE_WORDS[side],
        "findings": page_words.explained(found.findings), "drill": drill_told(plan, side),
        "groups": groups, "moved": moved, "hand": blocks_told(hand_blocks(plan, side)),
        "pictures": [views[side] for views in pictures_of.values()],
    }  # fmt: skip


def drill_told(plan: Plan, side: Side) -> dict[str, Any]:
    """The box of what is set by hand: one stop length, or a ruled blank and why."""
    box = sheet_words.stop_box(plan, side)
    stop, seat = plan.sides[side].drill_stop, plan.rule.stop_seats_on
    known = not (stop.start_on_bone_mm is stop.start_on_scalp_mm is None)
    seated = f", stop seated {SEAT_WORDS[seat]}" if seat is not None else ""
    if box.length and len(plan.sides) > 1:
        length, lines = "", [page_words.ONE_SIDE_FOR_A_STOP]
    elif box.length:
        length, lines = box.length, [*box.beside, STOP_GIVES]
    elif known and seat is None:
        length, lines = "", [NAME_THE_SEAT]
    else:
        length, lines = "", [*box.why_none, *box.beside]
    sensor = [
        (words[0].upper() + words[1:], figure or f"{'_' * 8} mm")
        for figure, words in sheet_words.sensor_rows(plan, side)
    ]
    return {
        "heading": f"Stop length{seated}, {SIDE_WORDS[side]}", "length": length,
        "lines": [sentence(line) for line in lines], "sensor": sensor,
    }  # fmt: skip


def blocks_told(blocks: list[Any]) -> dict[str, Any] | None:
    """Text blocks as a page sets them: a title, one table, and what stands before and after."""
    if not blocks:
        return None
    told: dict[str, Any] = {"title": "", "rows": [], "before": [], "after": []}
    for block in blocks:
        if isinstance(block, Heading):
            told["title"] = block.text
        elif isinstance(block, Table):
            told["rows"] += [(name.strip(), value) for name, value in block.rows]
        elif isinstance(block, Paragraph):
            told["after" if told["rows"] else "before"].append(block.text)
    return told
