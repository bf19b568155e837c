"""A bundle of parallel rays round a path, and the same bundle mirrored to the other side.

Each ray carries its own skin, outer and inner edge, so that both bundles can be compared at the
same depth below the same surface although a head's two sides differ by millimetres.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from entrypoint.geometry.planes import Plane
from entrypoint.volume.bone import tangent_axes
from entrypoint.volume.edges import quick_edges
from entrypoint.volume.levels import Levels
from entrypoint.volume.rays import FloatArray, first_fall, sample_rays

if TYPE_CHECKING:
    from entrypoint.volume.volume import Volume

__all__ = ["Bundle", "below", "block_sd_hu", "read_bundle"]

STEP_MM = 0.5
SPACING_MM = 0.8
_ABOVE_MM = 10.0
_SKIN_RUN_MM = 1.0
_RESEAT_MM = 6.0  # how far a mirrored path is moved along itself to that side's skin
_OFF_FIT_MM = 1.0  # an edge farther off the smooth surface is no edge of that surface
_FEWEST = 0.4  # of the rays must show a surface, or there is none


@dataclass(frozen=True, slots=True, kw_only=True)
class Bundle:
    """Rays round a path, n of them, each with m samples.

    Attributes
    ----------
    across_mm : (n, 2) array
        Offsets of the rays from the path.
    depths_mm : (m,) array
        Along every ray, from the path's entry inwards.
    hu : (n, m) array
        NaN outside the field.
    skin_mm, outer_mm, inner_mm : (n,) arrays
        Smooth surfaces through the rays' own edges; NaN where too few rays show one.
    inner_own_mm : (n,) array
        Each ray's own inner edge where it has one near the smooth surface, else that surface.
    thickness_mm : (n,) array
        Own inner less own outer edge; NaN where a ray shows no bone.
    """

    across_mm: FloatArray
    depths_mm: FloatArray
    hu: FloatArray
    skin_mm: FloatArray
    outer_mm: FloatArray
    inner_mm: FloatArray
    inner_own_mm: FloatArray
    thickness_mm: FloatArray

    @property
    def away_mm(self) -> FloatArray:
        """Distance of each ray from the path."""
        return np.asarray(np.hypot(self.across_mm[:, 0], self.across_mm[:, 1]))

    def scalp_mm(self, radius_mm: float) -> float | None:
        """Median scalp thickness within a radius; None where skin or bone is not seen."""
        near = self.away_mm <= radius_mm
        scalp = (self.outer_mm - self.skin_mm)[near]
        return float(np.median(scalp)) if np.isfinite(scalp).all() else None

    def skull_mm(self, radius_mm: float) -> float | None:
        """Median bone thickness within a radius; None where half of the rays show none."""
        thick = self.thickness_mm[self.away_mm <= radius_mm]
        return float(np.nanmedian(thick)) if np.isfinite(thick).mean() > 0.5 else None


def read_bundle(
    volume: Volume,
    levels: Levels,
    entry_mm: FloatArray,
    unit_inward: FloatArray,
    towards: FloatArray,
    *,
    radius_mm: float,
    deepest_mm: float,
    mirror: Plane | None = None,
    skull_mm: float | None = None,
) -> Bundle:
    """Read the rays round a path, or round its mirror image.

    Parameters
    ----------
    volume : Volume
    levels : Levels
    entry_mm, unit_inward : (3,) arrays
        The path: its point on the scalp and its direction.
    towards : (3,) array
        What the first offset axis lies closest to.
    radius_mm : float
        Of the bundle.
    deepest_mm : float
        How far below the entry the rays run.
    mirror : Plane, optional
        Read the image of the path in this plane, moved along itself to that side's skin; offsets
        are mirrored too, so that ray k lies where ray k of the path itself does.
    skull_mm : float, optional
        Thickness that stands in where no inner edge is seen.

    Returns
    -------
    Bundle
    """
    n = int(radius_mm / SPACING_MM)
    o = SPACING_MM * np.arange(-n, n + 1)
    uu, vv = np.meshgrid(o, o, indexing="ij")
    disc = np.hypot(uu, vv) <= radius_mm
    across = np.stack([uu[disc], vv[disc]], axis=1)
    unit_u, unit_v = tangent_axes(unit_inward, towards)
    entry, inward = np.asarray(entry_mm, dtype=float), np.asarray(unit_inward, dtype=float)
    if mirror is not None:
        normal = mirror.unit_normal
        entry = entry - 2.0 * float((entry - mirror.point_mm) @ normal) * normal
        inward, unit_u, unit_v = (
            a - 2.0 * float(a @ normal) * normal for a in (inward, unit_u, unit_v)
        )
        entry = entry + _reseat_mm(volume, levels, entry, inward) * inward
    depths = np.arange(-_ABOVE_MM, deepest_mm, STEP_MM)
    starts = entry + across[:, :1] * unit_u + across[:, 1:] * unit_v
    hu = sample_rays(volume, starts, inward, depths)
    return _with_edges(across, depths, hu, levels, skull_mm)


def _with_edges(
    across: FloatArray, depths: FloatArray, hu: FloatArray, levels: Levels, skull_mm: float | None
) -> Bundle:
    edges = quick_edges(depths, hu, levels)
    skin = smooth_surface(across, first_skin(depths, hu, levels))
    outer = smooth_surface(across, edges.outer_mm)
    inner = smooth_surface(across, edges.inner_mm)
    if not np.isfinite(inner).any() and skull_mm is not None:
        inner = outer + skull_mm
    with np.errstate(invalid="ignore"):
        own = np.abs(edges.inner_mm - inner) <= _OFF_FIT_MM
    return Bundle(
        across_mm=across,
        depths_mm=depths,
        hu=hu,
        skin_mm=skin,
        outer_mm=outer,
        inner_mm=inner,
        inner_own_mm=np.where(own, edges.inner_mm, inner),
        thickness_mm=edges.inner_mm - edges.outer_mm,
    )


def first_skin(depths_mm: FloatArray, hu: FloatArray, levels: Levels) -> FloatArray:
    """Depth at which each ray first enters tissue for good; NaN where it starts inside.

    From outside, not from the bone: air within the scalp must not pass for the skin.
    """
    run = max(2, round(_SKIN_RUN_MM / STEP_MM))
    air = np.where(np.isfinite(hu), levels.skin_hu - hu, 1.0)
    at = first_fall(air, 0.0, run=run)
    row = np.arange(len(hu))
    i = np.maximum(at, 0)
    j = np.minimum(i + 1, hu.shape[1] - 1)
    a, b = air[row, i], air[row, j]
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.clip(a / (a - b), 0.0, 1.0)
    return np.where(at >= 0, depths_mm[i] + t * (depths_mm[j] - depths_mm[i]), np.nan)


def smooth_surface(across_mm: FloatArray, depth_mm: FloatArray) -> FloatArray:
    """Quadratic surface through the rays' depths, whatever stands off it left out.

    Returns
    -------
    (n,) array
        All NaN where fewer than 40 % of the rays have a depth.
    """
    u, v = across_mm[:, 0], across_mm[:, 1]
    design = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=1)
    use = np.isfinite(depth_mm)
    if use.mean() < _FEWEST:
        return np.full(len(depth_mm), np.nan)
    fitted = np.full(len(depth_mm), float(np.median(depth_mm[use])))
    limits = (6.0, 3.0, 1.5, 1.0)
    for limit in limits:
        kept = use & (np.abs(np.where(use, depth_mm, 0.0) - fitted) <= limit)
        if kept.mean() < 0.25:
            break
        coef, *_ = np.linalg.lstsq(design[kept], depth_mm[kept], rcond=None)
        fitted = design @ coef
    return np.asarray(fitted)


def _reseat_mm(
    volume: Volume, levels: Levels, entry_mm: FloatArray, unit_inward: FloatArray
) -> float:
    """How far along itself a mirrored path is to be moved to start on the skin."""
    depths = np.arange(-_ABOVE_MM - 4.0, 14.0, STEP_MM)
    u, v = tangent_axes(unit_inward, np.array([0.3, 0.5, 0.8]))
    angle = np.pi / 3.0 * np.arange(6)
    starts = entry_mm + 2.0 * (np.cos(angle)[:, None] * u + np.sin(angle)[:, None] * v)
    skin = first_skin(depths, sample_rays(volume, starts, unit_inward, depths), levels)
    if not np.isfinite(skin).any():
        return 0.0
    return float(np.clip(np.nanmedian(skin), -_RESEAT_MM, _RESEAT_MM))


def below(bundle: Bundle, start_mm: FloatArray, depths_mm: FloatArray) -> FloatArray:
    """Samples at depths below a surface of the bundle, ray by ray.

    Parameters
    ----------
    bundle : Bundle
    start_mm : (n,) array
        Depth of the surface on each ray.
    depths_mm : (k,) array
        Below it.

    Returns
    -------
    (n, k) array, HU; NaN beyond the samples.
    """
    at = (start_mm[:, None] + depths_mm[None, :] - bundle.depths_mm[0]) / STEP_MM
    last = len(bundle.depths_mm) - 1
    ok = np.isfinite(at) & (at >= 0.0) & (at <= last)
    at = np.where(ok, at, 0.0)
    i = np.minimum(at.astype(np.intp), last - 1)
    f = at - i
    row = np.arange(len(bundle.hu))[:, None]
    value = (1.0 - f) * bundle.hu[row, i] + f * bundle.hu[row, i + 1]
    return np.where(ok, value, np.nan)


def block_sd_hu(block_means: NDArray[np.float32]) -> float:
    """Standard deviation that noise alone leaves in means of blocks, HU.

    From the smaller differences of neighbouring blocks, which hold little but noise: however the
    noise is correlated within a block, it is in them as it is in any mean of that volume.

    Parameters
    ----------
    block_means : (ni, nj, nk) array, HU
        Within the brain.
    """
    gaps = np.concatenate([np.abs(np.diff(block_means, axis=a)).ravel() for a in range(3)])
    gaps = gaps[np.isfinite(gaps)]
    if gaps.size < 30:
        return float("inf")
    # A quarter of the differences of two Gaussian values lie below 0.3186 of their spread.
    return float(np.percentile(gaps, 25.0) / (0.3186 * np.sqrt(2.0)))
