"""Scalp and skull thickness on a depth profile, with the scan's blur taken out.

The profile along the path is fitted by layers of constant density (soft tissue, outer table,
diploe, inner table, soft tissue) seen through a Gaussian blur. How wide the blur is comes from
the skin's own edge at the same place and in the same direction, so nothing is assumed about the
scanner; what cortical bone reads comes from the thicker tables round the site. Fixed thresholds
are wrong by about a millimetre here and half of the peak by up to one where tables are thin
(check rows 3.6 to 3.8).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from entrypoint.errors import MeasurementError
from entrypoint.geometry.fits import damped_least_squares
from entrypoint.geometry.slabs import slab_profile
from entrypoint.volume.bone import BonePatch, tangent_axes
from entrypoint.volume.edges import quick_edges
from entrypoint.volume.levels import Levels
from entrypoint.volume.rays import FloatArray, sample_rays

if TYPE_CHECKING:
    from entrypoint.volume.volume import Volume

STEP_MM = 0.2
_OUTSIDE_MM = 6.0
_BEYOND_MM = 9.0  # of soft tissue below the inner table that is fitted
_RING_MM = 0.8
# Where the file cuts readings off: the skin's offset, and what that adds to the spreads (on
# phantoms cut at -200 and at 1000 HU).
_CLIPPED_SKIN_MM, _USUAL_SIGMA_MM = 0.15, 0.5
_CLIPPED_SCALP_SD_MM, _CLIPPED_SKULL_SD_MM = 0.25, 0.3
_SIGMA_RANGE_MM = (0.20, 2.6)
_POINT_SIGMA_MM = 0.52  # full width 1.2 mm, the widest point spread of the heads measured on
_SOFTER, _BLUR_SHARE = 1.25, 0.12
# Set on 84 sites of phantoms with slices of 2 mm and more: intervals cover 98 %, 95 % before.
_FAINT_TABLE, _PER_FAINT = 0.4, 4.3
_MERGED_DIPLOE_MM = 0.5
_NO_DIP = 0.93  # of the highest reading, in the middle third
_THICK_TABLE_MM = 1.6  # about the thickest tables of a vault (row 3.12, from memory)


@dataclass(frozen=True, slots=True, kw_only=True)
class SkullProfile:
    """Edges along one path, depths in mm from the scalp entry inwards.

    Attributes
    ----------
    skin_mm, outer_mm, inner_mm : float
        Depths of the skin, the outer and the inner table's surfaces.
    outer_diploe_mm, diploe_inner_mm : float or None
        Between tables and diploe; None where they cannot be told apart.
    blur_sigma_mm : float
        Of the scan along this path.
    scalp_sd_mm, skull_sd_mm : float
    misfit_hu : float
        Root mean square of what the layers leave unexplained.
    noise_hu : float
    """

    skin_mm: float
    outer_mm: float
    inner_mm: float
    outer_diploe_mm: float | None
    diploe_inner_mm: float | None
    blur_sigma_mm: float
    scalp_sd_mm: float
    skull_sd_mm: float
    misfit_hu: float
    depths_mm: FloatArray
    hu: FloatArray
    fitted_hu: FloatArray

    @property
    def scalp_mm(self) -> float:
        """Skin to outer table."""
        return self.outer_mm - self.skin_mm

    @property
    def skull_mm(self) -> float:
        """Outer to inner table."""
        return self.inner_mm - self.outer_mm


def skin_blur(
    depths_mm: FloatArray, hu: FloatArray, skin_mm: float, levels: Levels
) -> tuple[float, float]:
    """Place and blur of the skin's edge on a profile.

    Returns
    -------
    skin_mm, sigma_mm : float
        Of an error function fitted within 4 mm outside and 2.5 mm inside the edge.
    """
    if levels.clip_low_hu is not None:
        # Air's own part of the edge is cut off: no blur can be read from the rest, and the level
        # that is left lies inside the edge by about that much.
        return skin_mm - _CLIPPED_SKIN_MM, _USUAL_SIGMA_MM
    near = (depths_mm > skin_mm - 4.0) & (depths_mm < skin_mm + 2.5) & np.isfinite(hu)
    z, y = depths_mm[near], hu[near]
    if len(z) < 8:
        return skin_mm, 0.5
    low = float(np.median(y[z < skin_mm - 1.5])) if (z < skin_mm - 1.5).any() else levels.air_hu
    high = float(np.median(y[z > skin_mm + 1.0])) if (z > skin_mm + 1.0).any() else levels.soft_hu

    def model(x: FloatArray) -> FloatArray:
        return slab_profile(z, np.array([x[0]]), np.array([x[2], x[3]]), float(np.exp(x[1])))

    fit = damped_least_squares(
        lambda x: np.concatenate([(model(x) - y) / 20.0, (x[2:] - [low, high]) / 60.0]),
        np.array([skin_mm, np.log(0.5), low, high]),
        steps=np.array([0.01, 0.01, 1.0, 1.0]),
    )
    sigma = float(np.clip(np.exp(fit.x[1]), *_SIGMA_RANGE_MM))
    return float(np.clip(fit.x[0], skin_mm - 1.0, skin_mm + 1.0)), sigma


def read_skull_profile(
    volume: Volume,
    levels: Levels,
    patch: BonePatch,
    entry_mm: FloatArray,
    unit_inward: FloatArray,
    *,
    noise_hu: float,
) -> SkullProfile:
    """Measure scalp and skull along a path.

    Parameters
    ----------
    volume : Volume
    levels : Levels
    patch : BonePatch
        Round the same entry; what cortical bone reads is taken from it.
    entry_mm : (3,) array
        On the scalp.
    unit_inward : (3,) array
    noise_hu : float
        Standard deviation of one voxel.

    Returns
    -------
    SkullProfile

    Raises
    ------
    MeasurementError
        When there is no outer and inner edge on the path.
    """
    depths = np.arange(-_OUTSIDE_MM, 50.0, STEP_MM)
    hu = _tube(volume, entry_mm, unit_inward, depths)
    rough = quick_edges(depths, hu[None, :], levels)
    outer0, inner0, skin0 = (float(a[0]) for a in (rough.outer_mm, rough.inner_mm, rough.skin_mm))
    if not np.isfinite(outer0) or not np.isfinite(inner0):
        raise MeasurementError(
            found="no outer and inner surface of bone on the path",
            expected="bone on the path",
            next_step="look at the scan: bone may be missing there or lie outside the field",
        )
    skin, sigma = (
        skin_blur(depths, hu, skin0, levels) if np.isfinite(skin0) else (float("nan"), 0.5)
    )

    sigma, sigma_share = _believed_blur(sigma, volume, unit_inward)

    lo = max(outer0 - 5.0, (skin + 2.0 * sigma) if np.isfinite(skin) else outer0 - 5.0)
    lo = min(lo, outer0 - 1.2)
    used = (depths >= lo) & (depths <= inner0 + _BEYOND_MM) & np.isfinite(hu)
    z, y = depths[used], hu[used]
    cortical, cortical_sd = _cortical_level(patch, levels, sigma, _solid_mm(z, y, outer0, inner0))
    blur = (sigma, sigma_share)
    best = _fit_layers(z, y, outer0, inner0, blur, levels, cortical, cortical_sd)
    x, cov, misfit, fitted = best
    outer, od, di, inner = _edges_of(x)
    thinnest = min(od - outer, inner - di)
    merged = bool(
        di - od < _MERGED_DIPLOE_MM
        or x[7] > 0.85 * min(x[6], x[8])
        or 2.355 * sigma > 1.6 * thinnest
    )

    # Samples a fifth of a millimetre apart share their noise and their misfit.
    sharing = max(1.0, float(np.mean(volume.grid.voxel_mm)) / STEP_MM)
    scale = 0.5 * max(misfit, noise_hu / 3.0) ** 2 * sharing
    # A slice's blur is no Gaussian: the wider it is, the more that matters (on phantoms).
    # A table thinner than the blur's full width trades its level for its thickness.
    traded = 0.17 * min(max(2.355 * sigma / max(thinnest, 0.2) - 1.0, 0.0), 1.0)
    slices = 0.60 * max(sigma - 0.35, 0.0) ** 1.5 + 0.30 * max(sigma - 0.9, 0.0)
    # Tables far fainter than compact bone here: the blur is wider than the skin told, as where a
    # path runs across thick slices, and each table reads that much too wide.
    faint = [max(1.0 - float(level) / cortical - _FAINT_TABLE, 0.0) for level in (x[6], x[8])]
    spread = _PER_FAINT * max(sigma - 0.5, 0.0)
    widened = math.hypot(slices, traded, spread * sum(faint))
    j_thick = _gradient(lambda p: _edges_of(p)[3] - _edges_of(p)[0], x)
    j_outer = _gradient(lambda p: _edges_of(p)[0], x)
    fit_var = max(float(j_thick @ cov @ j_thick), 0.0) * 0.22 * scale
    skull_sd = float(np.sqrt(fit_var + 0.009**2 + widened**2))
    outer_sd = float(np.sqrt(max(float(j_outer @ cov @ j_outer), 0.0) * scale))
    outer_widened = math.hypot(slices, traded, spread * faint[0])
    scalp_sd = float(np.sqrt((0.8 * outer_sd) ** 2 + (0.8 * outer_widened) ** 2 + 0.014**2))
    if levels.clip_low_hu is not None:
        scalp_sd = math.hypot(scalp_sd, _CLIPPED_SCALP_SD_MM)
    if levels.clip_high_hu is not None:
        skull_sd = math.hypot(skull_sd, _CLIPPED_SKULL_SD_MM)
    whole = np.full(len(depths), np.nan)
    whole[used] = fitted
    return SkullProfile(
        skin_mm=skin,
        outer_mm=outer,
        inner_mm=inner,
        outer_diploe_mm=None if merged else od,
        diploe_inner_mm=None if merged else di,
        blur_sigma_mm=sigma,
        scalp_sd_mm=scalp_sd,
        skull_sd_mm=skull_sd,
        misfit_hu=misfit,
        depths_mm=depths,
        hu=hu,
        fitted_hu=whole,
    )


def _believed_blur(
    skin_sigma_mm: float, volume: Volume, unit_inward: FloatArray
) -> tuple[float, float]:
    """Blur along the path, and how well it is known, as a share of it.

    The skin's edge tells it, unless it is softer than slices of this thickness can make it: then
    hair or cloth blurs the skin and not the bone. The bone's own edges decide between the two.
    """
    axes = volume.grid.world_from_index[:3, :3]
    edges = np.linalg.norm(axes, axis=0)
    share = np.square(np.linalg.solve(axes / edges, unit_inward))
    # Point spread, the voxel's own width, and linear interpolation between voxels.
    usual = float(np.sqrt(share @ (_POINT_SIGMA_MM**2 + np.square(edges) / 5.0) / share.sum()))
    if skin_sigma_mm <= _SOFTER * usual:
        return skin_sigma_mm, _BLUR_SHARE
    return usual, max(_BLUR_SHARE, math.log(skin_sigma_mm / usual) / 2.0)


def _tube(
    volume: Volume, entry_mm: FloatArray, unit_inward: FloatArray, depths: FloatArray
) -> FloatArray:
    """Mean of the path and six paths round it: less noise, same edges."""
    side = np.array([1.0, 0.0, 0.0]) if abs(unit_inward[0]) < 0.9 else np.array([0.0, 1.0, 0.0])
    u, v = tangent_axes(unit_inward, side)
    a = np.arange(6) * np.pi / 3
    ring = entry_mm + _RING_MM * (np.cos(a)[:, None] * u + np.sin(a)[:, None] * v)
    origins = np.concatenate([np.atleast_2d(entry_mm), ring])
    return np.asarray(sample_rays(volume, origins, unit_inward, depths).mean(axis=0))


def _solid_mm(z: FloatArray, y: FloatArray, outer_mm: float, inner_mm: float) -> float | None:
    """Width of bone that shows no dip between its surfaces; None where it shows one."""
    third = (inner_mm - outer_mm) / 3.0
    bone = y[(z >= outer_mm) & (z <= inner_mm)]
    middle = y[(z > outer_mm + third) & (z < inner_mm - third)]
    if len(middle) < 2 or float(np.median(middle)) < _NO_DIP * float(bone.max()):
        return None
    return inner_mm - outer_mm


def _cortical_level(
    patch: BonePatch, levels: Levels, sigma_mm: float, solid_mm: float | None
) -> tuple[float, float]:
    """What compact bone reads here, and how well that is known: from the tables round the site.

    The highest peaks come from the thickest tables; the blur has taken from them what it takes
    from a slab of that thickness, and that is put back. The wider the blur, the less certain.
    Bone without a dip (``solid_mm`` wide) may be two thin tables that the blur has joined, or one
    solid slab, from which the blur takes far less: then the level lies between the two.
    """
    peaks = np.concatenate(
        [
            patch.peak_hu[~patch.missing].ravel(),
            patch.inner_peak_hu[np.isfinite(patch.inner_peak_hu)].ravel(),
        ]
    )
    peaks = peaks[np.isfinite(peaks)]
    if levels.clip_high_hu is not None:
        above = levels.clip_high_hu - levels.soft_hu
        return levels.soft_hu + 1.25 * above, 0.35 * above
    if len(peaks) < 20:
        return levels.bone_hu * 1.3, 0.3 * levels.bone_hu
    top = float(np.percentile(peaks, 90)) - levels.soft_hu
    thin = max(math.erf(_THICK_TABLE_MM / (2.0 * math.sqrt(2.0) * sigma_mm)), 0.5)
    kept, either = thin, 0.0
    if solid_mm is not None and solid_mm > _THICK_TABLE_MM:
        slab = max(math.erf(solid_mm / (2.0 * math.sqrt(2.0) * sigma_mm)), thin)
        kept, either = math.sqrt(thin * slab), 0.5 * top * (1.0 / thin - 1.0 / slab)
    true = top / kept
    spread = max(
        either,
        0.10 * true, float(np.percentile(peaks, 90) - np.percentile(peaks, 50)), 0.5 * (true - top)
    )
    return levels.soft_hu + true, spread


def _edges_of(x: FloatArray) -> tuple[float, float, float, float]:
    """Parameters to edges: outer surface, then thicknesses as logarithms."""
    outer = float(x[0])
    a = outer + float(np.exp(x[1]))
    b = a + float(np.exp(x[2]))
    c = b + float(np.exp(x[3]))
    return outer, a, b, c


def _fit_layers(
    z: FloatArray,
    y: FloatArray,
    outer: float,
    inner: float,
    blur: tuple[float, float],
    levels: Levels,
    cortical: float,
    cortical_sd: float,
) -> tuple[FloatArray, FloatArray, float, FloatArray]:
    """Fit the layers from several starts; the best by sum of squares with priors."""
    thick = max(inner - outer, 1.0)
    above = y[z < outer - 1.0]
    below = y[z > inner + 2.5]
    scalp = float(np.median(above)) if len(above) > 2 else levels.soft_hu
    brain = float(np.median(below)) if len(below) > 2 else levels.soft_hu
    mid = y[(z > outer + 0.35 * thick) & (z < inner - 0.35 * thick)]
    diploe = float(np.median(mid)) if len(mid) else 0.6 * cortical
    # Parameters: outer, ln outer table, ln diploe, ln inner table, ln blur, scalp, table, diploe,
    # table, brain. Priors keep what the profile cannot tell (a thin table's level) from running.
    sigma, sigma_share = blur
    scales = {"blur": sigma_share, "table": max(cortical_sd, 60.0)}

    top = levels.clip_high_hu

    def model(x: FloatArray) -> FloatArray:
        profile = slab_profile(z, np.array(_edges_of(x)), x[5:10], float(np.exp(x[4])))
        return profile if top is None else np.minimum(profile, top)

    def residual(x: FloatArray) -> FloatArray:
        priors = np.array(
            [
                (x[1] - np.log(0.22 * thick)) / 0.6,
                (x[3] - np.log(0.19 * thick)) / 0.6,
                (x[4] - np.log(sigma)) / scales["blur"],
                (x[5] - scalp) / 80.0,
                (x[6] - cortical) / scales["table"],
                (x[7] - diploe) / 400.0,
                (x[8] - cortical) / scales["table"],
                (x[9] - brain) / 60.0,
            ]
        )
        return np.concatenate([(model(x) - y) / 25.0, priors])

    best = None
    for share_outer, share_inner in ((0.25, 0.2), (0.15, 0.12), (0.38, 0.32)):
        start = np.array(
            [
                outer,
                np.log(share_outer * thick),
                np.log((1 - share_outer - share_inner) * thick),
                np.log(share_inner * thick),
                np.log(sigma),
                scalp,
                cortical,
                diploe,
                cortical,
                brain,
            ]
        )
        fit = damped_least_squares(
            residual,
            start,
            steps=np.array([0.01, 0.01, 0.01, 0.01, 0.01, 1.0, 1.0, 1.0, 1.0, 1.0]),
        )
        if best is None or fit.cost < best.cost:
            best = fit
    assert best is not None
    fitted = model(best.x)
    misfit = float(np.sqrt(np.mean(np.square(fitted - y))))
    return best.x, best.covariance / 25.0**2, misfit, fitted


def _gradient(f: Callable[[FloatArray], float], x: FloatArray) -> FloatArray:
    out = np.zeros(len(x))
    for k in range(len(x)):
        h = np.zeros(len(x))
        h[k] = 1e-4
        out[k] = (f(x + h) - f(x - h)) / 2e-4
    return out


__all__ = ["SkullProfile", "read_skull_profile", "skin_blur"]
