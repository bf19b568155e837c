"""One side of a head on a CT: entry, foot on the bone, thickness, what lies near the path."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import MeasurementError
from entrypoint.geometry.planes import Plane
from entrypoint.planning.ct_head import CtHead
from entrypoint.planning.entry import Entry, MidlineTape, place_entry, side_sign
from entrypoint.planning.model import LateralBy, Rule, Side
from entrypoint.planning.site_chart import ChartedHead
from entrypoint.reference import value
from entrypoint.volume.bone import BonePatch, Foot, bone_patch, crack_in, square_foot, tangent_axes
from entrypoint.volume.edges import METAL_HU, quick_edges
from entrypoint.volume.rays import sample_rays
from entrypoint.volume.sections import polar_section
from entrypoint.volume.skull_profile import SkullProfile, read_skull_profile

FloatArray = NDArray[np.float64]

_SECTION_DEG = np.arange(-2.0, 112.0, 0.4)
_SECTION_DEEP_MM = 72.0  # from the midline point to where the section's rays start
_SUTURE_HALF_MM = 4.5  # a suture wanders about its smoothed line
_FWHM_PER_SIGMA = 2.3548
_FEWEST_BESIDE = 9  # of eighteen
# Half-peak edges wander by about this share of the largest voxel edge on clean phantoms.
_USUAL_WANDER = 0.15
_AIR_IN_BONE_HU = -250.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LateralScalp:
    """Scalp thickness along a lateral section, against distance from its start."""

    arc_mm: FloatArray
    scalp_mm: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """What the scan shows at one side's entry.

    ``profile`` is None where ``no_bone`` says why no thickness can be read.
    """

    side: Side
    entry: Entry
    patch: BonePatch
    foot: Foot  # where the path meets the outer table, and the outward normal there
    unit_inward: FloatArray  # of the path
    profile: SkullProfile | None
    no_bone: str | None
    no_bone_mm: float
    too_blurred_mm: float | None  # full width of a blur that hides the bone's surfaces
    metal_mm: float | None
    air_in_bone_mm: float | None
    thinnest_near_mm: float | None
    lateral_scalp: LateralScalp
    square_skull_mm: float | None = None  # of a tilted path: the skull square to it at its foot

    @property
    def tilt_deg(self) -> float:
        """Angle of the path from the perpendicular at its foot; exactly 0 for a square one."""
        square = -self.foot.unit_outward
        off = float(np.linalg.norm(np.cross(square, self.unit_inward)))
        return float(np.degrees(np.arctan2(off, square @ self.unit_inward)))

    @property
    def slant_factor(self) -> float | None:
        """Bone along the path over bone square to it; None where that is not known."""
        if self.tilt_deg == 0.0:
            return 1.0
        if self.profile is None or self.square_skull_mm is None:
            return None
        return self.profile.skull_mm / self.square_skull_mm

    @property
    def scalp_mm(self) -> float:
        """Skin to outer table along the path, also where bone is bridged."""
        if self.profile is not None:
            return self.profile.scalp_mm
        return float(np.linalg.norm(self.entry.scalp_entry_mm - self.foot.foot_mm))


def place_on_ct(
    head: ChartedHead,
    tape: MidlineTape,
    midsagittal: Plane,
    rule: Rule,
    side: Side,
    midline_arc_mm: float,
    lateral_arc_mm: float | None,
) -> tuple[Entry, LateralScalp]:
    """Lay both tapes on the scan's scalp.

    Parameters
    ----------
    lateral_arc_mm : float or None
        None: what the rule says, which may be the mid-pupillary line.

    Returns
    -------
    Entry, LateralScalp
    """
    at = replace(rule, midline_arc_mm=midline_arc_mm)
    if lateral_arc_mm is not None:
        at = replace(at, lateral_arc_mm=lateral_arc_mm, lateral_by=LateralBy.ARC)
    kept: list[LateralScalp] = []

    def section(point: FloatArray, unit_normal: FloatArray, unit_outward: FloatArray) -> FloatArray:
        lateral = side_sign(side) * midsagittal.unit_normal
        lateral = lateral - (lateral @ unit_normal) * unit_normal
        lateral = lateral / np.linalg.norm(lateral)
        up = unit_outward - (unit_outward @ unit_normal) * unit_normal
        up = up - (up @ lateral) * lateral
        up = up / np.linalg.norm(up)
        origin = point - _SECTION_DEEP_MM * up
        polar = polar_section(
            head.volume,
            head.coarse,
            origin,
            up,
            lateral,
            _SECTION_DEG,
            reach_mm=130.0,
            near_mm=20.0,
        )
        skin = polar.skin_points()
        seen = np.isfinite(skin).all(axis=1)
        first = _SECTION_DEG > 0.3
        broken = np.flatnonzero(first & ~seen)
        use = first & seen
        if broken.size:
            use &= _SECTION_DEG[broken[0]] > _SECTION_DEG
        line = np.concatenate([np.atleast_2d(point), skin[use]])
        steps = np.linalg.norm(np.diff(line, axis=0), axis=1)
        kept.append(
            LateralScalp(arc_mm=np.cumsum(steps), scalp_mm=(polar.skin_mm - polar.bone_mm)[use])
        )
        return line

    entry = place_entry(
        midline_profile_mm=tape.profile_mm,
        midsagittal=midsagittal,
        lateral_section=section,
        side=side,
        rule=at,
        tape=tape,
    )
    return entry, kept[-1]


def foot_on_bone(head: CtHead, entry: Entry) -> tuple[BonePatch, Foot]:
    """The outer table under an entry, and the foot of the square path."""
    point = entry.scalp_entry_mm
    inward = np.cross(entry.unit_across, entry.unit_along)
    inward = inward / np.linalg.norm(inward)
    if inward @ (head.frame.origin_mm - point) < 0:
        inward = -inward
    patch = bone_patch(head.volume, head.coarse.levels, point, inward, entry.unit_along)
    return patch, square_foot(patch, point, radius_mm=value("normal_radius"))


def read_site(
    head: CtHead,
    tape: MidlineTape,
    midsagittal: Plane,
    rule: Rule,
    side: Side,
    suture_mm: FloatArray | None,
) -> Site:
    """Entry, foot, thickness and what lies near the path on one side.

    ``suture_mm`` (n, 3) is the coronal suture where it was seen: a dark line along it is no crack.

    Raises
    ------
    MeasurementError
        Too little scalp in view for the tapes, or no bone at all round the entry.
    """
    entry, lateral = place_on_ct(head, tape, midsagittal, rule, side, rule.midline_arc_mm, None)
    patch, foot = foot_on_bone(head, entry)
    return site_along(head, entry, lateral, patch, foot, -foot.unit_outward, suture_mm)


def site_along(
    head: CtHead,
    entry: Entry,
    lateral: LateralScalp,
    patch: BonePatch,
    foot: Foot,
    unit_inward: FloatArray,
    suture_mm: FloatArray | None,
) -> Site:
    """Thickness along a path and what lies near it, whether it is square to the bone or not.

    Parameters
    ----------
    entry, lateral : Entry, LateralScalp
        The path's point on the scalp, and its lateral tape.
    patch : BonePatch
        Round that point.
    foot : Foot
        Where the path meets the outer table.
    unit_inward : (3,) array
        Of the path.
    suture_mm : (n, 3) array, optional
        As of :func:`read_site`.
    """
    gap, crack = unsound_bone(patch, foot.foot_mm, head.coarse.levels.soft_hu, suture_mm)
    metal = _metal(head, foot, unit_inward)
    limit = value("bone_missing_radius")
    no_bone, no_bone_mm = None, 0.0
    too_blurred: float | None = None
    profile: SkullProfile | None = None
    if metal is not None and metal <= limit:
        no_bone, no_bone_mm = "metal covers the bone", metal
    elif gap is not None and gap <= limit:
        no_bone, no_bone_mm = "bone is missing", gap
    elif crack is not None and crack <= limit:
        no_bone, no_bone_mm = "a dark line runs through both tables of the bone", crack
    else:
        try:
            profile = read_skull_profile(
                head.volume,
                head.coarse.levels,
                patch,
                entry.scalp_entry_mm,
                unit_inward,
                noise_hu=head.noise_hu,
            )
        except MeasurementError:
            no_bone = "no outer and inner surface of bone can be told apart"
    if profile is not None:
        blur_mm = profile.blur_sigma_mm * _FWHM_PER_SIGMA
        if blur_mm > value("blur_limit"):
            profile, too_blurred = None, blur_mm
    near = None if profile is None else _fan(head, entry, unit_inward, profile)
    if profile is not None and near is not None:
        usual = _USUAL_WANDER * max(head.volume.grid.voxel_mm)
        profile = replace(
            profile,
            scalp_sd_mm=max(profile.scalp_sd_mm, _beyond(near.scalp_wander_mm, usual)),
            skull_sd_mm=max(profile.skull_sd_mm, _beyond(near.skull_wander_mm, usual)),
        )
    return Site(
        side=entry.side,
        entry=entry,
        patch=patch,
        foot=foot,
        unit_inward=unit_inward,
        profile=profile,
        no_bone=no_bone,
        no_bone_mm=no_bone_mm,
        too_blurred_mm=too_blurred,
        metal_mm=metal,
        air_in_bone_mm=None if near is None else near.air_mm,
        thinnest_near_mm=None if near is None else near.thinnest_mm,
        lateral_scalp=lateral,
    )


def unsound_bone(
    patch: BonePatch, foot_mm: FloatArray, soft_hu: float, suture_mm: FloatArray | None
) -> tuple[float | None, float | None]:
    """Distances from a foot to the nearest missing bone, and to the nearest crack; None: neither.

    A wide suture shows no bone either, and a suture is dark in both tables: where it was seen
    (``suture_mm``) it counts as bone; a hole over it reaches beyond it.
    """
    known = _near_suture(patch, suture_mm)
    absent = (patch.missing | ~np.isfinite(patch.thickness_mm)) & ~known
    return (
        _nearest(patch, foot_mm, absent),
        _nearest(patch, foot_mm, crack_in(patch, soft_hu, known)),
    )


def _near_suture(patch: BonePatch, suture_mm: FloatArray | None) -> NDArray[np.bool_]:
    """Places of a patch on the coronal suture, where that was seen."""
    known = np.zeros(patch.missing.shape, dtype=bool)
    if suture_mm is None:
        return known
    near = suture_mm[np.linalg.norm(suture_mm - patch.origin_mm, axis=1) < 60.0]
    if len(near):
        away = np.linalg.norm(patch.points_mm()[:, :, None, :] - near, axis=-1).min(axis=2)
        known = away < _SUTURE_HALF_MM
    return known


def _nearest(patch: BonePatch, point_mm: FloatArray, where: NDArray[np.bool_]) -> float | None:
    """Distance across the path of the nearest place of a patch where something holds."""
    if not where.any():
        return None
    q = patch.points_mm()[where] - point_mm
    return float(np.linalg.norm(q, axis=1).min())


def _metal(head: CtHead, foot: Foot, unit_inward: FloatArray) -> float | None:
    """Distance from the path of the nearest metal in the scalp and the bone."""
    radius = value("bone_missing_radius") + 2.0
    u, v = tangent_axes(unit_inward, head.frame.unit_anterior)
    o = np.arange(-radius, radius + 0.1, 1.0)
    uu, vv = np.meshgrid(o, o, indexing="ij")
    disc = np.hypot(uu, vv) <= radius
    start = foot.foot_mm + uu[disc][:, None] * u + vv[disc][:, None] * v
    hu = sample_rays(head.volume, start, unit_inward, np.arange(-8.0, 14.0, 1.0))
    dense = np.nanmax(np.where(np.isfinite(hu), hu, -1000.0), axis=1) > METAL_HU
    return float(np.hypot(uu[disc], vv[disc])[dense].min()) if dense.any() else None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Near:
    """What other paths near the own one show."""

    thinnest_mm: float
    air_mm: float | None  # the nearest air between the tables
    scalp_wander_mm: float  # how far neighbours depart from a smooth thickness
    skull_wander_mm: float


def _fan(head: CtHead, entry: Entry, inward: FloatArray, profile: SkullProfile) -> _Near:
    """Paths within 5 mm of the entry and 4 degrees of the path.

    Their quick thickness is put on the fitted one's scale by the path itself. What the fit of one
    path cannot see of streaks and coarse slices shows in how unevenly its neighbours read.
    """
    u, v = tangent_axes(inward, head.frame.unit_anterior)
    radius, tilt = value("stop_near_radius"), np.tan(np.radians(value("stop_near_tilt")))
    places, dirs = [np.zeros(3)], [inward]
    for r, n in ((0.5 * radius, 6), (radius, 12)):
        for a in 2 * np.pi * np.arange(n) / n:
            places.append(r * (np.cos(a) * u + np.sin(a) * v))
            dirs.append(inward)
    spots = list(places)
    for a in 2 * np.pi * np.arange(4) / 4:
        lean = inward + tilt * (np.cos(a) * u + np.sin(a) * v)
        lean = lean / np.linalg.norm(lean)
        places += spots
        dirs += [lean] * len(spots)
    depths = np.arange(-6.0, 46.0, 0.4)
    hu = sample_rays(head.volume, entry.scalp_entry_mm + np.array(places), np.array(dirs), depths)
    edges = quick_edges(depths, hu, head.coarse.levels)
    thick = edges.inner_mm - edges.outer_mm
    own = float(thick[0])
    shift = profile.skull_mm - own if np.isfinite(own) else 0.0
    seen = np.isfinite(thick)
    thinnest = float(
        min(np.min(thick[seen]) + shift if seen.any() else profile.skull_mm, profile.skull_mm)
    )
    between = (depths > edges.outer_mm[:, None] + 0.8) & (depths < edges.inner_mm[:, None] - 0.8)
    air = (between & (hu < _AIR_IN_BONE_HU)).any(axis=1)
    away = np.linalg.norm(np.array(places), axis=1)
    beside = slice(0, len(spots))  # the paths beside the own one and along it
    across = np.array(spots) @ np.column_stack([u, v])
    return _Near(
        thinnest_mm=max(thinnest, 0.0),
        air_mm=float(away[air].min()) if air.any() else None,
        scalp_wander_mm=_wander(
            across, (edges.outer_mm - edges.skin_mm)[beside], profile.scalp_mm
        ),
        skull_wander_mm=_wander(across, thick[beside], profile.skull_mm),
    )


def _beyond(wander_mm: float, usual_mm: float) -> float:
    return math.sqrt(max(wander_mm**2 - usual_mm**2, 0.0))


def _wander(across_mm: FloatArray, thick_mm: FloatArray, fitted_mm: float) -> float:
    """Root mean square of the own path's departure from a plane through its neighbours' and theirs.

    The first row is the own path: where it shows no edges, the fitted thickness stands for it (a
    suture's gap fits as thin bone). 0 where most of its neighbours show none.
    """
    seen = np.isfinite(thick_mm)
    seen[0] = False
    if seen.sum() < _FEWEST_BESIDE:
        return 0.0
    own = thick_mm[0] if np.isfinite(thick_mm[0]) else fitted_mm
    lever = np.column_stack([np.ones(len(across_mm)), across_mm])
    plane, *_ = np.linalg.lstsq(lever[seen], thick_mm[seen], rcond=None)
    off = thick_mm - lever @ plane
    own_off = own - float(lever[0] @ plane)
    return float(np.sqrt(0.5 * (own_off**2 + np.mean(np.square(off[seen])))))
