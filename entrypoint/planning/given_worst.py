"""The worst figures over every path within reach of a given one, and how paths are ordered.

Paths whose point lies within some millimetres of it on the skin and whose direction lies within
some degrees of it. They are followed together, over a net and then on finer steps round the worst
of each figure; their quick edges are put on the fitted profile's scale by the path itself.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from entrypoint.planning.clearance import sinus_half_width_mm
from entrypoint.planning.ct_parts import CtParts
from entrypoint.planning.ct_site import Site
from entrypoint.planning.entry import side_sign
from entrypoint.planning.given_path_model import CheckedPath, Standing, Within, Worst
from entrypoint.planning.lean import axes_across
from entrypoint.planning.model import Level, Rule, SidePlan
from entrypoint.planning.suture_many import suture_nearest_many_mm
from entrypoint.reference import value
from entrypoint.volume.edges import quick_edges
from entrypoint.volume.rays import sample_rays

__all__ = ["FIGURES", "Neighbours", "in_order", "standing_of", "worst_within"]

FloatArray = NDArray[np.float64]
_DEPTHS_MM = np.arange(-8.0, 46.0, 0.4)
_RING_MM, _RING = 0.8, 4
_SHARES, _TURNS = (0.5, 1.0), 16
_FINER, _FINER_TURNS = (0.30, 0.15, 0.07, 0.03), 8
FIGURES = (
    "thickness.skull_mm, thinnest",
    "thickness.skull_mm, thickest",
    "clearance.midline_scalp_mm",
    "clearance.midline_inner_table_mm",
    "clearance.midline_tip_mm",
    "clearance.sinus_mm",
    "clearance.suture_nearest_mm",
)
_MOST = {"thickness.skull_mm, thickest"}  # of which the largest is the worst
_MARGINS = {
    "clearance.suture_nearest_mm": "suture_margin_mm",
    "clearance.midline_scalp_mm": "midline_margin_mm",
    "clearance.sinus_mm": "sinus_margin_mm",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Neighbours:
    """Paths round a given one: what each of them would have for figures.

    Places are rows of four: back and away on the skin (mm), then the lean back and away (degrees).
    """

    parts: CtParts
    site: Site
    rule: Rule
    geometry_only: bool

    def figures(self, places: FloatArray) -> FloatArray:
        """(n, 7) figures in the order of ``FIGURES``; NaN where bone is not seen."""
        entry, profile = self.site.entry, self.site.profile
        assert profile is not None
        places = np.vstack([np.zeros(4), places])
        starts = entry.scalp_entry_mm + places[:, :2] @ np.stack(
            [entry.unit_along, entry.unit_across]
        )
        dirs = self._directions(places[:, 2:])
        edges = quick_edges(
            _DEPTHS_MM, self._tubes(starts, dirs), self.parts.head.coarse.levels
        )
        thick = edges.inner_mm - edges.outer_mm
        own = [float(e[0]) if np.isfinite(e[0]) else fitted for e, fitted in (
            (thick, profile.skull_mm), (edges.outer_mm, profile.outer_mm),
            (edges.skin_mm, profile.skin_mm),
        )]  # fmt: skip
        skull = np.maximum(thick + profile.skull_mm - own[0], 0.0)
        outer = edges.outer_mm + profile.outer_mm - own[1]
        skin = edges.skin_mm - own[2]  # the point itself is taken to lie on the skin
        at_skin = starts + np.where(np.isfinite(skin), skin, 0.0)[:, None] * dirs
        foot = starts + outer[:, None] * dirs
        inner = foot + skull[:, None] * dirs
        inside = inner + value("sinus_reach_inside") * dirs
        back = np.broadcast_to(entry.unit_backward, foot.shape)
        made = np.column_stack([
            skull,
            skull,
            self._away(at_skin),
            self._away(inner),
            self._away(inner + self.rule.sensor_depth_mm * dirs),
            np.minimum(self._away(foot), self._away(inside))
            - sinus_half_width_mm(self.site.side),
            suture_nearest_many_mm(foot, self.parts.suture.curve_mm, self.parts.midsagittal, back),
        ])  # fmt: skip
        if self.geometry_only:
            made[:, FIGURES.index("clearance.midline_tip_mm")] = np.nan
        return np.asarray(made[1:])

    def _directions(self, leans_deg: FloatArray) -> FloatArray:
        inward = self.site.unit_inward
        axes = np.stack(axes_across(inward, self.site.entry))
        angle = np.radians(np.hypot(leans_deg[:, 0], leans_deg[:, 1]))
        aside = np.radians(leans_deg) @ axes / np.where(angle > 0.0, angle, 1.0)[:, None]
        return np.asarray(np.cos(angle)[:, None] * inward + np.sin(angle)[:, None] * aside)

    def _tubes(self, starts: FloatArray, dirs: FloatArray) -> FloatArray:
        """Means of each path and four round it."""
        u, v = axes_across(self.site.unit_inward, self.site.entry)
        volume = self.parts.head.volume
        total = sample_rays(volume, starts, dirs, _DEPTHS_MM)
        for turn in 2.0 * np.pi * np.arange(_RING) / _RING:
            beside = starts + _RING_MM * (np.cos(turn) * u + np.sin(turn) * v)
            total = total + sample_rays(volume, beside, dirs, _DEPTHS_MM)
        return np.asarray(total / (1 + _RING))

    def _away(self, points: FloatArray) -> FloatArray:
        plane = self.parts.midsagittal
        away = (points - plane.point_mm) @ plane.unit_normal
        return np.asarray(side_sign(self.site.side) * away)


def worst_within(
    parts: CtParts, site: Site, made: SidePlan, rule: Rule, within: Within
) -> tuple[Worst, ...]:
    """The worst of each figure within reach of a path.

    Returns
    -------
    tuple of Worst
        None of a figure that cannot be read, and none at all where there is no sound bone.
    """
    if site.profile is None:
        return ()
    near = Neighbours(parts=parts, site=site, rule=rule, geometry_only=made.sensor_tip_mm is None)
    reach = np.array([within.within_mm, within.within_mm, within.within_deg, within.within_deg])
    places = _net(_angles(near)) * reach
    figures = near.figures(places)
    sign = np.array([-1.0 if name in _MOST else 1.0 for name in FIGURES])
    for step in _FINER:
        finer = np.concatenate([
            _round_about(places[k] / reach, step) for k in _worst_rows(sign * figures)
        ]) * reach  # fmt: skip
        places = np.concatenate([places, finer])
        figures = np.concatenate([figures, near.figures(finer)])
    t, c = made.thickness, made.clearance
    out = []
    for column, name in enumerate(FIGURES):
        found = sign[column] * figures[:, column]
        if not np.isfinite(found).any():
            continue
        k = int(np.nanargmin(found))
        readers: float | None
        if name.startswith("thickness"):
            sd, readers = t.skull_sd_mm, t.skull_definition_sd_mm
        elif name == "clearance.suture_nearest_mm":
            sd, readers = c.suture_sd_mm, c.suture_definition_sd_mm
        else:
            sd, readers = c.midline_sd_mm, c.midline_definition_sd_mm
        back, away, lean_back, lean_away = (float(a) + 0.0 for a in places[k])
        out.append(
            Worst(
                figure=name, worst_mm=float(figures[k, column]), sd_mm=sd,
                definition_sd_mm=readers, offset_back_mm=back, offset_away_mm=away,
                tilt_back_deg=lean_back, tilt_away_deg=lean_away,
            )
        )  # fmt: skip
    return tuple(out)


def _angles(near: Neighbours) -> FloatArray:
    """Directions in which the net reaches out: all round, and straight at the midline."""
    entry = near.site.entry
    normal = near.parts.midsagittal.unit_normal
    towards = float(np.arctan2(entry.unit_across @ normal, entry.unit_along @ normal))
    even = 2.0 * np.pi * np.arange(_TURNS) / _TURNS
    return np.concatenate([even, [towards, towards + np.pi]])


def _net(angles: FloatArray) -> FloatArray:
    """Every offset with every lean, as shares of their reach; the path itself first."""
    ring = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    disc = np.concatenate([np.zeros((1, 2)), *(share * ring for share in _SHARES)])
    i, j = np.meshgrid(np.arange(len(disc)), np.arange(len(disc)), indexing="ij")
    return np.concatenate([disc[i.ravel()], disc[j.ravel()]], axis=1)


def _worst_rows(figures: FloatArray) -> list[int]:
    seen = np.isfinite(figures).any(axis=0)
    return sorted({int(k) for k in np.nanargmin(figures[:, seen], axis=0)})


def _round_about(place: FloatArray, step: float) -> FloatArray:
    """Places round one, kept within reach; all as shares of it."""
    turns = 2.0 * np.pi * np.arange(_FINER_TURNS) / _FINER_TURNS
    ring = step * np.concatenate([np.zeros((1, 2)), np.stack([np.cos(turns), np.sin(turns)], 1)])
    i, j = np.meshgrid(np.arange(len(ring)), np.arange(len(ring)), indexing="ij")
    moved = place + np.concatenate([ring[i.ravel()], ring[j.ravel()]], axis=1)[1:]
    for pair in (slice(0, 2), slice(2, 4)):
        size = np.linalg.norm(moved[:, pair], axis=1, keepdims=True)
        moved[:, pair] = moved[:, pair] / np.maximum(size, 1.0)
    return np.asarray(moved)


def standing_of(made: SidePlan, rule: Rule, worst: Iterable[Worst]) -> Standing:
    """What a path is ordered by."""
    clearance = made.clearance
    have = {
        "clearance.suture_nearest_mm": clearance.suture_nearest_mm,
        "clearance.midline_scalp_mm": clearance.midline_scalp_mm,
        "clearance.sinus_mm": clearance.sinus_mm,
    }
    limits = {name: float(getattr(rule, margin)) for name, margin in _MARGINS.items()}
    broken = sum(mm is not None and mm < limits[name] for name, mm in have.items())
    left = [w.worst_mm - limits[w.figure] for w in worst if w.figure in limits]
    return Standing(
        stop_findings=sum(f.level is Level.STOP for f in made.findings),
        margins_broken=broken,
        least_left_mm=min(left, default=None),
    )


def in_order(paths: Iterable[CheckedPath]) -> tuple[str, ...]:
    """Labels of paths by the order that ``ORDER_RULE`` tells."""

    def key(path: CheckedPath) -> tuple[bool, int, int, float]:
        at = path.standing
        if at is None:
            return True, 0, 0, 0.0
        left = float("-inf") if at.least_left_mm is None else at.least_left_mm
        return False, at.stop_findings, at.margins_broken, -left

    return tuple(path.label for path in sorted(paths, key=key))
