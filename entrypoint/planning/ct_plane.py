"""The midsagittal plane of a head on a CT: mirror symmetry first, then the midline itself."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from entrypoint.anatomy.frame import HeadFrame, frame_from
from entrypoint.anatomy.midline import vote
from entrypoint.anatomy.nasion import find_nasion
from entrypoint.anatomy.symmetry import MirrorFit, fit_mirror, mirror_misfit, search_normals
from entrypoint.errors import MeasurementError
from entrypoint.planning.thick_slices import are_thick
from entrypoint.volume.grid import Grid
from entrypoint.volume.sections import PolarSection, polar_section
from entrypoint.volume.skull import CoarseHead, coarse_radii
from entrypoint.volume.strips import nose_places, vault_places
from entrypoint.volume.volume import Volume

FloatArray = NDArray[np.float64]

PHI_DEG = np.arange(-80.0, 250.0, 0.4)
# How far (mm, radians) a mirror plane lies off the midline in uneven heads (on phantoms whose
# sides differ by 2 to 4 mm: mostly within 4 mm and 3 degrees), and a plane through what was seen
# of the midline from there.
_MIRROR_SD = (1.5, 0.035)
_FIRST_LOOK_SD = (0.6, 0.009)
# What votes say of their own spread is wider than their errors on phantoms, by this much.
_NEAR_ENOUGH = 0.6  # of the prior's spread; a plane that was turned by more is looked at again
_VOTE_SCALE = 0.31
# Share of the places that speak at all which must agree with a plane: mostly over 0.5 on phantoms
# and one real scan of every quality, mostly under it where the plane was wrong. The few wrong ones
# over it mirrored two to four times as badly as the right one.
LEAST_AGREEING, _SURE_AGREEING = 0.36, 0.60
_WORSE_MIRROR, _WORST_MIRROR = 1.6, 2.4
# Little over half of them agreed with the planes that were far off on 500 phantoms. Where nearly
# all do, or where two starts meet, a head may mirror worse: two heads asked for it; judgement.
_NEARLY_ALL, _MOST_UNEVEN = 0.80, 3.2
_MET_AGREEING, _MET_MIRROR = 0.45, 3.0
_MET_MM, _MET_RAD = 0.8, 0.008
_TURN_RAD = 0.2
_FEW_AGREE = 3.0  # times the spread where fewer than that agree
# Such a plane over thick slices, or reached from a turned start only, can be far off (by 7 and 15
# mm on two of 500 phantoms): wide enough to be told.
_DOUBTFUL_MM, _DOUBTFUL_RAD = 1.6, 0.02
# What voxels add, mm, and mm a cubed mm of the largest edge: in slices of 5 mm a feature of the
# midline is one or two slices high. Fitted to errors on phantoms.
_LEAST_MM, _PER_CUBED_EDGE = 0.06, 0.0034
_BESIDE_SUTURE_MM = 3.5
# Near the nasal root a frontal sinus, seldom even, would vote loudest of all. How far that reaches
# is judgement: on 28 phantoms the plane's 90 % error fell from 0.68 to 0.45 mm.
_SINUS_MM = 45.0
_JUMP_MM = 6.0
_PIT_ROWS, _PIT_MM = 11, 2.0  # a pit of bone narrower (4.4 degrees, about 7 mm) and deeper is none
_REST_FROM_DEG = 120.0  # rays further back may meet a head rest
_FACE_ABOVE_DEG = 40.0  # rays lower than this, in front, may pass an airway


def given_plane(frame: HeadFrame, plane: tuple[FloatArray, FloatArray]) -> HeadFrame:
    """The frame laid into a given midsagittal plane."""
    point, normal = plane
    normal = normal if normal @ frame.unit_right > 0 else -normal
    origin = frame.origin_mm - ((frame.origin_mm - point) @ normal) * normal
    return frame_from(origin, normal, frame.unit_anterior)


def cut(
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


def midsagittal_section(volume: Volume, coarse: CoarseHead, frame: HeadFrame) -> PolarSection:
    """Skin and bone in the midsagittal plane.

    The sagittal suture runs along that plane and would pull the bone's line into itself: where
    the bone a few millimetres to both sides stands higher, it is taken.
    """

    middle = cut(volume, coarse, frame, PHI_DEG)
    sparse = PHI_DEG[::4]
    beside = [
        cut(volume, coarse, frame, sparse, off).bone_mm
        for off in (-_BESIDE_SUTURE_MM, _BESIDE_SUTURE_MM)
    ]
    both = np.interp(PHI_DEG, sparse, 0.5 * (beside[0] + beside[1]))
    raised = (
        np.isfinite(both)
        & (PHI_DEG > 20.0)
        & (~np.isfinite(middle.bone_mm) | (both - middle.bone_mm > 0.4))
    )
    return replace(middle, bone_mm=_bridged(np.where(raised, both, middle.bone_mm)))


def _bridged(bone_mm: FloatArray) -> FloatArray:
    """Outer bone without narrow pits, in which a ray missed a thin wall.

    The front wall of a frontal sinus, say, in thick slices: each pit adds twice its depth to a
    length along the bone.
    """
    from scipy import ndimage

    seen = np.isfinite(bone_mm)
    if seen.sum() < _PIT_ROWS:
        return bone_mm
    rows = np.arange(len(bone_mm))
    whole = np.interp(rows, rows[seen], bone_mm[seen])
    pit = ndimage.grey_closing(whole, size=_PIT_ROWS) - whole > _PIT_MM
    bridged = np.interp(rows, rows[~pit], whole[~pit])
    return np.where(seen, bridged, np.nan)


def through_midline(
    volume: Volume, coarse: CoarseHead, frame: HeadFrame, noise_hu: float
) -> tuple[HeadFrame, FloatArray, float]:
    """Turn the mirror plane into the plane through what lies on the midline itself."""
    cov, agreeing = np.eye(3), 0.0
    far = np.inf
    looks = ((*_MIRROR_SD, 2.4), (*_FIRST_LOOK_SD, 1.5), (*_FIRST_LOOK_SD, 1.5))
    for prior_mm, prior_rad, row_deg in looks:
        if far < _NEAR_ENOUGH:
            break
        section = cut(volume, coarse, frame, PHI_DEG[::3])
        places = vault_places(
            volume, coarse, frame, section, noise_hu=noise_hu, row_deg=row_deg
        )
        try:
            hollow, _ = find_nasion(face_profile(section), frame.unit_right)
            places = [p for p in places if _beyond_sinus(p.position_mm, hollow.position_mm)]
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
        far = float(np.max(np.abs(x) / [prior_mm, prior_rad, prior_rad]))
        right = frame.unit_right - x[1] * frame.unit_anterior - x[2] * frame.unit_superior
        frame = frame_from(frame.origin_mm + x[0] * frame.unit_right, right, frame.unit_anterior)
    return frame, cov * _VOTE_SCALE**2, agreeing


def _with_spread(
    found: tuple[HeadFrame, FloatArray, float], grid: Grid, *, turned: bool
) -> tuple[HeadFrame, FloatArray, float]:
    """The votes' own spread, wider where few agree, and what the voxels add to it."""
    frame, cov, agreeing = found
    if agreeing < _SURE_AGREEING:
        cov = _FEW_AGREE**2 * cov
        if turned or are_thick(grid.slice_mm):
            cov = cov + np.diag(np.square([_DOUBTFUL_MM, _DOUBTFUL_RAD, _DOUBTFUL_RAD]))
    edge = max(grid.voxel_mm)
    coarse_mm = float(np.hypot(_LEAST_MM, _PER_CUBED_EDGE * edge**3))
    coarse = np.square([coarse_mm, coarse_mm / 100.0, coarse_mm / 100.0])
    return frame, cov + np.diag(coarse), agreeing


def _beyond_sinus(position_mm: FloatArray, nasion_mm: FloatArray) -> bool:
    return bool(np.linalg.norm(position_mm - nasion_mm) > _SINUS_MM)


def plane_from_midline(
    volume: Volume,
    coarse: CoarseHead,
    frame: HeadFrame,
    noise_hu: float,
    misfit: Callable[[HeadFrame], float],
) -> tuple[HeadFrame, FloatArray, float]:
    """The plane that the midline bears out: from the mirror plane, or from turns of it.

    A skull that is nearly a ball, or cut off on one side, can mirror best in a plane far from
    its midline. Where too few places agree, planes turned from it are tried, and the one with
    the most agreement is taken, of those in which the head mirrors about as well; the caller
    refuses it where that is too little.

    Parameters
    ----------
    frame : HeadFrame
        Of the mirror plane.
    misfit : callable
        How badly the head mirrors in a frame's plane.

    Returns
    -------
    frame : HeadFrame
    covariance : (3, 3) array
    agreeing : float
        0 where no plane is both agreed with and mirrored in.
    """
    first = through_midline(volume, coarse, frame, noise_hu)
    best = misfit(frame)
    worse = misfit(first[0]) / best
    if (first[2] >= _SURE_AGREEING and worse <= _WORST_MIRROR) or (
        first[2] >= _NEARLY_ALL and worse <= _MOST_UNEVEN
    ):
        return _with_spread(first, volume.grid, turned=False)
    tried = [first]
    for yaw in (-_TURN_RAD, 0.0, _TURN_RAD):
        for roll in (-_TURN_RAD, 0.0, _TURN_RAD):
            if yaw == roll == 0.0:
                continue
            right = frame.unit_right + yaw * frame.unit_anterior + roll * frame.unit_superior
            turned = frame_from(coarse.centre_mm, right, frame.unit_anterior)
            turned = recentred(coarse, turned)
            tried.append(through_midline(volume, coarse, turned, noise_hu))
    ratios = [misfit(t[0]) / best for t in tried]
    for most in (_WORSE_MIRROR, _WORST_MIRROR):
        # An uneven head mirrors best in a plane that is not its own, and its own then worse.
        mirroring = [t for t, ratio in zip(tried, ratios, strict=True) if ratio <= most]
        found = max(mirroring, key=lambda t: t[2], default=None)
        if found is not None and found[2] >= LEAST_AGREEING:
            return _with_spread(found, volume.grid, turned=found is not first)
    if first[2] >= _SURE_AGREEING:
        return _with_spread(first, volume.grid, turned=False)
    # The most uneven heads: a plane that was reached from two of the starts.
    for t, ratio in sorted(zip(tried, ratios, strict=True), key=lambda tr: -tr[0][2]):
        met = sum(_same_plane(t[0], other[0]) for other in tried) > 1
        if met and t[2] >= _MET_AGREEING and ratio <= _MET_MIRROR:
            return _with_spread(t, volume.grid, turned=t is not first)
    return first[0], first[1], 0.0


def _same_plane(a: HeadFrame, b: HeadFrame) -> bool:
    off_mm = abs(float((a.origin_mm - b.origin_mm) @ a.unit_right))
    return off_mm < _MET_MM and float(np.linalg.norm(a.unit_right - b.unit_right)) < _MET_RAD


def find_plane(
    coarse: CoarseHead, volume: Volume
) -> tuple[MirrorFit, Callable[[HeadFrame], float]]:
    """Midsagittal plane from the block means: search, then fit coarse to fine.

    Returns
    -------
    fit : MirrorFit
    misfit : callable
        How badly the head mirrors in another frame's plane.
    """
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
    starts = search_normals(
        wide, points[:: max(1, len(points) // 800)], coarse.centre_mm, right, anterior
    )
    fits = []
    for start, _ in starts:
        try:
            fits.append(
                fit_mirror(wide, points[:: max(1, len(points) // 4000)], start, step_mm=3.0)
            )
        except MeasurementError:
            continue
    if not fits:
        raise MeasurementError(
            found="no plane in which both sides of the head are in the field of view",
            expected="a head whose two sides are both in the scan, lying as the file states",
            next_step="check the field of view and the file's orientation",
        )
    sparse = points[:: max(1, len(points) // 4000)]

    def misfit(frame: HeadFrame) -> float:
        return mirror_misfit(wide, sparse, frame)

    fit = min(fits, key=lambda f: misfit(f.frame))
    dense = points[:: max(1, len(points) // 12000)]
    return fit_mirror(fine, dense, fit.frame, step_mm=1.5), misfit


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


def recentred(coarse: CoarseHead, frame: HeadFrame) -> HeadFrame:
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


def face_profile(section: PolarSection) -> FloatArray:
    """Skin from 75 degrees down over the face as far as it is seen without a break."""
    use = section.angles_deg < 75.0
    points, seen = section.skin_points()[use][::-1], np.isfinite(section.skin_mm[use])[::-1]
    if seen.sum() < 60:
        raise MeasurementError(
            found="the field of view does not show the skin of the forehead and nose",
            expected="the midline from the vertex to the nose",
            next_step="give the nasion in a landmark file, or a scan that shows the nose",
        )
    # The longest stretch without a gap or a jump: under the nose a ray falls back to the lip, and
    # there the profile ends.
    step = np.linalg.norm(np.diff(points, axis=0), axis=1)
    joined = seen[1:] & seen[:-1] & ~(step > _JUMP_MM)
    stretches, begin = [], 0
    for i, on in enumerate([*joined, False]):
        if not on:
            stretches.append((begin, i + 1))
            begin = i + 1
    start, end = max(stretches, key=lambda ab: ab[1] - ab[0])
    if end - start < 40:
        raise MeasurementError(
            found="the skin of the forehead and nose is seen in pieces only",
            expected="the midline from the vertex to the nose without a break",
            next_step="give the nasion in a landmark file",
        )
    return np.asarray(points[start:end])
