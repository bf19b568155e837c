"""What the scan shows along the path, beside the mirrored place on the other side: numbers only.

Near the skin and in the bone the corridor is wide, inside the skull it is as wide as a sensor may
stray. A layer under the bone is read over a wider disc, because a layer is wide and the folds of
the brain are not: what one fold holds must not pass for one. Means carry the scan's own noise.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from entrypoint.geometry.planes import Plane
from entrypoint.planning.corridor_density import (
    brain_level_hu,
    denser_than_brain,
    fluid_depth_mm,
    profile_hu,
)
from entrypoint.planning.corridor_spots import (
    Reading,
    air_between_tables,
    air_in_scalp,
    bone_beyond,
    dense_under_bone,
    metal_in,
    spots_inside,
)
from entrypoint.planning.ct_head import CtHead
from entrypoint.planning.ct_site import Site
from entrypoint.planning.model import Rule, Side
from entrypoint.reference import value
from entrypoint.volume.corridor import STEP_MM, Bundle, below, block_sd_hu, read_bundle
from entrypoint.volume.fluid_space import FluidSpace, nearest_fluid_space

__all__ = ["Corridor", "CorridorRead", "Reading", "read_corridor"]

FloatArray = NDArray[np.float64]

_DEEPEST_BONE_MM, _ROOM_MM = 14.0, 4.0
_USUAL_BLUR_MM, _BLUR_PER_VOXEL, _FWHM_PER_SIGMA = 0.5, 0.4, 2.3548
_TAIL_SIGMAS, _TAIL_MM = 3.2, 1.5  # below the inner table, where the blur of bone still reaches
_LAYER_REACH_MM = 12.0
_LAYER_MM = 2.0
_FLUID_SLOPE_HU_PER_MM = 12.0  # from fluid to brain, over the surface's own unevenness
_NEAR_TIP_MM = 11.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Corridor:
    """How wide and how deep is looked.

    Parameters
    ----------
    radius_bone_mm : float
        From the skin to 6 mm below the inner table.
    radius_inside_mm : float
        Deeper than that.
    beyond_tip_mm : float
        How far beyond the sensor's tip.
    layer_radius_mm : float
        Of the disc over which a layer under the bone is read.
    """

    radius_bone_mm: float = 5.0
    radius_inside_mm: float = 3.0
    beyond_tip_mm: float = 10.0
    layer_radius_mm: float = 12.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CorridorRead:
    """The numbers of one side's corridor; None where a thing is not there or cannot be read.

    Attributes
    ----------
    inner_seen, other_seen : bool
        Whether the inside of the skull could be followed here, and on the other side.
    brain_hu : float
        What brain reads below both paths.
    layer_sd_hu : float
        Standard deviation that noise leaves in the mean of a layer 2 mm deep.
    metal_near : bool
        Air and dense matter are then not looked for: metal's streaks look like both.
    dense_inside : Reading or None
        Like bone or calcification.
    denser : Reading or None
        Denser than brain, and than the same place on the other side.
    fluid_mm, fluid_other_mm : float or None
        Depth to which it reads like fluid under the inner table; at least ``least_fluid_mm``.
    fluid_sd_mm : float
        Of their difference, from noise.
    ventricle : FluidSpace
        From the tip.
    """

    side: Side
    settings: Corridor
    inner_seen: bool
    other_seen: bool
    brain_hu: float
    layer_sd_hu: float
    metal_near: bool = False
    scalp_mm: float | None = None
    scalp_other_mm: float | None = None
    skull_mm: float | None = None
    skull_other_mm: float | None = None
    air_in_scalp: Reading | None = None
    air_inside: Reading | None = None
    air_in_bone_mm: float | None = None
    metal_inside: Reading | None = None
    dense_inside: Reading | None = None
    denser: Reading | None = None
    fluid_mm: float | None = None
    fluid_other_mm: float | None = None
    fluid_sd_mm: float = 0.0
    least_fluid_mm: float = _TAIL_MM
    ventricle: FluidSpace = field(default_factory=FluidSpace)

    @property
    def density_can_be_judged(self) -> bool:
        """Whether noise lets a layer twice as far off brain as the limit be told from it."""
        sure = value("corridor_sure") * self.layer_sd_hu
        return self.inner_seen and sure < 2.0 * value("corridor_denser")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Noise:
    """What noise leaves in the mean of a disc over a depth."""

    block_sd_hu: float
    block_mm3: float

    def of(self, radius_mm: float) -> Callable[[float], float]:
        def sd_hu(deep_mm: float) -> float:
            volume = np.pi * radius_mm**2 * deep_mm
            return self.block_sd_hu * float(np.sqrt(self.block_mm3 / volume))

        return sd_hu


def read_corridor(
    head: CtHead, site: Site, other: Site | None, rule: Rule, settings: Corridor | None = None
) -> CorridorRead:
    """Read a side's corridor and its mirror image.

    Parameters
    ----------
    head : CtHead
    site : Site
        Whose path the corridor follows.
    other : Site or None
        The other side's, whose bone stands in where this side shows none.
    rule : Rule
        For the sensor's depth.
    settings : Corridor, optional

    Returns
    -------
    CorridorRead
    """
    at = settings or Corridor()
    plane = Plane(point_mm=head.frame.origin_mm, unit_normal=head.frame.unit_right)
    own, mirrored = _bundles(head, site, other, rule, at, plane)
    sigma = _blur_mm(head, site, other)
    tail = max(_TAIL_MM, _TAIL_SIGMAS * sigma)
    depths = np.arange(0.0, rule.sensor_depth_mm + at.beyond_tip_mm + 1e-6, STEP_MM)
    inside = below(own, own.inner_own_mm, depths)
    opposite = below(mirrored, mirrored.inner_own_mm, depths)
    seen, other_seen = (_in_view(hu, depths, rule) for hu in (inside, opposite))
    away, radii = own.away_mm, (at.radius_bone_mm, at.radius_inside_mm)
    soft, wide = head.coarse.levels.soft_hu, at.radius_bone_mm

    # Round metal the picture holds streaks as dark as air and as bright as bone.
    metal = metal_in(own, at.layer_radius_mm)
    spots = spots_inside(inside, depths, away, tail, radii)
    air, air_in_bone = spots.air, air_between_tables(own, wide)
    if air is not None and bone_beyond(inside, away, soft, wide):
        air, air_in_bone = None, air_in_bone or 0.0
    dense = spots.dense
    if dense is None and air_in_bone is None and site.air_in_bone_mm is None:
        dense = dense_under_bone(own, mirrored, soft, wide)
    read = CorridorRead(
        side=site.side,
        settings=at,
        inner_seen=seen,
        other_seen=other_seen,
        brain_hu=soft,
        layer_sd_hu=float("inf"),
        metal_near=metal,
        scalp_mm=own.scalp_mm(wide),
        scalp_other_mm=mirrored.scalp_mm(wide),
        skull_mm=own.skull_mm(wide),
        skull_other_mm=mirrored.skull_mm(wide),
        air_in_scalp=None if metal else air_in_scalp(own, sigma, wide),
        air_inside=None if metal else air,
        air_in_bone_mm=None if metal else air_in_bone,
        metal_inside=spots.metal,
        dense_inside=None if metal else dense,
        least_fluid_mm=tail,
    )
    if not seen:
        return replace(read, ventricle=FluidSpace(why="the inside of the skull is not in view"))
    tip = (
        site.entry.scalp_entry_mm
        + (float(np.median(own.inner_mm)) + rule.sensor_depth_mm) * site.unit_inward
    )
    return _with_densities(
        read, head, plane, tip, inside, opposite if other_seen else None, depths, away
    )


def _bundles(
    head: CtHead, site: Site, other: Site | None, rule: Rule, at: Corridor, plane: Plane
) -> tuple[Bundle, Bundle]:
    """The corridor and its mirror image; bone that one does not show is taken from the other."""
    radius = max(at.radius_bone_mm, at.radius_inside_mm, at.layer_radius_mm)
    deepest = site.scalp_mm + _DEEPEST_BONE_MM + rule.sensor_depth_mm + at.beyond_tip_mm + _ROOM_MM
    stand_in = None if other is None or other.profile is None else other.profile.skull_mm

    def read(mirror: Plane | None, skull_mm: float | None) -> Bundle:
        return read_bundle(
            head.volume,
            head.coarse.levels,
            site.entry.scalp_entry_mm,
            site.unit_inward,
            site.entry.unit_along,
            radius_mm=radius,
            deepest_mm=deepest,
            mirror=mirror,
            skull_mm=skull_mm,
        )

    own = read(None, stand_in)
    return own, read(plane, own.skull_mm(at.radius_bone_mm))


def _blur_mm(head: CtHead, site: Site, other: Site | None) -> float:
    """Blur along the path; where this side's profile does not tell it, the next best."""
    if site.profile is not None:
        return site.profile.blur_sigma_mm
    if site.too_blurred_mm is not None:
        return site.too_blurred_mm / _FWHM_PER_SIGMA
    if other is not None and other.profile is not None:
        return other.profile.blur_sigma_mm
    return max(_USUAL_BLUR_MM, _BLUR_PER_VOXEL * max(head.volume.grid.voxel_mm))


def _in_view(hu: FloatArray, depths: FloatArray, rule: Rule) -> bool:
    """Whether the rays can be followed from the inner table to the tip."""
    return bool(np.isfinite(hu[:, depths <= rule.sensor_depth_mm]).mean() > 0.9)


def _with_densities(
    read: CorridorRead,
    head: CtHead,
    plane: Plane,
    tip_mm: FloatArray,
    inside: FloatArray,
    opposite: FloatArray | None,
    depths: FloatArray,
    away: FloatArray,
) -> CorridorRead:
    at, tail = read.settings, read.least_fluid_mm
    noise = _noise_near(head, tip_mm)

    def means(radius_mm: float) -> tuple[FloatArray, FloatArray | None]:
        other = None if opposite is None else profile_hu(opposite, away, radius_mm)
        return profile_hu(inside, away, radius_mm), other

    own_wide, other_wide = means(at.layer_radius_mm)
    brain = brain_level_hu(own_wide, other_wide, depths)
    denser = None
    for radius, deepest in (
        (at.layer_radius_mm, _LAYER_REACH_MM),
        (at.radius_bone_mm, _LAYER_REACH_MM),
        (at.radius_inside_mm, float(depths[-1])),
    ):
        if denser is None:
            own, other = means(radius)
            denser = denser_than_brain(
                own,
                other,
                depths,
                brain_hu=brain,
                span_mm=(tail, deepest),
                sd_of_depth=noise.of(radius),
            )
    if read.metal_near or read.dense_inside is not None:
        denser = None  # the mean of something far denser
    fluid = fluid_other = None
    if read.air_inside is None and not read.metal_near:
        fluid = fluid_depth_mm(own_wide, depths, tail, brain)
        if other_wide is not None:
            fluid_other = fluid_depth_mm(other_wide, depths, tail, brain)
    sd_1mm = noise.of(at.layer_radius_mm)(1.0)
    return replace(
        read,
        brain_hu=brain,
        layer_sd_hu=noise.of(at.layer_radius_mm)(_LAYER_MM),
        denser=denser,
        fluid_mm=fluid,
        fluid_other_mm=fluid_other,
        fluid_sd_mm=float(np.sqrt(2.0)) * sd_1mm / _FLUID_SLOPE_HU_PER_MM,
        ventricle=nearest_fluid_space(
            head.coarse.volume,
            head.coarse.levels,
            plane,
            tip_mm,
            brain_hu=brain,
            fluid_hu=value("fluid_hu"),
            least_ml=value("ventricle_least_volume"),
            deeper_than_mm=value("ventricle_deeper_than"),
        ),
    )


def _noise_near(head: CtHead, tip_mm: FloatArray) -> _Noise:
    """Noise of block means round the tip."""
    block = head.coarse.volume.block_around(np.atleast_2d(tip_mm), margin_mm=_NEAR_TIP_MM)
    return _Noise(
        block_sd_hu=block_sd_hu(block.to_hu(block.stored)),
        block_mm3=float(np.prod(block.grid.voxel_mm)),
    )
