"""The bedside sheet: one page to print from a plan record alone, for one side of the patient.

From the top: whose side, what was looked at, the findings; then the map beside the boxes of what
is set by hand; then clearances, prompts that defer to local protocol, and boxes to fill in.
"""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import numpy as np

from entrypoint.figures import sheet_words as words
from entrypoint.figures.save import to_bytes
from entrypoint.figures.sheet_boxes import ROOMY, TIGHT, HandBoxes
from entrypoint.figures.sheet_map import draw_map
from entrypoint.figures.sheet_page import INK, SHADE, SMALL_PT, Paper, SheetPage, line_mm, middle
from entrypoint.figures.sheet_words import Person
from entrypoint.io.record import dumps
from entrypoint.planning.model import Finding, InputKind, Level, Plan, Seat, Side
from entrypoint.report.wording import (
    LEVEL_WORDS,
    PRACTICE_BANNER,
    SIDE_WORDS,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["bedside_sheet", "record_code", "sheet_pdf"]

_EDGE, _TOP, _GAP = 10.0, 6.0, 1.4
_BANNER = 6.4
_LABEL = (64.0, 27.0)  # room for a patient's label
_MAP_SHARE = 0.43
_LEAST_MAP = 68.0
_TICK = 4.5
_MADE_FROM = {
    InputKind.CT: "From a head CT",
    InputKind.LANDMARKS: "From landmarks, no scan",
    InputKind.SCALP: "From a scalp surface, no scan",
    InputKind.TAPE: "From tape measures, no scan",
}
_PROMPTS = (
    "Anticoagulants and clotting", "Previous surgery or shunt", "Infection, here or elsewhere",
    "Allergy", "Consent", "Side marked on the patient",
    "Device and MRI conditions", "Imaging reviewed", "Sensor zeroed before insertion",
)  # fmt: skip
# Each row of boxes to fill in: caption and share of the width.
_FIELDS = (
    (("Date of the scan", 0.2), ("Hours since the scan", 0.2), ("Operator", 0.3),
     ("Second checker", 0.3)),
    (("Date and time", 0.25), ("Depth used, mm", 0.25), ("Zero reference", 0.25),
     ("First reading, mmHg", 0.25)),
    (("Complications", 1.0),),
)  # fmt: skip


def sheet_pdf(
    plan: Plan, *, side: Side, person: Person | None = None, seat: Seat | None = None,
    paper: Paper = Paper.A4,
) -> bytes:  # fmt: skip
    """The sheet as a PDF of one page: vector, text as text, the same bytes each time.

    See :func:`bedside_sheet`.
    """
    return to_bytes(bedside_sheet(plan, side=side, person=person, seat=seat, paper=paper), "pdf")


def record_code(plan: Plan) -> str:
    """The first twelve digits of the SHA-256 of the plan's record, as its file holds it."""
    return hashlib.sha256(dumps(plan).encode()).hexdigest()[:12]


def bedside_sheet(
    plan: Plan, *, side: Side, person: Person | None = None, seat: Seat | None = None,
    paper: Paper = Paper.A4,
) -> Figure:  # fmt: skip
    """Draw the sheet.

    Parameters
    ----------
    plan : Plan
        Of any kind of input; nothing else is read.
    side : Side
        The patient's side, as typed.
    person : Person, optional
        Needed where the plan does not state it. For a child: geometry alone.
    seat : Seat, optional
        What the drill stop seats on; needed where the plan does not name it and holds a length.
    paper : Paper

    Returns
    -------
    matplotlib Figure
        The size of the paper; to be printed at 100 %.

    Raises
    ------
    FieldRefused
        See :func:`entrypoint.figures.sheet_words.chosen`.
    """
    code = record_code(plan)
    plan = words.chosen(plan, side, person, seat)
    return _Sheet(plan, side, paper, code).figure


class _Sheet:
    """The page under construction, from the top down."""

    def __init__(self, plan: Plan, side: Side, paper: Paper, code: str) -> None:
        self.plan, self.side, self.code = plan, side, code
        self.page = SheetPage(paper)
        self.left, self.width = _EDGE, self.page.width_mm - 2.0 * _EDGE
        top = self._banner(_TOP) if plan.practice else _TOP
        top = self._looked_at(self._title(top))
        below = self._foot(measure=True)
        table = self._figures(0.0, measure=True)
        for heights in (ROOMY, TIGHT):
            self.heights = heights
            self.boxes = HandBoxes(self.page, plan, side, heights)
            body = self._boxes_height()
            fixed = body + table + self._prompts_height() + self._fields_height() + 3.0 * _GAP
            room = self.page.height_mm - _TOP - below - top - fixed
            if room >= self._findings(0.0, np.inf, measure=True):
                break
        under = self._findings(top, room)
        spare = max(0.0, room - (under - top))
        taller = min(0.45 * spare, 20.0)
        self._body(under, body + taller)
        top = self._figures(under + body + taller + _GAP)
        more = min((spare - taller) / 8.0, 1.0)
        top = self._prompts(top + _GAP, more)
        self._fields(top + _GAP, min((spare - taller - 3.0 * more) / 3.0, 5.0))
        self._foot()

    @property
    def figure(self) -> Figure:
        return self.page.figure

    # --- who and what ---

    def _banner(self, top: float) -> float:
        page = self.page
        page.box(self.left, top, self.width, _BANNER, line=1.4, fill=SHADE, gid="practice")
        base = middle(top, _BANNER, 12.5)
        page.write(page.width_mm / 2, base, PRACTICE_BANNER, size=12.5, weight="bold", ha="center",
                   gid="practice")  # fmt: skip
        return top + _BANNER + _GAP

    def _title(self, top: float) -> float:
        page, plan = self.page, self.plan
        wide, high = _LABEL
        caption = "Patient's label" + (": none, a practice head" if plan.practice else "")
        self._field(self.left + self.width - wide, top, wide, high, caption)
        room = self.width - wide - 5.0
        page.write(self.left, top + 7.4, SIDE_WORDS[self.side], size=24.0, weight="bold",
                   gid="title")  # fmt: skip
        person = "Adult" if plan.rule.person == Person.ADULT.value else "CHILD: geometry only"
        said = f"Frontal entry. {person}. {_MADE_FROM[plan.input.kind]}: {plan.input.name}."
        size = min(9.5, 9.5 * room / page.width(said, size=9.5, weight="bold"))
        if size < 8.5:  # a label may be long
            size = 8.5
            lines = page.wrapped(said, room - 4.0, size=size, weight="bold")
            said = lines[0].rstrip(":.") + " ..."
        page.write(self.left, top + 12.0, said, size=size, weight="bold", gid="person")
        under = page.paragraph(
            self.left, top + 13.6, room, f"{plan.caveat} {plan.sides_note}", gid="caveat"
        )
        return max(under, top + high) + _GAP

    def _looked_at(self, top: float) -> float:
        page, lead = self.page, 37.0
        top = page.heading(self.left, top, self.width, "WHAT WAS LOOKED AT",
                           "before any number; what is not listed was not looked at")  # fmt: skip
        for word, text in words.looked_at(self.plan, self.side):
            page.write(self.left, top + 2.85, word, weight="bold", gid="looked-at")
            top = page.paragraph(self.left + lead, top, self.width - lead, text)
        return top + _GAP

    def _findings(self, top: float, room: float, *, measure: bool = False) -> float:
        """Findings, stops first; those for which there is no room are counted, never a stop."""
        found = words.findings(self.plan, self.side)
        stops = [f for f in found if f.level is Level.STOP]
        rest = [f for f in found if f.level is not Level.STOP]
        page, lead = self.page, 19.0
        texts = [_said(f) for f in rest]
        high = [len(page.wrapped(t, self.width - lead)) * line_mm() for t in texts]
        if measure:
            head = page.heading(0.0, 0.0, 0.0, "", measure=True)
            if not found:
                return head + line_mm() + _GAP
            return head + self._stops(0.0, stops, np.inf, measure=True) + sum(high) + _GAP
        bottom = top + room - _GAP
        top = page.heading(self.left, top, self.width, "FINDINGS")
        if not found:
            said = "None raised. What is not listed was not looked at."
            return page.paragraph(self.left, top, self.width, said) + _GAP
        top = self._stops(top, stops, bottom - self._left_out_mm(rest))
        for k, (finding, text) in enumerate(zip(rest, texts, strict=True)):
            if top + high[k] + self._left_out_mm(rest[k + 1 :]) > bottom + 1e-6:
                said = _left_out(rest[k:])
                top = page.paragraph(self.left, top, self.width, said, weight="bold", gid="more")
                break
            page.write(self.left, top + 2.85, LEVEL_WORDS[finding.level], weight="bold")
            top = page.paragraph(self.left + lead, top, self.width - lead, text, gid="finding")
        return top + _GAP

    def _left_out_mm(self, rest: list[Finding]) -> float:
        """Height of the line that counts what has no room."""
        if not rest:
            return 0.0
        return len(self.page.wrapped(_left_out(rest), self.width, weight="bold")) * line_mm()

    def _stops(
        self, top: float, stops: list[Finding], bottom: float, *, measure: bool = False
    ) -> float:
        """Stop findings in a heavy frame; in words as far as they go in, all by their code."""
        if not stops:
            return top
        page, lead, pad, size = self.page, 24.0, 1.2, 9.0
        wide = self.width - lead - 2.0 * pad
        texts = [_said(f) for f in stops]
        x = self.left + lead + pad

        def heights() -> list[float]:
            lines = [page.wrapped(t, wide, size=size, weight="bold") for t in texts]
            return [len(some) * line_mm(size) for some in lines]

        if top + sum(heights()) + 2.0 * pad + 0.8 > bottom:
            size = SMALL_PT
        high = heights()
        if measure:
            return top + sum(high) + 2.0 * pad + 0.8
        start, top = top, top + pad
        for k, text in enumerate(texts):
            last = k + 1 == len(texts)
            if k and top + high[k] + (0.0 if last else line_mm()) + pad + 0.8 > bottom + 1e-6:
                codes = ", ".join(dict.fromkeys(f.code for f in stops[k:]))
                top = page.paragraph(x, top, wide, f"And in the plan record: {codes}.",
                                     weight="bold", gid="stop")  # fmt: skip
                break
            top = page.paragraph(x, top, wide, text, size=size, weight="bold", gid="stop")
        top += pad
        page.box(self.left, start, lead - 2.0, top - start, line=0.0, fill=INK)
        page.box(self.left, start, self.width, top - start, line=2.2, gid="stop-frame")
        page.write(self.left + lead / 2 - 1.0, middle(start, top - start, 13.0), "STOP", size=13.0,
                   weight="bold", ha="center", colour="#ffffff", gid="stop")  # fmt: skip
        return top + 0.8

    # --- the map, and what is set by hand ---

    def _columns(self) -> tuple[float, float]:
        wide = _MAP_SHARE * self.width
        return wide, self.width - wide - 4.0

    def _boxes_height(self) -> float:
        return max(_LEAST_MAP, self.boxes.least_mm(self._columns()[1]))

    def _body(self, top: float, height: float) -> None:
        wide, right = self._columns()
        page = self.page
        inside = page.heading(
            self.left, top, wide, "MAP", "seen from the head end, nose at the top"
        )
        draw_map(page, self.plan, self.side, x=self.left, top=inside, width=wide,
                 height=top + height - inside)  # fmt: skip
        self.boxes.draw(self.left + wide + 4.0, top, right, height)

    # --- figures, prompts, boxes to fill in ---

    def _figures(self, top: float, *, measure: bool = False) -> float:
        rows = words.figures(self.plan, self.side)
        told = words.remarks(self.plan, self.side)
        half = (len(rows) + 1) // 2
        lines = len(self.page.wrapped(told, self.width))
        step = line_mm(8.5)
        if measure:
            return 1.4 + line_mm(9.0) + half * step + lines * line_mm() + 0.6
        page = self.page
        top = page.heading(
            self.left, top, self.width, "CLEARANCES, THICKNESS",
            "rounded down; in brackets the 95 % interval, careful readers included",
        )  # fmt: skip
        group = 0.5 * (self.width - 6.0)
        for k, row in enumerate(rows):
            x = self.left + (group + 6.0) * (k // half)
            base = top + (k % half) * step + 3.0
            page.write(x, base, row.name, gid="clearance-name")
            if not row.figure:
                page.write(x + group, base, row.interval, ha="right")
                continue
            lead = 63.0 if row.interval else group
            page.write(x + lead, base, row.figure, size=8.5, weight="bold", ha="right",
                       gid="clearance")  # fmt: skip
            if row.interval:
                page.write(x + 65.0, base, f"({row.interval})", gid="interval")
        top += half * step + 0.6
        return page.paragraph(self.left, top, self.width, told, gid="remark")

    def _prompts_height(self) -> float:
        return 1.4 + line_mm(9.0) + (len(_PROMPTS) // 3) * self.heights.prompt_mm

    def _prompts(self, top: float, grow: float) -> float:
        page = self.page
        top = page.heading(self.left, top, self.width, "BEFORE STARTING",
                           "local protocol decides; each box is for a hand to tick")  # fmt: skip
        rows, step = len(_PROMPTS) // 3, self.heights.prompt_mm + grow
        for k, text in enumerate(_PROMPTS):
            x = self.left + (k // rows) * self.width / 3.0
            at = top + (k % rows) * step + 0.4
            page.box(x, at, _TICK, _TICK, line=0.9, gid="tick-box")
            page.write(x + 6.6, middle(at, _TICK, SMALL_PT), text, gid="prompt")
        return top + rows * step

    def _fields_height(self) -> float:
        return len(_FIELDS) * self.heights.field_mm

    def _fields(self, top: float, grow: float) -> float:
        high = self.heights.field_mm + grow
        for row in _FIELDS:
            x = self.left
            for caption, share in row:
                self._field(x, top, share * self.width, high, caption)
                x += share * self.width
            top += high
        return top

    def _field(self, x: float, top: float, wide: float, high: float, caption: str) -> None:
        self.page.box(x, top, wide, high, line=0.8, gid="field")
        self.page.write(x + 1.2, top + 3.3, caption, gid="field-caption")

    def _foot(self, *, measure: bool = False) -> float:
        """The bar to check the print with, and what this sheet was made from."""
        page, plan = self.page, self.plan
        if measure:
            return 8.4 + _GAP
        bottom = page.height_mm - _TOP
        base = bottom - 5.2
        page.rule([(self.left, base), (self.left + 50.0, base)], width=1.6, gid="bar-50-mm")
        for k in range(6):
            at, tall = self.left + 10.0 * k, 2.4 if k in (0, 5) else 1.5
            page.rule([(at, base - tall), (at, base + tall)], width=0.8, gid="bar-tick")
        page.write(self.left, bottom - 0.2, "50 mm, or print at 100 %")
        right = self.left + self.width
        if plan.practice:
            at, wide = self.left + 53.0, 66.0
            page.box(at, bottom - 7.4, wide, 6.0, line=1.2, fill=SHADE, gid="practice")
            page.write(at + wide / 2, middle(bottom - 7.4, 6.0, 9.5), PRACTICE_BANNER, size=9.5,
                       weight="bold", ha="center", gid="practice")  # fmt: skip
        said = f"Record {self.code}, entrypoint {plan.tool_version}"
        page.write(right, base, said, ha="right", gid="record-code")
        page.write(right - 32.0, bottom - 0.2, "Printed on", ha="right")
        page.rule([(right - 30.0, bottom - 0.2), (right, bottom - 0.2)], width=0.6)
        return bottom


def _left_out(rest: list[Finding]) -> str:
    named = []
    for level, many in ((Level.CAUTION, "cautions"), (Level.NOTE, "notes")):
        codes = dict.fromkeys(f.code for f in rest if f.level is level)
        named += [f"{many} {', '.join(codes)}"] if codes else []
    whole = "; ".join(named)
    return f"No room here for {len(rest)} more, in the plan record (no stop among them): {whole}."


def _said(finding: Finding) -> str:
    return f"{words.whole(finding)} [{finding.code}]"
