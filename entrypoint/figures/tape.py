"""The two tapes in outline, for any plan: how far back from the nasion, how far to the side.

Needs no scan. The head is a drawing of an average one, scaled to the nasion-inion tape where one
was given; the tapes on it are the plan's.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from entrypoint.figures.chart_page import ChartPage
from entrypoint.figures.outline import Outline, outline
from entrypoint.figures.section import bare
from entrypoint.figures.style import Labels, Style
from entrypoint.planning.entry import side_sign
from entrypoint.planning.model import LateralBy, Plan, Side
from entrypoint.report.rounding import HALF_WIDTH_95, of_100, tape

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["tape_picture"]

FloatArray = NDArray[np.float64]
SIZE_IN = (12.0, 8.0)
_PROFILE_IN = (0.2, 1.3, 6.2, 5.5)
_ABOVE_IN = (6.7, 1.3, 5.1, 5.5)
_LIFT_MM = 3.0  # of the tape over the outline, so that both are seen


def tape_picture(plan: Plan, style: Style | None = None) -> Figure:
    """The midline tape on a profile, and the step to the side seen from the head end.

    Parameters
    ----------
    plan : Plan
        Of any kind of input.
    style : Style, optional
    """
    page = ChartPage(plan, style or Style(), SIZE_IN)
    sides = [side for side in (Side.RIGHT, Side.LEFT) if side in plan.sides] or list(Side)
    given = plan.input.measures_mm.get("nasion_inion_mm")
    head = outline(given)
    which = "scaled to the nasion-inion tape given" if given else "of average size"
    page.heading(
        sides[0] if len(sides) == 1 else None, "the two tapes",
        f"A drawing of a head, {which}: not this head's shape. Tapes lie taut on the scalp.",
    )  # fmt: skip
    _profile(page, plan, head, sides[0])
    _from_above(page, plan, head, sides)
    if plan.population is not None and page.style.labels is Labels.FULL:
        page.write(0.2, 1.06, _others(plan))
    page.banner(0.2, 0.58, SIZE_IN[0] - 0.4)
    page.foot()
    return page.figure


def _others(plan: Plan) -> str:
    p, margin = plan.population, plan.rule.suture_margin_mm
    assert p is not None
    return (
        f"In other heads a point at {tape(plan.rule.midline_arc_mm)} lies nearer than {margin:g} "
        f"mm to the coronal suture in {of_100(p.p_suture_below_margin)}, behind it in "
        f"{of_100(p.p_behind_suture)}."
    )


def _profile(page: ChartPage, plan: Plan, head: Outline, side: Side) -> None:
    """The head from the side with the midline tape."""
    front = side_sign(side)  # the face lies to the right when it is seen from the patient's right
    axes = page.panel(
        _PROFILE_IN, seen_from=f"the PATIENT'S {side.value.upper()}", strip=False,
        title="Midline tape.", plates=False,
    )  # fmt: skip
    flip = np.array([front, 1.0])
    top, low = float(head.scalp_mm[:, 1].max()), float(head.face_mm[:, 1].min())
    high = top - low + 46.0
    bare(axes, page.extent(axes, (-6.0 * front, 0.5 * (top + low) + 9.0), high))
    quiet = page.palette.quiet
    whole = np.concatenate([head.face_mm[::-1], head.scalp_mm[1:], head.nape_mm[1:]]) * flip
    axes.fill(whole[:, 0], whole[:, 1], color=page.palette.faint, lw=0, zorder=1)
    for line, width in (
        (whole, 1.6), (head.ear_mm * flip, 1.2), (head.eye_mm * flip, 1.2),
        (head.brow_mm * flip, 2.0),
    ):  # fmt: skip
        axes.plot(line[:, 0], line[:, 1], color=quiet, lw=page.pt(width), zorder=2,
                  solid_capstyle="round")  # fmt: skip
    page.keep_off(axes, whole)
    length = plan.rule.midline_arc_mm
    page.edges(axes, *(("BACK", "FRONT") if front > 0 else ("FRONT", "BACK")))
    _tape_on(page, axes, head, length, flip)
    nasion = head.on_tape(np.array([0.0]))[0] * flip
    end = (head.on_tape(np.array([length]))[0] + _LIFT_MM * head.outward(np.array([length]))[0])
    end = end * flip
    inion = head.scalp_mm[-1] * flip
    page.mark(axes, "nasion", nasion)
    page.mark(axes, "inion", inion)
    page.label(axes, nasion, "nasion", "N", towards=[(front, 0.2), (front, 0.6)])
    page.label(axes, inion, "inion", "I", towards=[(-front, 0.2), (-front, -0.4)])
    _bregma(page, axes, plan, head, flip)
    out = head.outward(np.array([length]))[0] * flip
    page.stroke(axes, [end - 5.0 * out, end + 9.0 * out], width=2.6, gid="tape-end")
    page.label(axes, end + 9.0 * out, f"midline tape ends:\n{tape(length)}", f"{length / 10:g} cm",
               towards=[(0.4 * front, 1), (front, 0.8), (0, 1), (front, 0.3)],
               reach=(20.0, 34.0, 50.0))  # fmt: skip


def _tape_on(
    page: ChartPage, axes: Axes, head: Outline, length_mm: float, flip: FloatArray
) -> None:
    """The tape with a tick each centimetre and a number each five."""
    arcs = np.linspace(0.0, length_mm, 200)
    line = (head.on_tape(arcs) + _LIFT_MM * head.outward(arcs)) * flip
    page.line(axes, line, "path", gid="midline-tape")
    for cm in range(int(length_mm // 10) + 1):
        at, out = head.on_tape(np.array([10.0 * cm]))[0], head.outward(np.array([10.0 * cm]))[0]
        long = 6.5 if cm % 5 == 0 else 4.0
        page.stroke(axes, [(at + _LIFT_MM * out) * flip, (at + (_LIFT_MM + long) * out) * flip],
                    width=1.5, colour="path", gid="tape-tick")  # fmt: skip
        near_end = length_mm - 10.0 * cm < 4.0
        if cm and not near_end and page.style.labels is not Labels.OFF:
            page.number_at(axes, (at + (_LIFT_MM + long + 4.5) * out) * flip, f"{cm}")


def _bregma(page: ChartPage, axes: Axes, plan: Plan, head: Outline, flip: FloatArray) -> None:
    """Where bregma lies in other heads, as a stretch of the scalp."""
    p = plan.population
    if p is None:
        return
    half = HALF_WIDTH_95 * p.bregma_arc_sd_mm
    arcs = np.linspace(p.bregma_arc_mm - half, p.bregma_arc_mm + half, 60)
    line = (head.on_tape(arcs) - 5.0 * head.outward(arcs)) * flip
    axes.plot(line[:, 0], line[:, 1], color=page.colour(axes, "suture"), lw=page.pt(7.0),
              alpha=0.35, solid_capstyle="butt", zorder=3, gid="bregma-range")  # fmt: skip
    middle = (head.on_tape(np.array([p.bregma_arc_mm]))[0]
              - 5.0 * head.outward(np.array([p.bregma_arc_mm]))[0]) * flip  # fmt: skip
    page.mark(axes, "suture", middle)
    page.label(
        axes, middle,
        f"bregma in other heads:\n{tape(p.bregma_arc_mm)},\n95 of 100 within the band",
        f"B {p.bregma_arc_mm / 10:.1f} cm", towards=[(0, -1), (-0.6 * flip[0], -1)],
        reach=(26.0, 40.0, 60.0),
    )  # fmt: skip


def _from_above(page: ChartPage, plan: Plan, head: Outline, sides: list[Side]) -> None:
    """The head from the head end with the tape to the side."""
    axes = page.panel(
        _ABOVE_IN, seen_from="the head end, nose at the top", strip=False,
        title="To the side.", plates=False,
    )  # fmt: skip
    front, back = float(head.above_mm[:, 1].max()), float(head.above_mm[:, 1].min())
    bare(axes, page.extent(axes, (0.0, 0.5 * (front + back) + 4.0), front - back + 44.0))
    quiet = page.palette.quiet
    ring = head.above_mm
    axes.fill(ring[:, 0], ring[:, 1], color=page.palette.faint, lw=0, zorder=1)
    t = np.linspace(0.0, np.pi, 40)
    nose = np.column_stack([11.0 * np.cos(t) ** 3 + 3.0 * np.cos(t), front + 15.0 * np.sin(t) - 1])
    ear = np.column_stack([7.0 * np.sin(t) ** 0.7, 14.0 * np.cos(t)])
    beside = np.array([head.half_breadth_mm - 0.5, 0.5 * (front + back) + 6.0])
    for line in (ring, nose, ear + beside, (ear + beside) * np.array([-1.0, 1.0])):
        axes.plot(line[:, 0], line[:, 1], color=quiet, lw=page.pt(1.6), zorder=2,
                  solid_joinstyle="round")  # fmt: skip
    page.edges(axes, "PATIENT'S LEFT", "PATIENT'S RIGHT")
    page.keep_off(axes, ring)
    page.line(axes, [(0.0, front - 1.0), (0.0, back + 1.0)], "plane", gid="midsagittal-plane",
              zorder=3)  # fmt: skip
    length = plan.rule.midline_arc_mm
    arcs = np.linspace(0.0, length, 100)
    back_to = head.on_tape(arcs)[:, 0]
    page.line(axes, np.column_stack([np.zeros(len(arcs)), back_to]), "path", gid="midline-tape")
    for cm in range(int(length // 10) + 1):
        y = float(head.on_tape(np.array([10.0 * cm]))[0, 0])
        page.stroke(axes, [(-3.0, y), (3.0, y)], width=1.3, colour="path", gid="tape-tick")
    step = float(head.on_tape(np.array([length]))[0, 0])
    lateral = _lateral_mm(plan)
    for side in sides:
        _step(page, axes, plan, head, side, step, lateral, named=side is sides[0])
    page.mark(axes, "nasion", (0.0, front))
    page.label(axes, (0.0, front), "nasion", "N", towards=[(-1, 0.4), (-1, 0.8)])
    page.label(axes, (0.0, back + 32.0), "midline", "M", towards=[(-side_sign(sides[0]), 0.0)])


def _lateral_mm(plan: Plan) -> float | None:
    """Length of the tape to the side; None for the pupils' line where it is not known."""
    if plan.rule.lateral_by is LateralBy.ARC:
        return plan.rule.lateral_arc_mm
    for found in plan.sides.values():
        if found.tapes is not None:
            return found.tapes.lateral_taut_mm
    return None


def _step(
    page: ChartPage, axes: Axes, plan: Plan, head: Outline, side: Side, y: float,
    lateral: float | None, *, named: bool,
) -> None:  # fmt: skip
    """The tape to one side with its ticks, and the point that it leads to."""
    sign = side_sign(side)
    by_pupils = plan.rule.lateral_by is LateralBy.MID_PUPILLARY
    shown = lateral if lateral is not None else 32.0
    # A scalp that curves down: what lies further out is seen shorter from above.
    bend = head.half_breadth_mm

    def across(arc: float) -> float:
        return float(sign * bend * np.sin(arc / bend))

    arcs = np.linspace(0.0, shown, 60)
    page.line(axes, [(across(a), y) for a in arcs], "path", gid="lateral-tape")
    for cm in range(1, int(shown // 10) + 1):
        x = across(10.0 * cm)
        page.stroke(axes, [(x, y - 3.0), (x, y + 3.0)], width=1.3, colour="path", gid="side-tick")
        if page.style.labels is not Labels.OFF:
            page.number_at(axes, (x, y + 7.5), f"{cm}")
    at = np.array([across(shown), y])
    page.mark(axes, "entry", at)
    if not named:
        return
    said = "half the\npupils' distance" if by_pupils else tape(plan.rule.lateral_arc_mm)
    short = "" if lateral is None else f"{lateral / 10:g} cm"
    page.label(axes, at, f"entry on\nthe scalp:\n{said}\nto the side", f"E {short}",
               towards=[(0.2 * sign, -1), (0.0, -1), (0.5 * sign, -1)],
               reach=(24.0, 40.0, 60.0))  # fmt: skip

