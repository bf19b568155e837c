"""The sheet's one map: the head from the head end with both tapes, in lines that print.

What the record places (entry, nasion, suture) is projected as it is. The head round it is drawn,
and so are the centimetre ticks between the two ends of a tape: no length is read off the map.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from entrypoint.figures.outline import Outline, outline
from entrypoint.figures.sheet_page import INK, SHADE, SheetPage, middle
from entrypoint.planning.entry import side_sign
from entrypoint.planning.model import How, Plan, Side
from entrypoint.report.rounding import HALF_WIDTH_95
from entrypoint.report.wording import HOW_WORDS, SIDE_WORDS

__all__ = ["MapPoints", "draw_map", "map_points"]

FloatArray = NDArray[np.float64]
_TILT_DEG = 28.0  # from straight above towards the face, so that the forehead's ticks spread
_BACK_MM, _FRONT_MM = -76.0, 143.0  # of the map, from the middle of the drawn head
_HALF_MM = 84.0
_TICK_MM, _LONG_MM = 3.4, 6.0
# Right half of a drawn head seen so: skull, cheek and chin; then brow, ear and nose.
_RING = (
    (60.0, -76.0), (69.0, -52.0), (74.5, -28.0), (76.0, -8.0), (74.5, 14.0), (71.5, 34.0),
    (68.5, 52.0), (66.0, 68.0), (62.0, 86.0), (54.5, 104.0), (42.0, 121.0), (26.0, 133.0),
    (11.0, 138.0), (0.0, 139.0),
)  # fmt: skip
_BROW = ((16.0, 87.0), (24.0, 87.0), (35.0, 82.5), (45.0, 74.5), (51.0, 66.0))
_EAR = ((75.6, -11.0), (81.0, -12.5), (84.0, -4.0), (82.5, 8.0), (78.5, 16.5), (74.0, 18.0))
_NOSE = ((5.0, 101.0), (6.5, 109.0), (9.5, 117.0), (12.5, 123.5), (12.8, 127.5), (10.0, 130.0),
         (5.5, 132.6), (0.0, 133.6))  # fmt: skip
_KEY_LINE = 3.9
TAPE_PT, SUTURE_PT, HEAD_PT = 1.9, 1.3, 0.8
DASHED: Any = (0, (4.5, 2.6))
CHAIN: Any = (0, (9.0, 2.2, 1.8, 2.2))


@dataclass(frozen=True, slots=True, kw_only=True)
class MapPoints:
    """What lies on the map, mm to the patient's right and towards the face, (k, 2) arrays."""

    midline_ticks_mm: FloatArray  # one each centimetre from the nasion, then the tape's end
    lateral_ticks_mm: FloatArray  # the same from the midline tape's end to the entry
    entry_mm: FloatArray  # (2,)
    suture_mm: FloatArray  # empty where none is known
    suture_seen: bool
    suture_band_mm: tuple[float, float] | None  # where it lies in 95 of 100 other heads


def map_points(plan: Plan, side: Side) -> MapPoints | None:
    """Places on the map; None where the plan gives no tape distances on that side.

    Parameters
    ----------
    plan : Plan
    side : Side
    """
    found = plan.sides[side]
    if found.tapes is None:
        return None
    back, aside = found.tapes.midline_taut_mm, found.tapes.lateral_taut_mm
    head = outline(plan.input.measures_mm.get("nasion_inion_mm"))
    placed = _Placed.of(plan, head)
    sign = side_sign(side)
    if placed is None or found.scalp_entry_mm is None:
        half = head.half_breadth_mm
        entry = np.array([sign * half * np.sin(aside / half), _along(head, np.array([back]))[0]])
        nasion = float(_along(head, np.zeros(1))[0])
    else:
        entry = placed.on_map(found.scalp_entry_mm)
        nasion = float(placed.on_map(plan.landmarks["nasion_skin"].position_mm)[1])
    arcs = _each_cm(back)
    drawn = _along(head, arcs)
    down = (drawn - drawn[0]) / (drawn[-1] - drawn[0])
    steps = np.sin(_each_cm(aside) / head.half_breadth_mm)
    suture, seen, band = _suture(plan, side, head, placed)
    return MapPoints(
        midline_ticks_mm=np.column_stack(
            [np.zeros(len(arcs)), nasion + down * (entry[1] - nasion)]
        ),
        lateral_ticks_mm=np.column_stack(
            [entry[0] * steps / steps[-1], np.full(len(steps), entry[1])]
        ),
        entry_mm=entry,
        suture_mm=suture,
        suture_seen=seen,
        suture_band_mm=band,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Placed:
    """Where world points fall on the map."""

    origin_mm: FloatArray
    unit_right: FloatArray
    unit_up_the_page: FloatArray
    nasion_up_mm: float
    ratio: float  # of this head to the drawn one

    @classmethod
    def of(cls, plan: Plan, head: Outline) -> _Placed | None:
        plane, nasion = plan.midsagittal_plane, plan.landmarks.get("nasion_skin")
        inion = plan.landmarks.get("inion")
        if plane is None or nasion is None or inion is None:
            return None
        right = plane.unit_normal
        ahead = nasion.position_mm - inion.position_mm
        ahead = ahead - (ahead @ right) * right
        length = float(np.linalg.norm(ahead))
        ahead = ahead / length
        up = np.cross(right, ahead)
        # The drawn head holds its inion a little above its nasion's level: so does this one.
        drawn = head.scalp_mm[0] - head.scalp_mm[-1]
        turn = np.radians(_TILT_DEG) + np.arctan2(drawn[1], drawn[0])
        return cls(
            origin_mm=nasion.position_mm - ((nasion.position_mm - plane.point_mm) @ right) * right,
            unit_right=right,
            unit_up_the_page=np.cos(turn) * ahead - np.sin(turn) * up,
            nasion_up_mm=float(_along(head, np.zeros(1))[0]),
            ratio=length / float(np.linalg.norm(drawn)),
        )

    def on_map(self, points_mm: ArrayLike) -> FloatArray:
        away = np.asarray(points_mm, dtype=float) - self.origin_mm
        up = away @ self.unit_up_the_page / self.ratio + self.nasion_up_mm
        return np.stack([away @ self.unit_right / self.ratio, up], axis=-1)


def _along(head: Outline, arcs_mm: FloatArray) -> FloatArray:
    """Places of the drawn head's midline on the map, by arc from the nasion."""
    at, turn = head.on_tape(arcs_mm), np.radians(_TILT_DEG)
    return np.asarray(np.cos(turn) * at[:, 0] - np.sin(turn) * at[:, 1])


def _each_cm(length_mm: float) -> FloatArray:
    whole = np.arange(0.0, length_mm - 1e-6, 10.0)
    return np.append(whole, length_mm)


def _suture(
    plan: Plan, side: Side, head: Outline, placed: _Placed | None
) -> tuple[FloatArray, bool, tuple[float, float] | None]:
    suture, p = plan.coronal_suture, plan.population
    if suture is not None and placed is not None:
        how = suture.right if side is Side.RIGHT else suture.left
        return placed.on_map(suture.curve_mm), how is not How.ESTIMATED, None
    if p is None:
        return np.zeros((0, 2)), False, None
    half = HALF_WIDTH_95 * p.bregma_arc_sd_mm
    at = _along(head, p.bregma_arc_mm + np.array([-half, 0.0, half]))
    line = np.array([(-46.0, at[1]), (46.0, at[1])])
    return line, False, (float(at[2]), float(at[0]))


def draw_map(
    page: SheetPage, plan: Plan, side: Side, *, x: float, top: float, width: float, height: float
) -> None:
    """Draw the map and its key into a rectangle of the page, with the words on its two edges.

    Parameters
    ----------
    page : SheetPage
    plan : Plan
    side : Side
    x, top, width, height : float
        Page mm.
    """
    others = plan.coronal_suture is None and plan.population is not None
    key = 3.0 * _KEY_LINE + 1.2 + (_KEY_LINE if others else 0.0)
    height -= key
    _key(page, plan, side, x, top + height + 1.2, others=others)
    scale = min(height / (_FRONT_MM - _BACK_MM), (width - 16.0) / (2.0 * _HALF_MM))
    origin = np.array([x + width / 2, top + 0.5 * (height + scale * (_FRONT_MM + _BACK_MM))])

    def on_page(points: ArrayLike) -> FloatArray:
        p = np.asarray(points, dtype=float).reshape(-1, 2)
        return np.asarray(origin + scale * p * np.array([1.0, -1.0]))

    for which, at in ((Side.LEFT, x), (Side.RIGHT, x + width - 5.4)):
        _edge(page, which, at, top, height, dark=which is side)
    _head(page, on_page)
    points = map_points(plan, side)
    if points is None:
        at = on_page((0.0, 10.0))[0]
        page.write(at[0], at[1], "no tape distances: see the findings", ha="center")
        return
    sign = side_sign(side)
    _suture_line(page, on_page, points, sign)
    page.rule(on_page([(0.0, 96.0), (0.0, _BACK_MM)]), width=0.7, dash=CHAIN, gid="map-midline")
    _tape(page, on_page, points, sign, plan, side)


def _edge(page: SheetPage, side: Side, x: float, top: float, height: float, *, dark: bool) -> None:
    page.box(x, top, 5.4, height, line=0.8, fill=INK if dark else "none")
    page.write(x + 2.7, top + height / 2, SIDE_WORDS[side], size=10.0, weight="bold",
               ha="center", colour="#ffffff" if dark else INK,
               turn=90.0 if side is Side.LEFT else -90.0, gid=f"map-edge-{side.value}")  # fmt: skip


def _head(page: SheetPage, on_page: Any) -> None:
    for half in (_RING, _EAR, _BROW, _NOSE):
        line = _smooth(half)
        width = 1.5 if half is _BROW else HEAD_PT
        for flip in (1.0, -1.0):
            page.rule(on_page(line * np.array([flip, 1.0])), width=width, gid="map-head",
                      zorder=2.0)  # fmt: skip


def _smooth(points: tuple[tuple[float, float], ...]) -> FloatArray:
    from scipy.interpolate import PchipInterpolator

    p = np.array(points)
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(p, axis=0), axis=1))])
    return np.asarray(PchipInterpolator(s, p)(np.linspace(0.0, s[-1], 60)))


def _suture_line(page: SheetPage, on_page: Any, points: MapPoints, sign: float) -> None:
    if not len(points.suture_mm):
        return
    if points.suture_band_mm is not None:
        low, high = points.suture_band_mm
        page.area(on_page([(-46.0, low), (46.0, low), (46.0, high), (-46.0, high)]), colour=SHADE,
                  gid="map-suture-band")  # fmt: skip
    line = points.suture_mm
    page.rule(on_page(line), width=SUTURE_PT, dash="-" if points.suture_seen else DASHED,
              gid="map-suture", zorder=3.0)  # fmt: skip
    # Its name stands behind it on the side that nothing else is drawn on.
    other = line[np.argmin(np.abs(line[:, 0] + sign * 26.0))]
    at = on_page((-sign * 30.0, other[1]))[0]
    page.write(at[0], at[1] + 4.0, "suture", ha="center")


def _tape(
    page: SheetPage, on_page: Any, points: MapPoints, sign: float, plan: Plan, side: Side
) -> None:
    tapes = plan.sides[side].tapes
    assert tapes is not None
    midline, lateral, entry = points.midline_ticks_mm, points.lateral_ticks_mm, points.entry_mm
    page.rule(on_page(midline), width=TAPE_PT, gid="map-midline-tape", zorder=4.0)
    page.rule(on_page(lateral), width=TAPE_PT, gid="map-lateral-tape", zorder=4.0)
    for k, (_, y) in enumerate(midline[:-1]):
        long = _LONG_MM if k % 5 == 0 else _TICK_MM
        page.rule(on_page([(-long, y), (long, y)]), width=1.0, gid="map-midline-tick", zorder=4.0)
    for x, y in lateral[1:-1]:
        page.rule(on_page([(x, y - _TICK_MM), (x, y + _TICK_MM)]), width=1.0,
                  gid="map-lateral-tick", zorder=4.0)  # fmt: skip
    last = len(midline) - 1
    for k in range(5, last, 5):
        # A number that would meet the one at the tape's end is left to its tick.
        if tapes.midline_taut_mm - 10.0 * k > 15.0:
            _beside(page, on_page(midline[k])[0], f"{k} cm", sign)
    _beside(page, on_page(midline[-1])[0] - (0.0, 1.0), _cm(tapes.midline_taut_mm), sign)
    _beside(page, on_page(midline[0])[0] - (0.0, 1.7), "nasion", sign)  # over the brow
    spot = on_page(entry)[0]
    entry_mark(page, spot)
    page.write(spot[0] + sign * 1.2, spot[1] - 3.2, _cm(tapes.lateral_taut_mm), ha="center",
               weight="bold")  # fmt: skip


def _cm(length_mm: float) -> str:
    whole = f"{round(length_mm) / 10:.1f}".removesuffix(".0")
    return f"{whole} cm"


def _beside(page: SheetPage, at: FloatArray, text: str, sign: float) -> None:
    """A word on the side of the midline that the lateral tape does not lie on."""
    page.write(at[0] - sign * 3.2, middle(at[1] - 1.0, 2.0, 8.0), text,
               ha="right" if sign > 0 else "left", weight="bold")  # fmt: skip


def entry_mark(page: SheetPage, at: FloatArray, *, gid: str = "map-entry") -> None:
    """A ring with a cross in it, so that its middle is seen."""
    t = np.linspace(0.0, 2.0 * np.pi, 49)
    ring = at + 1.9 * np.column_stack([np.cos(t), np.sin(t)])
    page.area(ring, colour="#ffffff", zorder=4.5)
    page.rule(ring, width=1.5, gid=gid, zorder=5.0)
    for dx, dy in ((2.6, 0.0), (0.0, 2.6)):
        arm = np.array([dx, dy])
        page.rule([at - arm, at + arm], width=0.8, gid=f"{gid}-cross", zorder=5.0)


def _key(page: SheetPage, plan: Plan, side: Side, x: float, top: float, *, others: bool) -> None:
    """What the lines of the map are; the outline is a drawing."""
    base, at = top + 2.85, x + 30.0
    entry_mark(page, np.array([x + 4.0, base - 1.0]), gid="key-entry")
    page.write(x + 10.0, base, "entry")
    page.rule([(at, base - 1.0), (at + 8.0, base - 1.0)], width=TAPE_PT, gid="key-tape")
    for k in range(4):
        page.rule([(at + 1.0 + 2.0 * k, base - 2.0), (at + 1.0 + 2.0 * k, base)], width=1.0)
    page.write(at + 10.0, base, "tape, a tick each 1 cm")
    base += _KEY_LINE
    page.rule([(x, base - 1.0), (x + 8.0, base - 1.0)], width=0.7, dash=CHAIN, gid="key-midline")
    page.write(x + 10.0, base, "midline")
    suture = plan.coronal_suture
    if suture is not None or others:
        how = How.ESTIMATED
        if suture is not None:
            how = suture.right if side is Side.RIGHT else suture.left
        page.rule([(at, base - 1.0), (at + 8.0, base - 1.0)], width=SUTURE_PT,
                  dash=DASHED if how is How.ESTIMATED else "-", gid="key-suture")  # fmt: skip
        page.write(at + 10.0, base, f"suture, {'in other heads' if others else HOW_WORDS[how]}")
    if others:
        base += _KEY_LINE
        page.write(x, base, "In the grey band: the suture of 95 of 100 heads.")
    page.write(x, base + _KEY_LINE, "The head is a drawing: read no length off it.")
