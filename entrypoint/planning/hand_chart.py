"""A site chart at many places at once, and slanted paths through the bone that it shows.

Between the chart's nodes figures are interpolated linearly; beyond its edge, and beside a node
where the scan shows nothing, they are NaN. A slanted path is met with both surfaces of the bone
as on a sphere of the bone's own curvature there, its thickness read where the path leaves it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from entrypoint.planning.site_chart import SiteChart

__all__ = ["Ground", "Nodes", "slanted_mm"]

FloatArray = NDArray[np.float64]
ThicknessAt = Callable[[FloatArray, FloatArray], FloatArray]
"""(along, across) in mm on the bone from each foot to the thickness there, shape (n,)."""

_ROUNDS = 3  # a slope of the inner table of 1 in 5 under 20 degrees leaves 0.003 mm
_FLATTEST_PER_MM = 1e-4  # a hollow outer table is taken for a flat one


class Nodes:
    """Figures on the nodes of a chart, read between them.

    Parameters
    ----------
    rows_mm, columns_mm : (n,), (m,) arrays, rising
    figures : (n, m, k) array, NaN where nothing is known
    """

    def __init__(self, rows_mm: FloatArray, columns_mm: FloatArray, figures: FloatArray) -> None:
        self._rows, self._columns = rows_mm, columns_mm
        self._width = len(columns_mm)
        self._flat = np.ascontiguousarray(figures.reshape(len(rows_mm) * self._width, -1))

    def at(self, row_mm: FloatArray, column_mm: FloatArray) -> FloatArray:
        """Figures at places (p,), shape (p, k); NaN beyond the edge and beside unknown nodes."""
        i, t, out_of_rows = _between(self._rows, row_mm)
        j, u, out_of_columns = _between(self._columns, column_mm)
        first = i * self._width + j
        found = np.zeros((len(first), self._flat.shape[1]))
        for step, weight in (
            (0, (1.0 - t) * (1.0 - u)),
            (1, (1.0 - t) * u),
            (self._width, t * (1.0 - u)),
            (self._width + 1, t * u),
        ):
            figures = self._flat[first + step] * weight[:, None]
            # An unknown node beside a place that lies on a known one does not count.
            found += np.where(weight[:, None] > 0.0, figures, 0.0)
        found[out_of_rows | out_of_columns] = np.nan
        return found


def _between(
    axis: FloatArray, x: FloatArray
) -> tuple[NDArray[np.intp], FloatArray, NDArray[np.bool_]]:
    i = np.clip(np.searchsorted(axis, x, side="right") - 1, 0, len(axis) - 2)
    t = (x - axis[i]) / (axis[i + 1] - axis[i])
    return i, np.clip(t, 0.0, 1.0), ~((t >= -1e-9) & (t <= 1.0 + 1e-9))


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """The chart round the plan's own point: how mm on the head and tape distances go together.

    ``scalp_ratio`` and ``bone_ratio`` (2, 2) turn (along, across) in mm on either surface into
    (midline arc, lateral arc). ``bend_per_mm`` (2, 2) is how the square path's direction turns
    along the bone, symmetric, positive where the bone bulges outwards. ``unit_scalp`` (2, 3) are
    the directions along and across on the scalp.
    """

    unit_scalp: FloatArray
    scalp_ratio: FloatArray
    bone_ratio: FloatArray
    bend_per_mm: FloatArray

    @classmethod
    def of(cls, chart: SiteChart, midline_arc_mm: float, lateral_arc_mm: float) -> Ground | None:
        """Ground of a point; None where the chart does not show it and all round it."""
        axes = chart.midline_arc_mm, chart.lateral_arc_mm
        parts = [chart.scalp_entry_mm, chart.outer_table_mm, chart.unit_inward]
        slopes = [np.concatenate(np.gradient(p, *axes, axis=(0, 1)), axis=2) for p in parts]
        figures = np.concatenate([*slopes, chart.unit_inward], axis=2)
        place = np.array([midline_arc_mm]), np.array([lateral_arc_mm])
        got = Nodes(*axes, figures).at(*place)[0].reshape(7, 3)
        if not np.isfinite(got).all():
            return None
        scalp, bone, turn, inward = got[0:2], got[2:4], got[4:6], got[6]
        steps, unit_scalp = _steps(scalp, np.cross(scalp[0], scalp[1]))
        bone_ratio, frame = _steps(bone, inward)
        # An outward normal turns with the bone as far as it bulges: -d(inward) along the frame.
        bend = -(bone_ratio.T @ turn) @ frame.T
        return cls(
            unit_scalp=unit_scalp,
            scalp_ratio=steps,
            bone_ratio=bone_ratio,
            bend_per_mm=0.5 * (bend + bend.T),
        )


def _steps(tangents: FloatArray, normal: FloatArray) -> tuple[FloatArray, FloatArray]:
    """From tangents along both tapes (2, 3): mm to tape distances (2, 2), and the frame (2, 3)."""
    n = normal / np.linalg.norm(normal)
    flat = tangents - (tangents @ n)[:, None] * n
    along = flat[0] / np.linalg.norm(flat[0])
    across = flat[1] - (flat[1] @ along) * along
    across = across / np.linalg.norm(across)
    frame = np.stack([along, across])
    return np.asarray(np.linalg.inv(frame @ flat.T)), frame


def slanted_mm(
    thickness_at: ThicknessAt,
    tilt_rad: FloatArray,
    unit_lean: FloatArray,
    bend_per_mm: FloatArray,
    *,
    inward: bool = True,
) -> FloatArray:
    """Length of a slanted path from the outer table to the surface that a thickness tells.

    Parameters
    ----------
    thickness_at : callable
        See ``ThicknessAt``: measured squarely from the outer table.
    tilt_rad : (n,) array
        From square, at the foot on the outer table.
    unit_lean : (n, 2) array
        Direction (along, across) to which the path leans as it goes in.
    bend_per_mm : (2, 2) array
        See ``Ground``.
    inward : bool
        To the inner table; otherwise outwards, to the skin.

    Returns
    -------
    (n,) array, NaN where the path does not reach that surface

    Examples
    --------
    >>> flat = slanted_mm(lambda a, b: 7.0 + 0.0 * a, np.radians(np.array([0.0, 20.0])),
    ...                   np.array([[1.0, 0.0], [1.0, 0.0]]), np.zeros((2, 2)))
    >>> [round(float(x), 2) for x in flat]
    [7.0, 7.45]
    """
    sin, cos = np.sin(tilt_rad), np.cos(tilt_rad)
    curved = np.einsum("ni,ij,nj->n", unit_lean, bend_per_mm, unit_lean)
    rho = 1.0 / np.maximum(curved, _FLATTEST_PER_MM)
    way = 1.0 if inward else -1.0
    far, t = np.zeros_like(rho), np.full_like(rho, np.nan)
    for left in range(_ROUNDS, -1, -1):
        shift = way * far
        there = thickness_at(shift * unit_lean[:, 0], shift * unit_lean[:, 1])
        t = np.where(np.isfinite(there), there, t)  # at an edge: as thick as at the foot
        other = rho - way * t  # radius of the other surface
        under = other * other - (rho * sin) ** 2
        root = np.sqrt(np.where(under >= 0.0, under, np.nan))
        length = t * (rho + other) / (rho * cos + root)
        if left:
            far = rho * np.arctan2(length * sin, rho - way * length * cos)
            far = np.where(np.isfinite(far), far, 0.0)
    return np.asarray(length)
