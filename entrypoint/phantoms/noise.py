"""Noise as reconstruction leaves it: a little grain, the stated spread."""

from __future__ import annotations

import numpy as np

from entrypoint.phantoms.fields import Array

__all__ = ["add_noise"]


def add_noise(
    hu: Array,
    sd_hu: float,
    grain: float,
    rng: np.random.Generator,
    slice_axis: int | None,
) -> None:
    """Add Gaussian noise to a picture in place, correlated within slices.

    Parameters
    ----------
    hu : float array (ni, nj, nk)
    sd_hu : float
        Spread of the noise in the picture.
    grain : float
        Sigma of the correlation in voxels; 0 is white.
    """
    if sd_hu <= 0:
        return
    from scipy.ndimage import correlate1d

    noise = rng.standard_normal(hu.shape, dtype=np.float32)
    if grain > 0:
        x = np.arange(-2, 3)
        k = np.exp(-0.5 * (x / grain) ** 2)
        k /= np.sqrt((k**2).sum())
        for axis in range(3):
            if axis != slice_axis:
                correlate1d(noise, k.astype(np.float32), axis, output=noise, mode="nearest")
    noise *= np.float32(sd_hu)
    hu += noise
