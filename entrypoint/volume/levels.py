"""What air, soft tissue and bone read in this scan, found from the scan itself.

No bone level is fixed in advance: old bone can peak below 650 HU (reference row
``diploe_porous``), and a clipped file reads air at its lower limit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import FileRefused

_BIN_HU = 10.0
_RANGE_HU = (-1200.0, 3200.0)
# Head tissue other than bone and fat has its mode here in every calibrated scan (check row 3.11).
_SOFT_RANGE_HU = (-80.0, 160.0)
_AIR_CEILING_HU = -150.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """Typical readings of this scan, HU."""

    air_hu: float
    soft_hu: float
    bone_hu: float

    @property
    def skin_hu(self) -> float:
        """Half-way between air and soft tissue: where the skin's edge is read."""
        return 0.5 * (self.air_hu + self.soft_hu)

    @property
    def bone_edge_hu(self) -> float:
        """A first guess at bone on block means, later replaced by each profile's own edge."""
        return self.soft_hu + 0.40 * (self.bone_hu - self.soft_hu)


def read_levels(coarse_hu: NDArray[np.float32]) -> Levels:
    """Find the levels from a volume of block means.

    Parameters
    ----------
    coarse_hu : (ni, nj, nk) array, HU
        Block means of about 2 to 3 mm, so that noise is small.

    Returns
    -------
    Levels

    Raises
    ------
    FileRefused
        When there is no peak of soft tissue, of air, or nothing denser than soft tissue.
    """
    finite = coarse_hu[np.isfinite(coarse_hu)]
    edges = np.arange(_RANGE_HU[0], _RANGE_HU[1] + _BIN_HU, _BIN_HU)
    counts, _ = np.histogram(np.clip(finite, *_RANGE_HU), edges)
    centres = edges[:-1] + _BIN_HU / 2
    smooth = np.convolve(counts, [0.25, 0.5, 0.25], mode="same")

    soft_bins = (centres > _SOFT_RANGE_HU[0]) & (centres < _SOFT_RANGE_HU[1])
    air_bins = centres < _AIR_CEILING_HU
    n_soft, n_air = int(counts[soft_bins].sum()), int(counts[air_bins].sum())
    if n_soft < 0.02 * finite.size or n_air < 0.01 * finite.size:
        raise FileRefused(
            found=f"{100 * n_soft / finite.size:.0f} % of the volume reads as soft tissue and "
            f"{100 * n_air / finite.size:.0f} % as air",
            expected="a head CT in Hounsfield units, with air round the head",
            next_step="check that the file is a CT, in HU, and not masked inside the head",
        )
    soft_peak = centres[soft_bins][np.argmax(smooth[soft_bins])]
    near_soft = finite[np.abs(finite - soft_peak) < 2.5 * _BIN_HU]
    soft_hu = float(np.median(near_soft))
    air_hu = float(np.median(finite[finite < min(_AIR_CEILING_HU, soft_hu - 100)]))

    dense = finite[finite > soft_hu + 120.0]
    if dense.size < 0.002 * finite.size:
        raise FileRefused(
            found="nothing denser than soft tissue",
            expected="a head CT in Hounsfield units that shows bone",
            next_step="check that the file is a CT of a head and in HU",
        )
    # Metal and teeth saturate: the upper quartile of what is denser than soft tissue, without
    # the top end, is the level that block means of bone reach.
    bone_hu = float(np.percentile(dense, 70))
    return Levels(air_hu=air_hu, soft_hu=soft_hu, bone_hu=bone_hu)
