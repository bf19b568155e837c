"""Plate: why a tape distance is no one place against the suture, as counts of 100 heads."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from entrypoint.figures.section import bare
from entrypoint.figures.style import Style
from entrypoint.figures.teach.head import TeachingHead
from entrypoint.figures.teach.lines import along, face_line, outward_of, skull_band
from entrypoint.figures.teach.model import Lesson
from entrypoint.figures.teach.page import LABEL_PT, Plate
from entrypoint.planning.odds import normal_quantile
from entrypoint.planning.suture_odds import Arc, SutureOdds, suture_odds
from entrypoint.report.rounding import of_100, tape

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["Group", "hundred_heads", "mark_and_suture"]

FloatArray = NDArray[np.float64]
NAME = "mark-and-suture"
POINT = "The same {cm:g} cm does not end at the same place before the suture"
QUESTION = "How many of 100 heads break the margin at {cm:g} cm?"
_PANELS_IN = {Arc.SCALP: (0.45, 1.2, 5.9, 4.95), Arc.BONE: (6.65, 1.2, 5.9, 4.95)}
_KEY_IN = 6.64
_BINS_A_MARGIN = 3  # so that no column of dots holds two groups
_DOT_MM, _LIFT_MM = 3.5, 11.0
_TIGHT_MM = 60.0  # of arc over which the dots' direction is read: columns must not meet
_VIEW_MM = 226.0  # height of a panel
ROWS = (
    "rule_midline_arc", "rule_lateral_arc", "rule_suture_margin", "nasion_bregma_arc_bone",
    "scalp_minus_bone_arc", "suture_bow_at_30",
)  # fmt: skip


class Group:
    """What a dot says, and its mark: shapes differ, not colours."""

    KEPT = "kept"
    NEAR = "near"
    BEHIND = "behind"


_LOOK = {
    Group.KEPT: ("o", False),
    Group.NEAR: ("o", True),
    Group.BEHIND: ("X", True),
}


def hundred_heads(odds: SutureOdds, margin_mm: float) -> tuple[FloatArray, list[str]]:
    """A hundred heads that stand for the spread: distance of the suture behind the mark, mm.

    The k-th stands at the start of its hundredth, so that as many lie below a limit as its
    probability says, rounded up as counts of harm are.

    Parameters
    ----------
    odds : SutureOdds
    margin_mm : float

    Returns
    -------
    (100,) array, mm
        From the nearest to the farthest; negative where the mark lies behind the suture.
    list of str
        The group of each.
    """
    q = np.maximum(np.arange(100.0) + 0.01, 0.5) / 100.0
    z = np.array([normal_quantile(float(p)) for p in q])
    clear = odds.clearance_mm + odds.sd_mm * z
    groups = [
        Group.BEHIND if c < 0.0 else Group.NEAR if c < margin_mm else Group.KEPT for c in clear
    ]
    return clear, groups


def mark_and_suture(head: TeachingHead, style: Style, *, blank: bool = False) -> Lesson:
    """Draw a hundred sutures over one head's midline arc, by tape on scalp and along bone."""
    rule = head.plan.rule
    plate = Plate(head, style, blank=blank)
    cm, margin = rule.midline_arc_mm / 10.0, rule.suture_margin_mm
    point = POINT.format(cm=cm)
    plate.title(point, QUESTION.format(cm=cm),
                "Each dot is the coronal suture of one head of 100, from published lengths, "
                f"{rule.lateral_arc_mm / 10:g} cm beside the midline.")  # fmt: skip
    found = {
        arc: suture_odds(midline_arc_mm=rule.midline_arc_mm, lateral_arc_mm=rule.lateral_arc_mm,
                         margin_mm=margin, arc=arc)
        for arc in Arc
    }  # fmt: skip
    for arc in (Arc.SCALP, Arc.BONE):
        _panel(plate, head, arc, found[arc])
    _key(plate, margin)
    said = {
        arc: f"nearer than {margin:g} mm in {of_100(odds.p_below_margin)}, behind the suture in "
        f"{of_100(odds.p_behind)}"
        for arc, odds in found.items()
    }
    scalp, bone = found[Arc.SCALP], found[Arc.BONE]
    caption = (
        f"A mark {tape(rule.midline_arc_mm)} behind the nasion has no fixed place before the "
        f"coronal suture, because heads differ: {_spread_words(bone)} along the bone, and about "
        f"{scalp.bregma_arc_mm - bone.bregma_arc_mm:.0f} mm more along the scalp. By tape on the "
        f"scalp the mark lies {said[Arc.SCALP]}; the same length along bare bone lies "
        f"{said[Arc.BONE]}. Counts are of a normal model with published mean and spread, rounded "
        "up; what a hand or a reader adds is not in them. The two lengths are never mixed. The "
        "head is only the ground that the dots stand on."
    )
    alt = (
        "Two drawings of the same head's midline from the side. On each a hundred dots stand like "
        "a hill on the arc where the coronal suture of a hundred heads would lie, and a line "
        f"marks {cm:g} cm from the nasion. On the left, by tape on the scalp, the hill lies "
        f"behind the mark: {said[Arc.SCALP]}. On the right, along the bone, it reaches over the "
        f"mark: {said[Arc.BONE]}."
    )
    return plate.finish(name=NAME, point=point, caption=caption, alt=alt, rows=ROWS)


def _spread_words(odds: SutureOdds) -> str:
    return (
        f"bregma lies {odds.bregma_arc_mm:.1f} ± {odds.bregma_arc_sd_mm:.1f} mm (mean and one "
        "standard deviation) behind the nasion"
    )


def _panel(plate: Plate, head: TeachingHead, arc: Arc, odds: SutureOdds) -> None:
    rule, view = head.plan.rule, head.profile_view
    on_scalp = arc is Arc.SCALP
    title = "By tape on the scalp." if on_scalp else "Along bare bone."
    axes = plate.view(_PANELS_IN[arc], view.seen_from, title=title)
    outer, inner = (view.page_from_world(line) for line in skull_band(head))
    skin = view.page_from_world(head.parts.head.midline_skin_mm)
    face = view.page_from_world(face_line(head))
    front = head.sign
    top = float(skin[:, 1].max())
    bare(axes, plate.extent(axes, (-66.0 * front, top - 29.0), _VIEW_MM))
    plate.edge_words(axes, view.left_edge, view.right_edge)
    ink, quiet = plate.palette.ink, plate.palette.quiet
    inside = np.array([float(skin[:, 0].mean()), 0.3 * top])
    axes.fill(*np.vstack([outer, inner[::-1]]).T, facecolor=plate.palette.faint, lw=0, zorder=1)
    whole = np.concatenate([face[::-1], skin[1:]])
    if on_scalp:
        axes.plot(*whole.T, color=ink, lw=plate.pt(1.9), zorder=3, gid="skin")
    for line in (outer, inner):
        axes.plot(*line.T, color=quiet if on_scalp else ink, zorder=3,
                  lw=plate.pt(1.0 if on_scalp or line is inner else 1.9), gid="skull")  # fmt: skip
    base = head.parts.tape.tape.points_mm if on_scalp else head.parts.head.midline_bone_mm
    arcs = np.linspace(0.0, 200.0, 401)
    line = view.page_from_world(along(base, arcs))
    out = outward_of(line, inside)
    even = outward_of(line, inside, over=2 * int(_TIGHT_MM) + 1)

    def at(arc_mm: float, up_mm: float, *, far: bool = False) -> FloatArray:
        p = np.array([np.interp(arc_mm, arcs, line[:, k]) for k in (0, 1)])
        n = np.array([np.interp(arc_mm, arcs, (even if far else out)[:, k]) for k in (0, 1)])
        return np.asarray(p + up_mm * n / np.linalg.norm(n))

    mark = rule.midline_arc_mm
    path = np.array([at(s, 2.2) for s in np.linspace(0.0, mark, 112)])
    plate.line(axes, path, "path", gid="midline-arc")
    for cm in range(int(mark // 10) + 1):
        long = 5.5 if cm % 5 == 0 else 3.5
        plate.stroke(axes, [at(10.0 * cm, 2.2), at(10.0 * cm, 2.2 + long)], width=1.3,
                     colour="path", gid="tape-tick")  # fmt: skip
        if cm == 5:
            plate.said(axes, at(10.0 * cm, 13.0), f"{cm} cm", given=True,
                       ha="left" if front > 0 else "right", off=(-4.0 * front, 0.0))  # fmt: skip
    clear, groups = hundred_heads(odds, rule.suture_margin_mm)
    bin_mm = rule.suture_margin_mm / _BINS_A_MARGIN
    bins = np.floor(clear / bin_mm + 1e-9).astype(int)
    heights: dict[int, int] = {}
    for b, group in zip(bins, groups, strict=True):
        k = heights.get(int(b), 0)
        heights[int(b)] = k + 1
        spot = at(mark + (b + 0.5) * bin_mm, _LIFT_MM + _DOT_MM * k, far=True)
        _dot(plate, axes, spot, group)
    tall = _LIFT_MM + _DOT_MM * max(heights.values())
    up = [at(mark, -9.0, far=True), at(mark, tall + 9.0, far=True)]
    plate.stroke(axes, up, width=2.4, colour="path", gid="mark")
    deep = 24.0 if on_scalp else 16.0  # to where its name has room
    margin_at = mark + rule.suture_margin_mm
    low, high = at(margin_at, -deep, far=True), at(margin_at, tall + 1.0, far=True)
    plate.line(axes, [low, high], "margin", gid="margin")
    plate.said(axes, at(mark, tall + 11.0, far=True), f"the mark,\n{mark / 10:g} cm", given=True,
               ha="left" if front > 0 else "right", off=(4.0 * front, 2.0), size=LABEL_PT,
               weight="bold")  # fmt: skip
    plate.said(axes, low, f"{rule.suture_margin_mm:g} mm behind it", given=True,
               ha="right" if front > 0 else "left", va="top", plate=False,
               off=(10.0 * front, -2.0))  # fmt: skip
    nasion = line[0]
    plate.mark(axes, "nasion", nasion)
    plate.said(axes, nasion, "nasion", given=True, ha="left" if front > 0 else "right",
               off=(30.0 * front, 0.0))  # fmt: skip
    plate.bar_below(axes, 50.0)
    left_in = _PANELS_IN[arc][0] + (0.4 if front > 0 else _PANELS_IN[arc][2] - 2.65)
    _counts(plate, left_in, odds, rule.suture_margin_mm)


def _dot(plate: Plate, axes: Axes, at: FloatArray, group: str) -> None:
    marker, filled = _LOOK[group]
    suture, paper = plate.colour(axes, "suture"), plate.colour(axes, "paper")
    size = 0.84 * _DOT_MM / plate.mm_per_pt(axes)
    edge = paper if group == Group.BEHIND else suture
    axes.plot([at[0]], [at[1]], marker, ms=size * (1.25 if group == Group.BEHIND else 0.92),
              mfc=suture if filled else paper, mec=plate.colour(axes, "ink")
              if group == Group.BEHIND else edge, mew=plate.pt(0.6 if group == Group.BEHIND
              else 1.0), ls="none", zorder=7, gid=f"dot-{group}")  # fmt: skip


def _counts(plate: Plate, left_in: float, odds: SutureOdds, margin_mm: float) -> None:
    for k, (words, p) in enumerate((
        (f"nearer than {margin_mm:g} mm:", odds.p_below_margin),
        ("mark behind the suture:", odds.p_behind),
    )):  # fmt: skip
        y = 5.72 - 0.72 * k
        plate.write(left_in, y, words, size=LABEL_PT)
        plate.write(left_in, y - 0.27, plate.hidden(of_100(p) + " heads"), size=LABEL_PT,
                    weight="bold", gid="count")  # fmt: skip


def _key(plate: Plate, margin_mm: float) -> None:
    from matplotlib.lines import Line2D

    w, h = plate.size_in
    x = 0.6
    names = (
        (Group.KEPT, f"suture {margin_mm:g} mm or more behind the mark"),
        (Group.NEAR, f"nearer than {margin_mm:g} mm"),
        (Group.BEHIND, "suture in front of the mark"),
    )
    for group, name in names:
        marker, filled = _LOOK[group]
        plate.figure.add_artist(Line2D(
            [x / w], [(_KEY_IN) / h], marker=marker, ls="none", ms=plate.pt(8.0),
            mfc=plate.palette.suture if filled else plate.palette.paper,
            mec=plate.palette.ink if group == Group.BEHIND else plate.palette.suture,
            mew=plate.pt(1.0), transform=plate.figure.transFigure, gid=f"key-{group}"))  # fmt: skip
        plate.write(x + 0.15, _KEY_IN, name, gid="key-name")
        x += 0.75 + 0.083 * len(name)
