"""What the scan shows round the entry, as a chart over the two tape distances.

One chart a side, read once. The site map, the hand's scatter and the table of other rules all
interpolate in it, so that none of them lays a tape or meets bone by itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import NDArray

from entrypoint.planning.model import How, Side

if TYPE_CHECKING:
    from entrypoint.anatomy.frame import HeadFrame
    from entrypoint.volume.skull import CoarseHead
    from entrypoint.volume.volume import Volume

__all__ = ["ChartedHead", "ChartedSuture", "SiteChart"]

FloatArray = NDArray[np.float64]


class ChartedHead(Protocol):
    """What a chart needs of a head: found on the scan, or taken from a plan's record."""

    @property
    def volume(self) -> Volume:
        """The scan."""
        ...

    @property
    def coarse(self) -> CoarseHead:
        """Its block means, levels and outside air."""
        ...

    @property
    def frame(self) -> HeadFrame:
        """The head's own axes."""
        ...

    @property
    def noise_hu(self) -> float:
        """Standard deviation of one voxel."""
        ...


class ChartedSuture(Protocol):
    """What a chart needs of the coronal suture."""

    @property
    def curve_mm(self) -> FloatArray:
        """Centre line on the outer table, (q, 3)."""
        ...

    @property
    def how(self) -> Mapping[Side, How]:
        """Whether it was seen, side by side."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteChart:
    """Figures on a grid of (midline arc, lateral arc); NaN where the scan does not show them.

    Arrays are (n, m) or (n, m, 3), n midline arcs by m lateral arcs, world mm. Clearances have
    the signs of the plan record: positive on the named side and in front of the suture.
    """

    side: Side
    midline_arc_mm: FloatArray  # (n,) taut, rising
    lateral_arc_mm: FloatArray  # (m,) taut, rising
    scalp_entry_mm: FloatArray  # (n, m, 3)
    outer_table_mm: FloatArray  # (n, m, 3) foot of the square path
    unit_inward: FloatArray  # (n, m, 3) the square path
    unit_along: FloatArray  # (n, m, 3) on the scalp, backwards along the midline tape
    unit_across: FloatArray  # (n, m, 3) on the scalp, along the lateral tape, away from midline
    scalp_mm: FloatArray
    skull_mm: FloatArray
    outer_layer_mm: FloatArray  # outer table, diploe, inner table; NaN where they cannot be told
    diploe_mm: FloatArray
    inner_layer_mm: FloatArray
    slope_deg: FloatArray  # of the bone against the axial plane of the head's frame
    midline_scalp_mm: FloatArray
    midline_inner_table_mm: FloatArray
    midline_tip_mm: FloatArray
    sinus_mm: FloatArray
    suture_nearest_mm: FloatArray
    no_sound_bone: NDArray[np.bool_]  # missing, cracked or covered by metal within the limit
    scalp_sd_mm: float
    skull_sd_mm: float
