"""Scalp points over a grid of the two tape distances: many lateral tapes, read at many arcs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import GeometryError, MeasurementError
from entrypoint.geometry.planes import Plane
from entrypoint.geometry.polylines import arc_lengths_mm
from entrypoint.geometry.taut import TautCurve
from entrypoint.planning.ct_site import place_on_ct
from entrypoint.planning.entry import MidlineTape
from entrypoint.planning.model import Rule, Side
from entrypoint.planning.site_chart import ChartedHead
from entrypoint.reference import value

__all__ = ["ScalpGrid", "scalp_grid"]

FloatArray = NDArray[np.float64]
_NODE_MM = 2.0  # of midline arc between lateral tapes


@dataclass(frozen=True, slots=True, kw_only=True)
class ScalpGrid:
    """Scalp points and directions, (n, m, 3), over n midline and m lateral arcs; NaN beyond."""

    scalp_entry_mm: FloatArray
    unit_along: FloatArray
    unit_across: FloatArray


def scalp_grid(
    head: ChartedHead,
    tape: MidlineTape,
    midsagittal: Plane,
    rule: Rule,
    side: Side,
    midline_arcs_mm: FloatArray,
    lateral_arcs_mm: FloatArray,
) -> ScalpGrid:
    """Lay a lateral tape every 2 mm of midline arc and read each at every lateral arc.

    Parameters
    ----------
    midline_arcs_mm, lateral_arcs_mm : (n,), (m,) arrays
        Rising. Between tapes, straight lines: a hundredth of a millimetre on a head.

    Returns
    -------
    ScalpGrid
    """
    first, last = float(midline_arcs_mm[0]), float(midline_arcs_mm[-1])
    nodes = np.linspace(first, last, max(2, round((last - first) / _NODE_MM) + 1))
    if len(midline_arcs_mm) == 1:
        nodes = np.array([first])
    shape = (len(nodes), len(lateral_arcs_mm), 3)
    points, across = np.full(shape, np.nan), np.full(shape, np.nan)
    along = np.full((len(nodes), 3), np.nan)
    for i, arc in enumerate(nodes):
        try:
            entry, _ = place_on_ct(head, tape, midsagittal, rule, side, float(arc), 0.0)
        except (MeasurementError, GeometryError):
            continue
        along[i] = entry.unit_backward
        points[i], across[i] = _read(entry.lateral_tape, entry.lateral_profile_mm, lateral_arcs_mm)
    return ScalpGrid(
        scalp_entry_mm=_between(nodes, points, midline_arcs_mm),
        unit_along=_unit(
            np.broadcast_to(
                _between(nodes, along, midline_arcs_mm)[:, None, :],
                (len(midline_arcs_mm), len(lateral_arcs_mm), 3),
            )
        ),
        unit_across=_unit(_between(nodes, across, midline_arcs_mm)),
    )


def _read(
    tape: TautCurve, profile_mm: FloatArray, arcs_mm: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Points of the profile below places on a tape, and the tape's direction over 10 mm there."""
    corners = tape.points_mm
    s = arc_lengths_mm(corners)
    # Each point of the profile at the arc of the tape that it lies square below.
    stretch = np.clip(
        np.searchsorted(tape.index, np.arange(len(profile_mm)), side="right") - 1,
        0,
        len(corners) - 2,
    )
    chord = corners[stretch + 1] - corners[stretch]
    chord = chord / np.linalg.norm(chord, axis=1, keepdims=True)
    under = s[stretch] + np.einsum("ij,ij->i", profile_mm - corners[stretch], chord)
    under = np.maximum.accumulate(under)
    beyond = arcs_mm > s[-1] + 1e-9
    points = _at(under, profile_mm, arcs_mm)
    half = 0.5 * value("tape_direction_span")
    ahead = _at(s, corners, np.minimum(arcs_mm + half, s[-1]))
    behind = _at(s, corners, np.maximum(arcs_mm - half, 0.0))
    points[beyond] = np.nan
    return points, np.where(beyond[:, None], np.nan, ahead - behind)


def _at(s: FloatArray, points: FloatArray, arcs: FloatArray) -> FloatArray:
    return np.column_stack([np.interp(arcs, s, points[:, k]) for k in range(3)])


def _between(nodes: FloatArray, values: FloatArray, arcs: FloatArray) -> FloatArray:
    """Straight lines along the first axis; NaN beside a node that is NaN."""
    if len(nodes) == 1:
        return values
    at = np.clip((arcs - nodes[0]) / (nodes[1] - nodes[0]), 0.0, len(nodes) - 1.0)
    low = np.minimum(at.astype(np.intp), len(nodes) - 2)
    share = (at - low).reshape(-1, *[1] * (values.ndim - 1))
    # A node that is met exactly needs no neighbour.
    before = np.where(share < 1.0 - 1e-9, values[low], values[low + 1])
    after = np.where(share > 1e-9, values[low + 1], values[low])
    return np.asarray((1.0 - share) * before + share * after)


def _unit(vectors: FloatArray) -> FloatArray:
    return np.asarray(vectors / np.linalg.norm(vectors, axis=-1, keepdims=True))
