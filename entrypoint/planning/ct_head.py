"""What a head CT shows of the head as a whole: plane, profile, landmarks, suture."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from entrypoint.anatomy.frame import HeadFrame
from entrypoint.anatomy.inion import find_inion
from entrypoint.anatomy.nasion import Hollow, find_nasion
from entrypoint.anatomy.symmetry import MirrorFit
from entrypoint.errors import MeasurementError
from entrypoint.geometry.polylines import nearest_on
from entrypoint.planning.ct_plane import (
    LEAST_AGREEING,
    PHI_DEG,
    face_profile,
    find_plane,
    given_plane,
    midsagittal_section,
    plane_from_midline,
    recentred,
)
from entrypoint.reference import row, spread
from entrypoint.volume.sections import PolarSection
from entrypoint.volume.skull import CoarseHead, coarse_head
from entrypoint.volume.volume import Volume

FloatArray = NDArray[np.float64]
Progress = Callable[[str], None]

_WIDEST_GAP_DEG = 5.0  # of surface that a profile may miss and go on
# Steps between slices of 5 mm made a hollow of 0.4 mm in a smooth forehead; roots of 909 phantoms
# are 3 mm deep and more. What lies between is judgement.
_STEP_PER_SLICE = 0.15
_NASION_PER_VOXEL = 0.075
_NASION_UNDER_DEG = 40.0  # above the middle of the vault, seen from it; more is a forehead


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
    inion_found_mm: FloatArray | None  # on the skin, also where another one was given
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
        Given points; they are moved to the skin in the midsagittal plane.
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
    mirror, misfit = find_plane(coarse, volume)
    frame = recentred(coarse, mirror.frame)
    noise = _noise(volume, frame)
    seen_share, plane_cov = 1.0, np.diag([0.25, 1e-5, 1e-5])
    if plane is not None:
        frame = given_plane(frame, plane)
    else:
        frame, plane_cov, seen_share = plane_from_midline(volume, coarse, frame, noise, misfit)
        if seen_share < LEAST_AGREEING:
            raise MeasurementError(
                found=f"only {100 * seen_share:.0f} % of the places along the midline agree with "
                "any plane of symmetry",
                expected="a head whose two sides are both in the field, lying as the file states",
                next_step="check the field of view and the file's orientation",
            )

    say("following the midline")
    section = midsagittal_section(volume, coarse, frame)
    hollow, nasion, nasion_sd = None, nasion_mm, spread("landmark_given")
    try:
        hollow, found_sd = find_nasion(face_profile(section), frame.unit_right)
        _low_enough(frame, hollow)
        _deep_enough(volume, hollow)
    except MeasurementError:
        if nasion_mm is None:
            raise
    if nasion_mm is not None:
        nasion = _onto(section.skin_points(), nasion_mm)
    elif hollow is not None:
        nasion = hollow.position_mm
        nasion_sd = float(np.hypot(found_sd, _NASION_PER_VOXEL * max(volume.grid.voxel_mm)))
    assert nasion is not None
    bone_nasion, bone_sd = _bone_nasion(section, frame, nasion)
    skin_line, reaches = _backwards(section.skin_points(), section.bone_points(), frame, nasion)
    bone_start = bone_nasion if bone_nasion is not None else _bone_at(section, frame, nasion)
    bone_line, _ = _backwards(section.bone_points(), section.bone_points(), frame, bone_start)

    inion_bone, inion_found, inion_sd = None, None, 4.0
    inion_skin = None if inion_mm is None else _onto(section.skin_points(), inion_mm)
    try:
        expected, sd = _expected_inion(bone_line, frame)
        inion_bone, _, inion_sd = find_inion(
            bone_line, frame.unit_right, expected_arc_mm=expected, expected_sd_mm=sd
        )
        inion_found = _skin_over(section, frame, inion_bone)
        inion_skin = inion_found if inion_skin is None else inion_skin
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
        inion_found_mm=inion_found,
        inion_sd_mm=inion_sd,
        midline_skin_mm=skin_line,
        midline_bone_mm=bone_line,
        ends_in_field=reaches,
    )


def _low_enough(frame: HeadFrame, hollow: Hollow) -> None:
    """Refuse a hollow of the forehead or the vertex: no nose lies under it."""
    phi = float(frame.phi_deg(hollow.position_mm))
    if phi > _NASION_UNDER_DEG:
        raise MeasurementError(
            found=f"the only hollow of the profile lies {phi:.0f} degrees above the front of the "
            "head",
            expected="a nasal root between brow and nose, in the midsagittal plane",
            next_step="give the nasion in a landmark file, or a scan that shows the nose; check "
            "also that the file's orientation is that of the head",
        )


def _deep_enough(volume: Volume, hollow: Hollow) -> None:
    """Refuse a hollow no deeper than the steps that thick slices make of a smooth forehead."""
    slice_mm = volume.grid.slice_mm
    if hollow.depth_mm < _STEP_PER_SLICE * slice_mm:
        raise MeasurementError(
            found=f"the nasal root is {hollow.depth_mm:.1f} mm deep, less than slices of "
            f"{slice_mm:.2g} mm can show",
            expected="a nasal root between brow and nose that stands out of the slices' steps",
            next_step="give the nasion in a landmark file, or a scan with thinner slices",
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
        return _bone_at(section, frame, nasion_mm), 5.0
    if abs(float(frame.phi_deg(hollow.position_mm)) - phi0) > 12.0:
        return None, 6.0
    return hollow.position_mm, max(sd, 1.5)


def _bone_at(section: PolarSection, frame: HeadFrame, point_mm: FloatArray) -> FloatArray:
    """Outer bone on the ray through a point, or on the nearest ray that shows bone."""
    away = np.abs(section.angles_deg - float(frame.phi_deg(point_mm)))
    at = int(np.argmin(np.where(np.isfinite(section.bone_mm), away, np.inf)))
    return np.asarray(section.bone_points()[at])


def _onto(points: FloatArray, point_mm: FloatArray) -> FloatArray:
    """The point of a surface's profile nearest to a given one; unseen rows are passed over."""
    return nearest_on(points[np.isfinite(points).all(axis=1)], point_mm)[1]


def _backwards(
    points: FloatArray, bone: FloatArray, frame: HeadFrame, start_mm: FloatArray
) -> tuple[FloatArray, bool]:
    """From a start backwards over the top, while the surface lies close over bone."""
    phi = PHI_DEG
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
