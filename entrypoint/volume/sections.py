"""Skin and outer bone in a plane, as seen from a point inside the head.

A section is star-shaped round a point in the cranial cavity wherever a tape is laid, so a ray
an angle finds it to a fraction of a voxel, and what lies outside (head rest, table, hands) never
enters: a ray stops where it first reaches air that is connected with the edge of the field.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from entrypoint.volume.rays import FloatArray, crossing, first_fall, sample_rays
from entrypoint.volume.skull import CoarseHead
from entrypoint.volume.straps import UNDER_SOFT_HU, under_straps

if TYPE_CHECKING:
    from entrypoint.volume.volume import Volume

STEP_MM = 0.5
# Nasal airways open to the outside: in the face a ray may pass that much air and enter the head
# again. Over the vault it may not.
_AIRWAY_MM = 30.0
_THICKEST_SCALP_MM = 22.0
_SOFT_ABOVE_HU = 60.0  # above soft tissue's own level: still no bone, no diploe
# What stands out of the skin on both sides of it: narrow and low, as a strand of hair or a fold of
# cloth, or wide and high, as a bolt or a tube; never in the face, where a nose does.
_STRAND_DEG, _STRAND_MM = 2.4, 1.0
_BOLT_DEG, _BOLT_MM = 8.0, 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PolarSection:
    """Radii in one plane; NaN where the scan does not show the surface.

    ``unit_dirs`` are world vectors; ``angles_deg`` run from ``unit_u`` (0) to ``unit_v`` (90).
    """

    origin_mm: FloatArray
    angles_deg: FloatArray
    unit_dirs: FloatArray
    skin_mm: FloatArray
    bone_mm: FloatArray
    leaves_field: NDArray[np.bool_]

    def skin_points(self) -> FloatArray:
        """Skin points, (n, 3), NaN rows where unseen."""
        return self.origin_mm + self.skin_mm[:, None] * self.unit_dirs

    def bone_points(self) -> FloatArray:
        """Outer-bone points, (n, 3), NaN rows where unseen."""
        return self.origin_mm + self.bone_mm[:, None] * self.unit_dirs


def polar_section(
    volume: Volume,
    head: CoarseHead,
    origin_mm: FloatArray,
    unit_u: FloatArray,
    unit_v: FloatArray,
    angles_deg: FloatArray,
    *,
    face: NDArray[np.bool_] | None = None,
    behind: NDArray[np.bool_] | None = None,
    near_mm: float = 15.0,
    reach_mm: float = 150.0,
) -> PolarSection:
    """Find skin and outer bone in the plane of ``unit_u`` and ``unit_v``.

    Parameters
    ----------
    volume : Volume
    head : CoarseHead
    origin_mm : (3,) array
        A point in the cranial cavity or well inside the head.
    unit_u, unit_v : (3,) arrays
        Orthogonal unit vectors that span the plane.
    angles_deg : (n,) array
    face : (n,) bool array, optional
        Rays that may pass an airway.
    behind : (n,) bool array, optional
        Rays on which a head rest may lie against the scalp: bone ends where soft tissue first
        follows it, and the scalp must be thinner than 22 mm.
    near_mm, reach_mm : float
        Where rays start and end.

    Returns
    -------
    PolarSection
    """
    angles = np.radians(np.asarray(angles_deg, dtype=float))
    dirs = np.cos(angles)[:, None] * unit_u + np.sin(angles)[:, None] * unit_v
    depths = np.arange(near_mm, reach_mm, STEP_MM)
    hu = sample_rays(volume, origin_mm, dirs, depths)
    outside = head.is_exterior(origin_mm + depths[None, :, None] * dirs[:, None, :])
    air = hu < head.levels.skin_hu
    unseen = ~np.isfinite(hu)
    # Block means blur the border of the outside air: only what is air itself counts as outside.
    outside &= air | unseen

    in_face = np.zeros(len(dirs), dtype=bool) if face is None else face
    leaves = _leaving_index(outside, in_face)
    m = hu.shape[1]
    inside = np.arange(m)[None, :] < leaves[:, None]
    row = np.arange(len(dirs))

    solid = inside & ~air & ~unseen
    last = np.where(solid.any(axis=1), m - 1 - np.argmax(solid[:, ::-1], axis=1), -1)
    cut = (leaves >= m) | unseen[row, np.minimum(last + 1, m - 1)]
    skin = crossing(depths, hu, head.levels.skin_hu, np.where(cut, -1, last))

    scalp = solid & (hu > head.levels.soft_hu - UNDER_SOFT_HU)
    last_scalp = np.where(scalp.any(axis=1), m - 1 - np.argmax(scalp[:, ::-1], axis=1), -1)
    dense = crossing(depths, hu, head.levels.soft_hu - UNDER_SOFT_HU, last_scalp)

    edge = head.levels.bone_edge_hu
    bone = inside & (hu > edge)
    last_bone = np.where(bone.any(axis=1), m - 1 - np.argmax(bone[:, ::-1], axis=1), -1)
    bone_mm = crossing(depths, hu, edge, last_bone)
    if behind is not None and behind.any():
        ends, exits = before_rest(hu[behind], head)
        sub_bone = crossing(depths, hu[behind], edge, ends)
        sub_skin = crossing(depths, hu[behind], head.levels.skin_hu, exits)
        thin = sub_skin - sub_bone < _THICKEST_SCALP_MM
        bone_mm[behind] = sub_bone
        skin[behind] = np.where(thin, sub_skin, np.nan)
    angles_deg = np.asarray(angles_deg, dtype=float)
    skin = under_straps(skin, dense, angles_deg)
    skin = _without_spikes(skin, angles_deg, _STRAND_DEG, _STRAND_MM)
    bare = _without_spikes(skin, angles_deg, _BOLT_DEG, _BOLT_MM)
    bare = np.where(in_face, skin, bare)
    bone_mm = np.where(skin - bare > _STRAND_MM, np.nan, bone_mm)  # it may be what stands out
    return PolarSection(
        origin_mm=np.asarray(origin_mm, dtype=float),
        angles_deg=angles_deg,
        unit_dirs=dirs,
        skin_mm=bare,
        bone_mm=bone_mm,
        leaves_field=cut,
    )


def _without_spikes(
    radius_mm: FloatArray, angles_deg: FloatArray, width_deg: float, height_mm: float
) -> FloatArray:
    """Radii with narrow outward spikes bridged from both sides of them."""
    half = max(3, round(width_deg / float(np.median(np.diff(angles_deg)))))
    if len(radius_mm) < 3 * half:
        return radius_mm
    padded = np.pad(radius_mm, half, constant_values=np.nan)
    windows = np.sort(np.lib.stride_tricks.sliding_window_view(padded, half), axis=1)
    seen = np.isfinite(windows).sum(axis=1)  # NaN is sorted to the end
    row = np.arange(len(windows))
    middle = 0.5 * (windows[row, np.maximum(seen - 1, 0) // 2] + windows[row, seen // 2 % half])
    middle = np.where(seen > 0, middle, np.nan)
    before, after = middle[: len(radius_mm)], middle[half + 1 :]
    spike = radius_mm - np.fmax(before, after) > height_mm
    spike &= np.isfinite(before) & np.isfinite(after)
    # Its flanks stand out less than its top: all near it that lies above a bridge goes with it.
    near = np.convolve(spike, np.ones(2 * half + 1), mode="same") > 0.5
    keep = np.isfinite(radius_mm) & ~near
    if not spike.any() or keep.sum() < 2:
        return radius_mm
    bridged = np.interp(angles_deg, angles_deg[keep], radius_mm[keep])
    spike |= near & (radius_mm - bridged > _STRAND_MM)
    keep = np.isfinite(radius_mm) & ~spike
    bridged = np.interp(angles_deg, angles_deg[keep], radius_mm[keep])
    return np.asarray(np.where(spike, bridged, radius_mm))


def _leaving_index(outside: NDArray[np.bool_], face: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Index of the first outside sample for good on each ray; the row's length where none."""
    m = outside.shape[1]
    first = np.where(outside.any(axis=1), np.argmax(outside, axis=1), m)
    reach = round(_AIRWAY_MM / STEP_MM)
    for i in np.flatnonzero(face & (first < m)):
        k = int(first[i])
        while True:
            back_in = np.flatnonzero(~outside[i, k : k + reach])
            if back_in.size == 0:
                break
            inner = k + int(back_in[-1])
            onward = np.flatnonzero(outside[i, inner:])
            if onward.size == 0:
                k = m
                break
            k = inner + int(onward[0])
        first[i] = k
    return np.asarray(first, dtype=np.intp)


def before_rest(hu: FloatArray, head: CoarseHead) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """On each ray the last sample of the first bone, and the last one before air beyond it."""
    n, m = hu.shape
    row = np.arange(n)
    bone = hu > head.levels.bone_edge_hu
    start = np.where(bone.any(axis=1), np.argmax(bone, axis=1), m - 1)
    soft = hu < head.levels.soft_hu + _SOFT_ABOVE_HU
    gap = first_fall(np.where(soft, 0.0, 1.0), 0.5, run=round(3.0 / STEP_MM), start=start)
    ends = np.full(n, -1, dtype=np.intp)
    for i in row[gap >= 0]:
        inside = np.flatnonzero(bone[i, : gap[i] + 1])
        ends[i] = inside[-1] if inside.size else -1
    exits = first_fall(hu, head.levels.skin_hu, run=round(1.5 / STEP_MM), start=ends)
    return ends, np.where(ends >= 0, exits, -1)
