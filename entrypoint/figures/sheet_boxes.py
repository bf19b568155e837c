"""What is set by hand: tape, drill stop and sensor depth, each in a box of its own."""

from __future__ import annotations

from dataclasses import dataclass

from entrypoint.figures import sheet_words as words
from entrypoint.figures.sheet_page import INK, SMALL_PT, SheetPage, line_mm, middle
from entrypoint.planning.model import Plan, Side
from entrypoint.report.wording import DEVICE_FIRST, SEAT_WORDS, STOP_GIVES

__all__ = ["ROOMY", "TIGHT", "HandBoxes", "Heights"]

_BETWEEN = 2.0
_STRIP, _STOP_STRIP = 5.4, 6.0
_LEAD = 40.0  # room of the stop length, before the words beside it


@dataclass(frozen=True, slots=True, kw_only=True)
class Heights:
    """Least heights of what can give way."""

    prompt_mm: float
    field_mm: float
    tape_mm: float
    stop_mm: float
    sensor_mm: float


ROOMY = Heights(prompt_mm=5.8, field_mm=10.4, tape_mm=8.0, stop_mm=17.0, sensor_mm=5.0)
# Where the findings need the room.
TIGHT = Heights(prompt_mm=5.0, field_mm=8.6, tape_mm=7.0, stop_mm=14.6, sensor_mm=4.5)


class HandBoxes:
    """The three boxes, one under the other.

    Parameters
    ----------
    page : SheetPage
    plan : Plan
        As the sheet may show it.
    side : Side
    heights : Heights
    """

    def __init__(self, page: SheetPage, plan: Plan, side: Side, heights: Heights) -> None:
        self.page, self.heights = page, heights
        self.tape_rows = words.tape_rows(plan, side)
        self.stop = words.stop_box(plan, side)
        self.sensor_rows = words.sensor_rows(plan, side) or (
            ("none", "is given for a child: geometry only"),
        )

    def least_mm(self, wide: float) -> float:
        """Least height of all of them."""
        return sum(self._each(wide)) + 2.0 * _BETWEEN

    def _each(self, wide: float) -> list[float]:
        h = self.heights
        return [
            _STRIP + len(self.tape_rows) * h.tape_mm,
            self._stop_least(wide),
            _STRIP + len(self.sensor_rows) * h.sensor_mm + line_mm() + 1.0,
        ]

    def draw(self, x: float, top: float, wide: float, high: float) -> None:
        """Draw them into a height of at least :meth:`least_mm`."""
        least = self._each(wide)
        spare = max(0.0, high - sum(least) - 2.0 * _BETWEEN) / len(least)
        for part, own in zip((self._tape, self._stop, self._sensor), least, strict=True):
            part(x, top, wide, own + spare)
            top += own + spare + _BETWEEN

    def _tape(self, x: float, top: float, wide: float, high: float) -> None:
        page, lead = self.page, 50.0
        page.box(x, top, wide, high, line=1.2)
        page.strip(x, top, wide, "TAPE, pulled tight on the scalp", dark=False)
        row = (high - _STRIP) / len(self.tape_rows)
        # Both of one size, as large as goes in.
        wanted = max(page.width(f, size=14.0, weight="bold") for f, _ in self.tape_rows)
        size = max(SMALL_PT, 14.0 * min(1.0, (lead - 5.0) / wanted))
        for k, (figure, text) in enumerate(self.tape_rows):
            at = top + _STRIP + k * row
            page.write(x + 2.0, middle(at, row, size), figure, size=size, weight="bold",
                       gid="tape")  # fmt: skip
            lines = page.wrapped(text, wide - lead - 1.0)
            page.paragraph(x + lead, at + 0.5 * (row - len(lines) * line_mm()), wide - lead - 1.0,
                           text)  # fmt: skip

    def _under_stop(self) -> str:
        return "" if self.stop.why_none else STOP_GIVES

    def _beside_mm(self, wide: float) -> float:
        lines = [self.page.wrapped(t, wide - _LEAD - 2.0) for t in self.stop.beside]
        return sum(len(some) * line_mm() + 0.8 for some in lines) - 0.8

    def _stop_foot(self, wide: float) -> float:
        return len(self.page.wrapped(self._under_stop(), wide - 4.0)) * line_mm() + 1.0

    def _stop_least(self, wide: float) -> float:
        if self.stop.why_none:
            lines = [self.page.wrapped(t, wide - 4.0, weight="bold") for t in self.stop.why_none]
            return _STOP_STRIP + 11.4 + sum(len(some) * line_mm() for some in lines)
        middle_mm = max(self.heights.stop_mm, self._beside_mm(wide) + 1.2)
        return _STOP_STRIP + middle_mm + self._stop_foot(wide)

    def _stop(self, x: float, top: float, wide: float, high: float) -> None:
        page, stop = self.page, self.stop
        page.box(x, top, wide, high, line=2.0)
        seat = "" if stop.seat is None else f": stop seated {SEAT_WORDS[stop.seat]}"
        inner = page.strip(x, top, wide, f"DRILL STOP{seat}", size=10.5, height=_STOP_STRIP,
                           gid="seat")  # fmt: skip
        if stop.why_none:
            self._no_stop(x, inner, wide)
            return
        room = high - _STOP_STRIP - self._stop_foot(wide)
        if stop.blank:
            base = inner + 0.5 * room + 2.0
            page.rule([(x + 3.0, base), (x + _LEAD - 10.0, base)], width=1.0, gid="stop-blank")
            page.write(x + _LEAD - 9.0, base, "mm", size=10.0, weight="bold")
            page.write(x + _LEAD + 1.0, base, stop.beside[0], size=9.0, weight="bold")
        else:
            self._length(x, inner, wide, room)
        page.paragraph(x + 2.0, inner + room, wide - 4.0, self._under_stop())

    def _length(self, x: float, top: float, wide: float, room: float) -> None:
        page = self.page
        base = top + 0.5 * room
        page.write(x + 0.5 * _LEAD, base + 2.2, self.stop.length, size=26.0, weight="bold",
                   ha="center", gid="stop-length")  # fmt: skip
        page.write(x + 0.5 * _LEAD, base + 6.2, "start length", weight="bold", ha="center")
        at = top + 0.5 * (room - self._beside_mm(wide))
        for text in self.stop.beside:
            at = page.paragraph(x + _LEAD, at, wide - _LEAD - 2.0, text, gid="beside-stop") + 0.8

    def _no_stop(self, x: float, top: float, wide: float) -> None:
        page = self.page
        page.box(x + 2.0, top + 1.6, wide - 4.0, 7.4, line=0.0, fill=INK)
        page.write(x + wide / 2, middle(top + 1.6, 7.4, 13.0), "NO STOP LENGTH IS GIVEN",
                   size=13.0, weight="bold", ha="center", colour="#ffffff",
                   gid="no-stop")  # fmt: skip
        at = top + 10.2
        for text in self.stop.why_none:
            at = page.paragraph(x + 2.0, at, wide - 4.0, text, weight="bold", gid="why-no-stop")

    def _sensor(self, x: float, top: float, wide: float, high: float) -> None:
        page, lead, rows = self.page, 27.0, self.sensor_rows
        page.box(x, top, wide, high, line=1.2)
        page.strip(x, top, wide, "SENSOR DEPTH of its tip", dark=False)
        foot = line_mm() + 1.0
        row = (high - _STRIP - foot) / len(rows)
        for k, (figure, text) in enumerate(rows):
            at = top + _STRIP + k * row
            base = middle(at, row, 11.0)
            size = 11.0 if page.width(figure, size=11.0, weight="bold") < lead - 3.0 else SMALL_PT
            if figure:
                page.write(x + lead - 3.0, base, figure, size=size, weight="bold", ha="right",
                           gid="sensor")  # fmt: skip
            else:
                page.rule([(x + 3.0, base), (x + lead - 11.5, base)], width=0.8)
                page.write(x + lead - 3.0, base, "mm", size=11.0, weight="bold", ha="right")
            page.write(x + lead, middle(at, row, SMALL_PT), text, gid="sensor-face")
        page.write(x + 2.0, top + high - foot + 2.6, DEVICE_FIRST, weight="bold")
