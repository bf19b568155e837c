"""Plate: the landmarks and the two tapes, from the side and from above."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from entrypoint.figures.section import bare
from entrypoint.figures.style import Style
from entrypoint.figures.teach.head import TeachingHead
from entrypoint.figures.teach.lines import (
    along,
    face_line,
    nape_line,
    outward_of,
    silhouette,
    skull_band,
)
from entrypoint.figures.teach.model import Lesson
from entrypoint.figures.teach.page import BOTTOM_IN, NOTE_PT, TOP_IN, WIDTH_IN, Plate, columns
from entrypoint.geometry.polylines import between
from entrypoint.report.rounding import tape

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["landmarks_and_tapes"]

FloatArray = NDArray[np.float64]
NAME = "landmarks-and-tapes"
POINT = "Two tapes lead to the entry: one along the midline, one to the side"
QUESTION = "Name the landmarks and the two tapes"
_PROFILE_IN = (1.6, BOTTOM_IN, 5.2, TOP_IN - BOTTOM_IN - 0.3)
_ABOVE_IN = (8.25, BOTTOM_IN, 3.1, TOP_IN - BOTTOM_IN - 0.3)
_Rect = tuple[float, float, float, float]
_NUMBERED_CM = 5
_ON_SKIN_MM = 2.2  # how far a tape is drawn off the skin
ROWS = ("rule_midline_arc", "rule_lateral_arc", "nasion_definition", "inion_definition",
        "bregma_definition")  # fmt: skip


def landmarks_and_tapes(head: TeachingHead, style: Style, *, blank: bool = False) -> Lesson:
    """Draw nasion, inion, bregma, both tapes and the entry on a head's own outline."""
    plate = Plate(head, style, blank=blank)
    plate.title(POINT, QUESTION,
                f"{head.words}: its own lines in the midsagittal plane, and its outline.")
    _profile(plate, head)
    _above(plate, head)
    plate.lay_callouts(high_in=TOP_IN - 0.35)
    rule, side = head.plan.rule, head.side.value
    midline, lateral = tape(rule.midline_arc_mm), tape(rule.lateral_arc_mm)
    caption = (
        f"The midline tape starts at the nasion, the deepest point of the nasal root, and runs "
        f"back over the scalp, pulled tight, for {midline}. There the second tape leaves it at a "
        f"right angle, to the PATIENT'S {side.upper()}, for {lateral}: its end is the entry on "
        "the scalp. Bregma, where the coronal suture crosses the midline, lies on the bone under "
        "the scalp and is not felt by most hands; the inion ends the midline. Ticks are "
        "centimetres."
    )
    alt = (
        "Two line drawings of one head. On the left its profile cut in the midline, with skin and "
        "skull: nasion between brow and nose, inion at the back, bregma on top of the skull, and "
        f"a tape with centimetre ticks along the scalp from the nasion for {midline}. On the "
        f"right the head from above, nose at the top: the same tape along the midline, then a "
        f"second tape to the patient's {side} for {lateral}, and the entry at its end."
    )
    return plate.finish(name=NAME, point=POINT, caption=caption, alt=alt, rows=ROWS)


def _rect(head: TeachingHead, rect: _Rect) -> _Rect:
    """A panel's place; from the patient's left the page is the mirror image."""
    return rect if head.sign > 0 else (WIDTH_IN - rect[0] - rect[2], *rect[1:])


def _profile(plate: Plate, head: TeachingHead) -> None:
    view, parts = head.profile_view, head.parts
    rect = _rect(head, _PROFILE_IN)
    axes = plate.view(rect, view.seen_from, title="Cut from front to back.")
    skin = view.page_from_world(parts.head.midline_skin_mm)
    face = view.page_from_world(face_line(head))
    outer, inner = (view.page_from_world(line) for line in skull_band(head))
    nape = view.page_from_world(nape_line(head))
    whole = np.concatenate([face[::-1], skin[1:], nape[1:]])
    low, high = whole[:, 1].min(), whole[:, 1].max()
    middle = 0.5 * (whole[:, 0].min() + whole[:, 0].max())
    wide = float(np.ptp(whole[:, 0])) + 24.0
    box = axes.get_window_extent()
    height = max(wide * box.height / box.width, high - low + 40.0)
    bare(axes, plate.extent(axes, (middle, 0.5 * (low + high) - 2.0), height))
    forward = head.sign
    plate.edge_words(axes, view.left_edge, view.right_edge)
    inside = np.array([middle, 0.35 * high])
    ink, quiet = plate.palette.ink, plate.palette.quiet
    axes.fill(*np.vstack([outer, inner[::-1]]).T, facecolor=plate.palette.faint, lw=0, zorder=1)
    axes.plot(*whole.T, color=ink, lw=plate.pt(1.9), zorder=3, gid="skin")
    for line in (outer, inner):
        axes.plot(*line.T, color=quiet, lw=plate.pt(1.1), zorder=3, gid="skull")
    length = head.plan.rule.midline_arc_mm
    tape_at = view.page_from_world(along(parts.tape.tape.points_mm, np.linspace(0, length, 221)))
    out = outward_of(tape_at, inside)
    plate.line(axes, tape_at + _ON_SKIN_MM * out, "path", gid="midline-tape")
    _ticks(plate, axes, tape_at, out, length)
    marks = head.plan.landmarks
    at = {n: view.page_from_world(marks[n].position_mm) for n in ("nasion_skin", "inion", "bregma")}
    plate.mark(axes, "nasion", at["nasion_skin"])
    plate.mark(axes, "inion", at["inion"])
    plate.mark(axes, "suture", at["bregma"])
    front, back = columns(forward > 0)
    x_in = {"left": rect[0] - 0.12, "right": rect[0] + rect[2] + 0.12}
    call = plate.callout
    end = tape_at[-1] + (_ON_SKIN_MM + 4.0) * out[-1]
    call(axes, at["nasion_skin"], "nasion", column=front, x_in=x_in[front],
         dot=False)
    call(axes, tape_at[60] + _ON_SKIN_MM * out[60], "midline tape", column=front,
         x_in=x_in[front])  # fmt: skip
    call(axes, end, f"end of the midline\ntape, {length / 10:g} cm", column=front, x_in=x_in[front],
         order=TOP_IN - 0.6)
    call(axes, at["bregma"], "bregma,\non the bone", column=back, x_in=x_in[back], dot=False)
    call(axes, at["inion"], "inion", column=back, x_in=x_in[back], dot=False)
    k = int(0.66 * len(skin))
    near = int(np.argmin(np.linalg.norm(outer - skin[k], axis=1)))
    call(axes, 0.5 * (skin[k] + outer[near]), "scalp", column=back, x_in=x_in[back])
    k = int(0.82 * len(outer))
    call(axes, 0.5 * (outer[k] + inner[k]), "skull", column=back, x_in=x_in[back])
    plate.bar_below(axes, 50.0)


def _ticks(plate: Plate, axes: Axes, line: FloatArray, out: FloatArray, length_mm: float) -> None:
    """A tick each centimetre, longer each five, and one number to count from."""
    for cm in range(int(length_mm // 10) + 1):
        k = round(cm * 10.0 / length_mm * (len(line) - 1))
        last = length_mm - 10.0 * cm < 1e-6
        long = 7.0 if cm % 5 == 0 or last else 4.0
        a = line[k] + _ON_SKIN_MM * out[k]
        plate.stroke(axes, [a, a + long * out[k]], width=2.4 if last else 1.4, colour="path",
                     gid="tape-end" if last else "tape-tick")  # fmt: skip
        if cm == _NUMBERED_CM:
            plate.said(axes, a + (long + 8.0) * out[k], f"{cm} cm", given=True, size=NOTE_PT)


def _above(plate: Plate, head: TeachingHead) -> None:
    rect = _rect(head, _ABOVE_IN)
    axes = plate.view(rect, "the head end, nose at the top", title="From above.")
    ring = silhouette(head)
    view, parts = head.profile_view, head.parts
    right = parts.midsagittal.unit_normal
    front = np.cross(view.unit_page_up, right)

    def on_page(points: FloatArray) -> FloatArray:
        away = np.atleast_2d(points) - view.origin_mm
        return np.stack([away @ right, away @ front], axis=-1)

    low, high = ring[:, 1].min(), ring[:, 1].max()
    box = axes.get_window_extent()
    height = max(high - low + 40.0, (float(np.ptp(ring[:, 0])) + 14.0) * box.height / box.width)
    bare(axes, plate.extent(axes, (0.0, 0.5 * (low + high) - 10.0), height))
    plate.edge_words(axes, "PATIENT'S LEFT", "PATIENT'S RIGHT")
    ink = plate.palette.ink
    axes.fill(*ring.T, color=plate.palette.faint, alpha=0.35, lw=0, zorder=1)
    axes.plot(*ring.T, color=ink, lw=plate.pt(1.7), zorder=3, gid="outline")
    skin = on_page(parts.head.midline_skin_mm)
    ends = skin[[0, int(np.argmin(skin[:, 1]))]]
    plate.line(axes, ends, "plane", gid="midsagittal-plane", zorder=2.5)
    length, lateral = head.plan.rule.midline_arc_mm, head.plan.rule.lateral_arc_mm
    tight = along(parts.tape.tape.points_mm, np.linspace(0.0, length, 111))
    line = on_page(tight)
    plate.line(axes, line, "path", gid="midline-tape")
    for k in range(0, len(line), 10):
        plate.stroke(axes, [line[k] - (2.5, 0), line[k] + (2.5, 0)], width=1.3, colour="path",
                     gid="tape-tick")  # fmt: skip
    site = parts.sites[head.side]
    side_tape = on_page(between(site.entry.lateral_tape.points_mm, 0.0, lateral))
    plate.line(axes, side_tape, "path", gid="lateral-tape")
    for cm in range(1, int(lateral // 10) + 1):
        x, y = on_page(along(site.entry.lateral_tape.points_mm, np.array([10.0 * cm])))[0]
        plate.stroke(axes, [(x, y - 2.5), (x, y + 2.5)], width=1.3, colour="path", gid="side-tick")
    assert head.planned.scalp_entry_mm is not None
    entry = on_page(np.asarray(head.planned.scalp_entry_mm))[0]
    plate.mark(axes, "entry", entry)
    nasion = on_page(head.plan.landmarks["nasion_skin"].position_mm)[0]
    plate.mark(axes, "nasion", nasion)
    column = columns(head.sign > 0)[0]
    x_in = rect[0] + rect[2] + 0.12 if column == "right" else rect[0] - 0.12
    call = plate.callout
    call(axes, nasion, "nasion", column=column, x_in=x_in, dot=False)
    call(axes, side_tape[len(side_tape) // 2], f"tape to\nthe side, {lateral / 10:g} cm",
         column=column, x_in=x_in, order=plate.y_in(axes, entry) + 0.75)
    call(axes, entry, "entry on\nthe scalp", column=column, x_in=x_in,
         order=plate.y_in(axes, entry), dot=False)
    call(axes, skin[int(0.62 * len(skin))], "midline", column=column, x_in=x_in)
    plate.bar_below(axes, 50.0, up_pt=22.0)
