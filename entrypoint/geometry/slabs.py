"""Blurred slabs in closed form: what a Gaussian point spread does to a thin layer of bone."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from entrypoint.errors import GeometryError

__all__ = [
    "FWHM_PER_SIGMA",
    "half_maximum_excess",
    "half_maximum_width_mm",
    "slab_profile",
    "slant_factor",
]

FloatArray = NDArray[np.float64]
FWHM_PER_SIGMA = 2.0 * math.sqrt(2.0 * math.log(2.0))


def slab_profile(
    depth_mm: ArrayLike, edges_mm: ArrayLike, levels: ArrayLike, sigma_mm: float
) -> FloatArray:
    """Profile of layers with sharp edges, seen through a Gaussian blur.

    Parameters
    ----------
    depth_mm : array_like, shape (n,)
        Where the profile is read.
    edges_mm : array_like, shape (k,)
        Edges between the layers, ascending.
    levels : array_like, shape (k + 1,)
        Value of each layer, the outermost two going on for ever.
    sigma_mm : float
        Standard deviation of the blur; 0 gives the sharp layers.

    Returns
    -------
    ndarray, shape (n,)

    Raises
    ------
    GeometryError
        The levels do not number one more than the edges.

    Examples
    --------
    >>> slab_profile([0.0], [0.0], [0.0, 100.0], 1.0)
    array([50.])
    >>> slab_profile([0.0], [0.0], [0.0], 1.0)
    Traceback (most recent call last):
    ...
    entrypoint.errors.GeometryError: 1 level(s) for 1 edge(s); ...
    """
    from scipy.special import ndtr

    x = np.asarray(depth_mm, dtype=np.float64)
    edges = np.atleast_1d(np.asarray(edges_mm, dtype=np.float64))
    values = np.atleast_1d(np.asarray(levels, dtype=np.float64))
    if len(values) != len(edges) + 1:
        raise GeometryError(
            found=f"{len(values)} level(s) for {len(edges)} edge(s)",
            expected="one level more than there are edges",
            next_step="give the level of each layer, outermost included",
        )
    away = x[..., None] - edges
    step = ndtr(away / sigma_mm) if sigma_mm > 0.0 else np.where(away == 0, 0.5, away > 0)
    return np.asarray(values[0] + step @ np.diff(values))


def half_maximum_width_mm(thickness_mm: float, fwhm_mm: float) -> float:
    """Width at half of its own peak of one slab in a uniform surrounding, after blur.

    Parameters
    ----------
    thickness_mm : float
        True thickness.
    fwhm_mm : float
        Full width at half maximum of the Gaussian blur.
    """
    from scipy.optimize import brentq

    if thickness_mm <= 0.0 or fwhm_mm < 0.0:
        raise GeometryError(
            found=f"a thickness of {thickness_mm} mm and a blur of {fwhm_mm} mm",
            expected="a positive thickness and a blur of 0 or more",
            next_step="check both",
        )
    if fwhm_mm == 0.0:
        return thickness_mm
    scale = math.sqrt(2.0) * fwhm_mm / FWHM_PER_SIGMA
    half = thickness_mm / 2.0

    def excess(x: float) -> float:
        value = 0.5 * (math.erf((half - x) / scale) + math.erf((half + x) / scale))
        return value - 0.5 * math.erf(half / scale)

    return 2.0 * float(brentq(excess, 0.0, half + 3.0 * fwhm_mm, xtol=1e-12))


def half_maximum_excess(thickness_mm: float, fwhm_mm: float) -> float:
    """Excess of the half-maximum width over the true thickness, mm."""
    return half_maximum_width_mm(thickness_mm, fwhm_mm) - thickness_mm


def slant_factor(tilt_deg: float) -> float:
    """Path through a flat layer crossed at an angle, as a multiple of its thickness.

    Raises
    ------
    GeometryError
        The tilt is 90 degrees or more: the path never crosses.

    Examples
    --------
    >>> round(slant_factor(20.0), 4)
    1.0642
    """
    if not 0.0 <= abs(tilt_deg) < 90.0:
        raise GeometryError(
            found=f"a tilt of {tilt_deg} degrees",
            expected="less than 90 degrees",
            next_step="check the direction of the path",
        )
    return 1.0 / math.cos(math.radians(tilt_deg))
