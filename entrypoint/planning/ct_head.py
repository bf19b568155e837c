"""What a head CT shows of the head as a whole: plane, profile, landmarks, suture."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from entrypoint.anatomy.frame import HeadFrame, frame_from
from entrypoint.anatomy.inion import find_inion
from entrypoint.anatomy.midline import vote
from entrypoint.anatomy.nasion import Hollow, find_nasion
from entrypoint.anatomy.symmetry import MirrorFit, fit_mirror, search_normal
from entrypoint.errors import MeasurementError
from entrypoint.reference import row
from entrypoint.volume.sections import PolarSection, polar_section
from entrypoint.volume.skull import CoarseHead, coarse_head, coarse_radii
from entrypoint.volume.strips import nose_places, vault_places
from entrypoint.volume.volume import Volume

FloatArray = NDArray[np.float64]
Progress = Callable[[str], None]

_PHI_DEG = np.arange(-80.0, 250.0, 0.4)
# How far (mm, radians) a mirror plane lies off the midline in uneven heads (on phantoms whose
# sides differ by 2 to 4 mm: mostly within 4 mm and 3 degrees), and a plane through what was seen
# of the midline from there.
_MIRROR_SD = (1.5, 0.035)
_FIRST_LOOK_SD = (0.6, 0.009)
# What votes say of their own spread is wider than their errors on phantoms, by this much.
_VOTE_SCALE = 0.55
# Share of the places that agree with the plane: 0.19 to 0.60 on phantoms and one real scan of
# every quality, under 0.10 where the plane was wrong.
_LEAST_AGREEING, _USUAL_AGREEING = 0.13, 0.33
_VOTE_PER_VOXEL = 0.06  # mm a mm of the largest voxel edge
_BESIDE_SUTURE_MM = 3.5
_WIDEST_GAP_DEG = 5.0  # of surface that a profile may miss and go on
_NASION_PER_VOXEL = 0.12
_JUMP_MM = 6.0
_REST_FROM_DEG = 120.0  # rays further back may meet a head rest
_FACE_ABOVE_DEG = 40.0  # rays lower than this, in front, may pass an airway


@dataclass(frozen=True, slots=True, kw_only=True)
class CtHead:
    """A head as found on a CT; world mm.

    ``midline_skin_mm`` and ``midline_bone_mm`` run from the nasion backwards over the top.
    """

    volume: Volume
    coarse: CoarseHead
    mirror: MirrorFit
    frame: HeadFrame
    section: PolarSection
    plane_covariance: FloatArray  # of shift (mm) and its change per mm anterior and superior
    midline_seen: float  # share of the places along the midline that agree with the plane
    noise_hu: float
    nasion_hollow: Hollow | None
    nasion_skin_mm: FloatArray
    nasion_skin_sd_mm: float
    nasion_bone_mm: FloatArray | None
    nasion_bone_sd_mm: float
    inion_bone_mm: FloatArray | None
    inion_skin_mm: FloatArray | None
    inion_sd_mm: float
    midline_skin_mm: FloatArray
    midline_bone_mm: FloatArray
    ends_in_field: bool  # whether the skin profile reaches as far as the inion

    def plane_sd_mm(self, points_mm: FloatArray) -> FloatArray:
        """Standard deviation of the plane at points, mm."""
        q = np.atleast_2d(points_mm) - self.frame.origin_mm
        lever = np.stack(
            [np.ones(len(q)), q @ self.frame.unit_anterior, q @ self.frame.unit_superior], axis=1
        )
        return np.asarray(np.sqrt(np.einsum("ij,jk,ik->i", lever, self.plane_covariance, lever)))


def find_head(
    volume: Volume,
    *,
    nasion_mm: FloatArray | None = None,
    inion_mm: FloatArray | None = None,
    plane: tuple[FloatArray, FloatArray] | None = None,
    progress: Progress | None = None,
) -> CtHead:
    """Find plane, midline profile, nasion and inion.

    Parameters
    ----------
    volume : Volume
        With its axes closest to right, anterior, superior.
    nasion_mm, inion_mm : (3,) arrays, optional
        Given points on the skin, already on its surface.
    plane : (point, unit normal), optional
        Given midsagittal plane.
    progress : callable, optional

    Returns
    -------
    CtHead

    Raises
    ------
    FileRefused, MeasurementError
        See the parts.
    """
    say = progress or (lambda _: None)
    say("reading the scan's levels and the skull")
    coarse = coarse_head(volume)
    say("finding the midsagittal plane")
    mirror = find_plane(coarse, volume)
    frame = _recentred(coarse, mirror.frame)
    noise = _noise(volume, frame)
    seen_share, plane_cov = 1.0, np.diag([0.25, 1e-5, 1e-5])
    if plane is not None:
        frame = _given_plane(frame, plane)
    else:
        frame, plane_cov, seen_share = _through_midline(volume, coarse, frame, noise)
        if seen_share < _LEAST_AGREEING:
            raise MeasurementError(
                found=f"only {100 * seen_share:.0f} % of the places along the midline agree with "
                "any plane of symmetry",
                expected="a head whose two sides are both in the field, lying as the file states",
                next_step="check the field of view and the file's orientation",
            )
        if seen_share < _USUAL_AGREEING:
            plane_cov = 9.0 * plane_cov

    say("following the midline")
    section = _midsagittal_section(volume, coarse, frame)
    hollow, nasion, nasion_sd = None, nasion_mm, 0.5
    if nasion is None:
        hollow, nasion_sd = find_nasion(_face_profile(section), frame.unit_right)
        nasion_sd = float(np.hypot(nasion_sd, _NASION_PER_VOXEL * max(volume.grid.voxel_mm)))
        nasion = hollow.position_mm
    else:
        nasion = nasion - ((nasion - frame.origin_mm) @ frame.unit_right) * frame.unit_right
    bone_nasion, bone_sd = _bone_nasion(section, frame, nasion)
    skin_line, reaches = _backwards(section.skin_points(), section.bone_points(), frame, nasion)
    bone_start = bone_nasion if bone_nasion is not None else nasion
    bone_line, _ = _backwards(section.bone_points(), section.bone_points(), frame, bone_start)

    inion_bone, inion_skin, inion_sd = None, inion_mm, 4.0
    try:
        expected, sd = _expected_inion(bone_line, frame)
        inion_bone, _, inion_sd = find_inion(
            bone_line, frame.unit_right, expected_arc_mm=expected, expected_sd_mm=sd
        )
        if inion_skin is None:
            inion_skin = _skin_over(section, frame, inion_bone)
    except MeasurementError:
        pass
    if inion_skin is not None:
        skin_line = _until(skin_line, frame, inion_skin)
    return CtHead(
        volume=volume,
        coarse=coarse,
        mirror=mirror,
        frame=frame,
        section=section,
        plane_covariance=plane_cov,
        midline_seen=seen_share,
        noise_hu=noise,
        nasion_hollow=hollow,
        nasion_skin_mm=nasion,
        nasion_skin_sd_mm=nasion_sd,
        nasion_bone_mm=bone_nasion,
        nasion_bone_sd_mm=bone_sd,
        inion_bone_mm=inion_bone,
        inion_skin_mm=inion_skin,
        inion_sd_mm=inion_sd,
        midline_skin_mm=skin_line,
        midline_bone_mm=bone_line,
        ends_in_field=reaches,
    )


def _expected_inion(bone_line: FloatArray, frame: HeadFrame) -> tuple[float, float]:
    """Nasion-inion length on bone to be expected for a skull of this length.

    The published mean goes with skulls of the mean length: published head lengths less a scalp
    on either side.
    """
    arc = row("nasion_inion_arc_bone")
    head = frame.head_from_world(bone_line)
    vault = head[head[:, 2] > -25.0]
    length = float(vault[:, 1].max() - vault[:, 1].min()) if len(vault) > 50 else 0.0
    usual = (
        0.5 * (row("head_length_men").value + row("head_length_women").value)
        - 2.0 * row("scalp_frontal").value
    )
    spread = arc.spread or 15.0
    if not 0.8 * usual < length < 1.25 * usual:
        return arc.value, 1.3 * spread
    return arc.value * length / usual, spread


def _given_plane(frame: HeadFrame, plane: tuple[FloatArray, FloatArray]) -> HeadFrame:
    """The frame laid into a given midsagittal plane."""
    point, normal = plane
    normal = normal if normal @ frame.unit_right > 0 else -normal
    origin = frame.origin_mm - ((frame.origin_mm - point) @ normal) * normal
    return frame_from(origin, normal, frame.unit_anterior)


def _cut(
    volume: Volume, coarse: CoarseHead, frame: HeadFrame, angles: FloatArray, off_mm: float = 0.0
) -> PolarSection:
    """Skin and bone in the midsagittal plane, or beside it."""
    return polar_section(
        volume,
        coarse,
        frame.origin_mm + off_mm * frame.unit_right,
        frame.unit_anterior,
        frame.unit_superior,
        angles,
        face=angles < _FACE_ABOVE_DEG,
        behind=(angles > _REST_FROM_DEG) & (angles < 225.0),
        reach_mm=180.0,
    )


def _midsagittal_section(volume: Volume, coarse: CoarseHead, frame: HeadFrame) -> PolarSection:
    """Skin and bone in the midsagittal plane.

    The sagittal suture runs along that plane and would pull the bone's line into itself: where
    the bone a few millimetres to both sides stands higher, it is taken.
    """

    middle = _cut(volume, coarse, frame, _PHI_DEG)
    sparse = _PHI_DEG[::4]
    beside = [
        _cut(volume, coarse, frame, sparse, off).bone_mm
        for off in (-_BESIDE_SUTURE_MM, _BESIDE_SUTURE_MM)
    ]
    both = np.interp(_PHI_DEG, sparse, 0.5 * (beside[0] + beside[1]))
    raised = (
        np.isfinite(both)
        & (_PHI_DEG > 20.0)
        & (~np.isfinite(middle.bone_mm) | (both - middle.bone_mm > 0.4))
    )
    return replace(middle, bone_mm=np.where(raised, both, middle.bone_mm))


def _through_midline(
    volume: Volume, coarse: CoarseHead, frame: HeadFrame, noise_hu: float
) -> tuple[HeadFrame, FloatArray, float]:
    """Turn the mirror plane into the plane through what lies on the midline itself."""
    cov, agreeing = np.eye(3), 0.0
    for prior_mm, prior_rad in (_MIRROR_SD, _FIRST_LOOK_SD):
        section = _cut(volume, coarse, frame, _PHI_DEG[::3])
        places = vault_places(volume, coarse, frame, section, noise_hu=noise_hu)
        try:
            hollow, _ = find_nasion(_face_profile(section), frame.unit_right)
            places += nose_places(volume, coarse, frame, hollow.position_mm)
        except MeasurementError:
            pass  # without a nose in view the vault's own midline decides
        x, cov, agreeing = vote(
            places,
            frame.origin_mm,
            frame.unit_anterior,
            frame.unit_superior,
            prior_sd_mm=prior_mm,
            prior_sd_rad=prior_rad,
        )
        right = frame.unit_right - x[1] * frame.unit_anterior - x[2] * frame.unit_superior
        frame = frame_from(frame.origin_mm + x[0] * frame.unit_right, right, frame.unit_anterior)
    coarse_mm = _VOTE_PER_VOXEL * float(max(volume.grid.voxel_mm))
    cov = cov * _VOTE_SCALE**2 + np.diag(
        [coarse_mm**2, (coarse_mm / 100.0) ** 2, (coarse_mm / 100.0) ** 2]
    )
    return frame, cov, agreeing


def find_plane(coarse: CoarseHead, volume: Volume) -> MirrorFit:
    """Midsagittal plane from the block means: search, then fit coarse to fine."""
    from scipy import ndimage

    levels = coarse.levels
    voxel = np.asarray(coarse.grid.voxel_mm)
    clipped = np.clip(coarse.volume.stored, levels.soft_hu - 350, levels.bone_hu).astype(np.float32)
    right, anterior = np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0])

    def sampler(sigma_mm: float) -> Callable[[FloatArray], FloatArray]:
        blurred = ndimage.gaussian_filter(clipped, sigma_mm / voxel)
        view = Volume(grid=coarse.grid, stored=blurred)
        return lambda points: view.sample_hu(points)

    points = _edge_points(coarse, clipped)
    wide, fine = sampler(5.0), sampler(2.0)
    start, _ = search_normal(
        wide, points[:: max(1, len(points) // 800)], coarse.centre_mm, right, anterior
    )
    fit = fit_mirror(wide, points[:: max(1, len(points) // 5000)], start, step_mm=3.0)
    return fit_mirror(fine, points[:: max(1, len(points) // 12000)], fit.frame, step_mm=1.5)


def _edge_points(coarse: CoarseHead, clipped: NDArray[np.float32]) -> FloatArray:
    """Block centres on strong edges of the head, not below the base nor out of reach."""
    gradient = np.zeros(clipped.shape, dtype=np.float32)
    for axis, size in enumerate(coarse.grid.voxel_mm):
        gradient += np.square(np.gradient(clipped, size, axis=axis))
    strong = np.argwhere(gradient > np.percentile(gradient, 88))
    points = coarse.grid.world(strong.astype(float))
    q = points - coarse.centre_mm
    r = np.linalg.norm(q, axis=1)
    # Neck, jaw and shoulders turn against the skull: leave out what lies far below.
    return np.asarray(points[(r < 130.0) & (q[:, 2] > -0.45 * r)])


def _recentred(coarse: CoarseHead, frame: HeadFrame) -> HeadFrame:
    """Move the origin, within the plane, to the middle of the vault's length."""
    phi = np.arange(0.0, 181.0, 6.0)
    dirs = frame.directions(phi, np.zeros_like(phi))
    radii = coarse_radii(coarse, dirs, centre_mm=frame.origin_mm).bone_mm
    head = frame.head_from_world(frame.origin_mm + radii[:, None] * dirs)
    seen = np.isfinite(radii)
    if seen.sum() < 15:
        return frame
    ahead, behind = np.nanmax(head[seen, 1]), np.nanmin(head[seen, 1])
    top = np.nanmax(head[seen, 2])
    length = ahead - behind
    if not 120 < length < 230:
        return frame
    origin = (
        frame.origin_mm
        + 0.5 * (ahead + behind) * frame.unit_anterior
        + (top - 0.44 * length) * frame.unit_superior
    )
    return frame_from(origin, frame.unit_right, frame.unit_anterior)


def _face_profile(section: PolarSection) -> FloatArray:
    """Skin from 75 degrees down over the face as far as it is seen without a break."""
    use = section.angles_deg < 75.0
    points, seen = section.skin_points()[use][::-1], np.isfinite(section.skin_mm[use])[::-1]
    if seen.sum() < 60:
        raise MeasurementError(
            found="the field of view does not show the skin of the forehead and nose",
            expected="the midline from the vertex to the nose",
            next_step="give the nasion in a landmark file, or a scan that shows the nose",
        )
    first = int(np.argmax(seen))
    gaps = np.flatnonzero(~seen[first:])
    last = first + int(gaps[0]) if gaps.size else len(seen)
    line = points[first:last]
    # Under the nose a ray falls back to the lip: there the profile ends.
    jumps = np.flatnonzero(np.linalg.norm(np.diff(line, axis=0), axis=1) > _JUMP_MM)
    return np.asarray(line[: int(jumps[0]) + 1] if jumps.size else line)


def _bone_nasion(
    section: PolarSection, frame: HeadFrame, nasion_mm: FloatArray
) -> tuple[FloatArray | None, float]:
    """The same hollow on the outer bone, under the skin's."""
    phi0 = float(frame.phi_deg(nasion_mm))
    depth = section.skin_mm - section.bone_mm
    use = (
        (section.angles_deg > phi0 - 14.0)
        & (section.angles_deg < phi0 + 40.0)
        & np.isfinite(section.bone_mm)
        & (depth < 16.0)
    )
    points = section.bone_points()[use][::-1]
    if use.sum() < 40:
        return None, 6.0
    try:
        hollow, sd = find_nasion(points, frame.unit_right, surface_sd_mm=0.3)
    except MeasurementError:
        direct = np.abs(section.angles_deg - phi0)
        at = int(np.argmin(np.where(np.isfinite(section.bone_mm), direct, np.inf)))
        return section.bone_points()[at], 5.0
    if abs(float(frame.phi_deg(hollow.position_mm)) - phi0) > 12.0:
        return None, 6.0
    return hollow.position_mm, max(sd, 1.0)


def _backwards(
    points: FloatArray, bone: FloatArray, frame: HeadFrame, start_mm: FloatArray
) -> tuple[FloatArray, bool]:
    """From a start backwards over the top, while the surface lies close over bone."""
    phi = _PHI_DEG
    phi0 = float(frame.phi_deg(start_mm))
    over = np.linalg.norm(points - frame.origin_mm, axis=1) - np.linalg.norm(
        bone - frame.origin_mm, axis=1
    )
    seen: NDArray[np.bool_] = np.asarray(np.isfinite(points).all(axis=1))
    # What stands far off the bone behind the vertex is a head rest pressed to the scalp.
    merged = (phi > 110.0) & ~(over < 22.0)
    use: NDArray[np.bool_] = (phi > phi0 + 0.3) & seen & ~merged & (phi < 235.0)
    span = np.flatnonzero((phi > phi0 + 0.3) & (phi < 235.0))
    unseen = 0
    for i in span:
        unseen = 0 if seen[i] else unseen + 1
        if unseen * (phi[1] - phi[0]) > _WIDEST_GAP_DEG:
            use &= phi < phi[i]
            break
    line = np.concatenate([np.atleast_2d(start_mm), points[use]])
    return line, bool(phi[use].max(initial=0.0) > 180.0)


def _until(line: FloatArray, frame: HeadFrame, end_mm: FloatArray) -> FloatArray:
    """Cut a line at a point behind, which becomes its last one."""
    phi = np.mod(frame.phi_deg(line) + 90.0, 360.0)
    stop = float(np.mod(frame.phi_deg(end_mm) + 90.0, 360.0))
    keep = phi < stop - 0.2
    keep[0] = True
    return np.concatenate([line[keep], np.atleast_2d(end_mm)])


def _skin_over(section: PolarSection, frame: HeadFrame, bone_mm: FloatArray) -> FloatArray | None:
    """Skin on the ray through a bone point; None where a head rest hides it."""
    phi = float(np.mod(frame.phi_deg(bone_mm), 360.0))
    at = int(np.argmin(np.abs(section.angles_deg - phi)))
    over = section.skin_mm[at] - section.bone_mm[at]
    if not np.isfinite(over) or over > 22.0:
        return None
    return np.asarray(section.skin_points()[at])


def _noise(volume: Volume, frame: HeadFrame) -> float:
    """Standard deviation of single voxels in the brain, HU: the lower quartile of small cubes."""
    centre = frame.origin_mm + 25.0 * frame.unit_right
    block = volume.block_around(np.atleast_2d(centre), margin_mm=16.0)
    hu = block.to_hu(block.stored)
    n = [max(1, s // 4) for s in hu.shape]
    cut = hu[: 4 * n[0], : 4 * n[1], : 4 * n[2]]
    if min(hu.shape) < 4:
        return float(np.std(hu))
    cubes = cut.reshape(n[0], 4, n[1], 4, n[2], 4).std(axis=(1, 3, 5))
    return float(np.percentile(cubes, 25))


__all__ = ["CtHead", "find_head", "find_plane"]
