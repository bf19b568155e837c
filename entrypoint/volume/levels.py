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
_AIR_CUT_ABOVE_HU = -900.0
_BONE_CUT_BELOW_HU = 2000.0
_ABOVE_CLIP_HU = 35.0
_FAT_HU = -140.0  # the scalp's fat with its noise (check row 3.11)


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """Typical readings of this scan, HU."""

    air_hu: float
    soft_hu: float
    bone_hu: float
    clip_low_hu: float | None = None  # readings below are cut off in the file, above air's own
    clip_high_hu: float | None = None  # readings above are cut off, below what bone reaches

    @property
    def skin_hu(self) -> float:
        """Half-way between air and soft tissue: where the skin's edge is read.

        Where air is cut off, a little above that: fat must stay on the inner side.
        """
        if self.clip_low_hu is not None:
            return self.clip_low_hu + min(_ABOVE_CLIP_HU, 0.2 * (self.soft_hu - self.clip_low_hu))
        return 0.5 * (self.air_hu + self.soft_hu)

    @property
    def bone_edge_hu(self) -> float:
        """A first guess at bone on block means, later replaced by each profile's own edge."""
        return self.soft_hu + 0.40 * (self.bone_hu - self.soft_hu)


def cut_off(sample_hu: NDArray[np.float32]) -> tuple[float | None, float | None]:
    """Lower and upper limit at which a file's readings are cut off, where that matters.

    Parameters
    ----------
    sample_hu : array, HU
        Single voxels, not means: means hide a limit.

    Returns
    -------
    low, high : float or None
        None where nothing is cut off between air's own reading and that of dense bone.
    """
    low, high = float(sample_hu.min()), float(sample_hu.max())
    at_low = float(np.mean(sample_hu == low))
    at_high = float(np.mean(sample_hu == high))
    return (
        low if at_low > 0.05 and low > _AIR_CUT_ABOVE_HU else None,
        high if at_high > 2e-4 and high < _BONE_CUT_BELOW_HU else None,
    )


def read_levels(
    coarse_hu: NDArray[np.float32],
    *,
    clip_low_hu: float | None = None,
    clip_high_hu: float | None = None,
) -> Levels:
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
    if clip_low_hu is not None and clip_low_hu > _FAT_HU:
        raise FileRefused(
            found=f"readings below {clip_low_hu:.0f} HU are cut off: scalp and air read alike",
            expected=f"a range that reaches down to {_FAT_HU:.0f} HU at least",
            next_step="export the scan with its full range",
        )
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
    return Levels(
        air_hu=air_hu,
        soft_hu=soft_hu,
        bone_hu=bone_hu,
        clip_low_hu=clip_low_hu,
        clip_high_hu=clip_high_hu,
    )
