"""Two scans of one head laid over each other by the skull: rigid, and the same either way round.

Only bone speaks: readings are cut to the span from soft tissue to bone, so that swelling, air and
fluid look alike in both, and what metal hides in either scan is left out. Jaw and neck, which
move against the skull, lie below what is used. The fit is made from either scan to the other, and
the answer lies half-way between the two: exchanging the scans turns it round and changes nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from entrypoint.anatomy.frame import HeadFrame
from entrypoint.errors import MeasurementError
from entrypoint.geometry.rigid import Rigid
from entrypoint.volume.edges import METAL_HU
from entrypoint.volume.rays import FloatArray
from entrypoint.volume.skull import CoarseHead, coarse_radii

if TYPE_CHECKING:
    from entrypoint.volume.volume import Volume

__all__ = ["Scanned", "SkullMatch", "match_skulls"]

# Judgement, no source, unless said otherwise; tried on phantoms.
_BLOCK_MM = 1.8
_LOW_SHARE, _HIGH_SHARE = 0.25, 1.1  # of the way from soft tissue to bone
_SIGMAS_MM = (6.0, 3.0, 1.6)
_POINTS = (1500, 3000, 9000)
_LOWEST_MM, _FARTHEST_MM = -62.0, 125.0  # of the head's middle: base and face in, jaw and neck out
_METAL_MM = 9.0
_ROUNDS = 12
_TOL_MM = (0.1, 0.05, 0.003)  # of a round, coarse to fine
_LEVER_MM = 80.0  # a rotation is compared with a shift at this distance
_BLOCKS = 32  # for the jackknife
_LEAST_SD_MM, _LEAST_SD_DEG = 0.08, 0.06
_SEEN_SHARE = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Scanned:
    """One scan as it goes into a match."""

    volume: Volume
    head: CoarseHead
    frame: HeadFrame


@dataclass(frozen=True, slots=True, kw_only=True)
class SkullMatch:
    """``second_from_first`` and how well it is known.

    Attributes
    ----------
    second_from_first : Rigid
    covariance : (6, 6) array
        Of a small rotation (radians) about ``centre_mm`` and a shift (mm), in the second frame.
    centre_mm : (3,) array
    apart_mm : float
        Median distance of the two outer tables, laid over each other.
    apart_75_mm : float
        Three quarters of the places lie nearer than this.
    both_ways_mm, both_ways_deg : float
        How far the two fits, from either scan, lie apart.
    """

    second_from_first: Rigid
    covariance: FloatArray
    centre_mm: FloatArray
    apart_mm: float
    apart_75_mm: float
    both_ways_mm: float
    both_ways_deg: float

    def sd_at_mm(self, point_mm: FloatArray) -> float:
        """Standard deviation of a point of the second frame, root of the mean over three axes."""
        q = np.asarray(point_mm, dtype=float) - self.centre_mm
        lever = np.hstack([-_cross(q), np.eye(3)])
        return float(np.sqrt(max(np.trace(lever @ self.covariance @ lever.T) / 3.0, 0.0)))

    @property
    def sd_deg(self) -> float:
        """Standard deviation of the rotation about its least certain axis."""
        return float(np.degrees(np.sqrt(np.linalg.eigvalsh(self.covariance[:3, :3])[-1])))


def match_skulls(first: Scanned, second: Scanned, start: Rigid) -> SkullMatch:
    """Lay the first scan's skull over the second's.

    Parameters
    ----------
    first, second : Scanned
    start : Rigid
        About ``second_from_first``, within some 10 mm and 10 degrees.

    Returns
    -------
    SkullMatch

    Raises
    ------
    MeasurementError
        Too little of the two skulls is in both scans.
    """
    one, two = _Bony(first), _Bony(second)
    onward = _fit(one, two, start.rotation, start.translation)
    back_start = start.inverse()
    backward = _fit(two, one, back_start.rotation, back_start.translation)
    turned = (backward.rotation.T, -backward.rotation.T @ backward.translation)
    rotation, translation, mm, deg = _half_way(
        (onward.rotation, onward.translation), turned, second.frame.origin_mm
    )
    centre = second.frame.origin_mm
    spread = onward.covariance_about(centre)
    # What the two ways differ by is an error of both.
    more = np.diag([np.radians(0.5 * deg) ** 2 / 3.0] * 3 + [(0.5 * mm) ** 2 / 3.0] * 3)
    least = np.diag([np.radians(_LEAST_SD_DEG) ** 2] * 3 + [_LEAST_SD_MM**2] * 3)
    result = Rigid(rotation=rotation, translation=translation, target="second", source="first")
    apart = _surfaces_apart(first, second, result)
    return SkullMatch(
        second_from_first=result,
        covariance=spread + more + least,
        centre_mm=centre,
        apart_mm=float(np.median(apart)),
        apart_75_mm=float(np.percentile(apart, 75)),
        both_ways_mm=mm,
        both_ways_deg=deg,
    )


class _Bony:
    """Bone of one scan at several blurs, and the places on its edges."""

    def __init__(self, scanned: Scanned) -> None:
        from scipy import ndimage

        means = scanned.volume.block_means(_BLOCK_MM)
        levels = scanned.head.levels
        low = levels.soft_hu + _LOW_SHARE * (levels.bone_hu - levels.soft_hu)
        high = levels.soft_hu + _HIGH_SHARE * (levels.bone_hu - levels.soft_hu)
        bone = np.clip((means.stored - low) / (high - low), 0.0, 1.0).astype(np.float32)
        self.frame = scanned.frame
        self.grid = means.grid
        self._size = np.asarray(means.grid.voxel_mm)
        self._bone = bone
        near = int(np.ceil(_METAL_MM / float(self._size.min())))
        metal = means.stored > 0.75 * METAL_HU
        self._metal = (
            ndimage.binary_dilation(metal, structure=np.ones((3, 3, 3)), iterations=near)
            if metal.any()
            else metal
        )
        self._blurred: dict[float, NDArray[np.float32]] = {}

    def blurred(self, sigma_mm: float) -> NDArray[np.float32]:
        from scipy import ndimage

        if sigma_mm not in self._blurred:
            self._blurred[sigma_mm] = ndimage.gaussian_filter(
                self._bone, sigma_mm / self._size, mode="nearest"
            )
        return self._blurred[sigma_mm]

    def edges(self, sigma_mm: float, most: int) -> tuple[FloatArray, FloatArray]:
        """Places on bony edges of skull and face, world mm, and what is read there."""
        field = self.blurred(sigma_mm)
        steep = np.zeros(field.shape, dtype=np.float32)
        for axis, size in enumerate(self._size):
            steep += np.square(np.gradient(field, size, axis=axis))
        steep[self._metal] = 0.0
        level = float(np.percentile(steep[::2, ::2, ::2], 90))
        at = np.argwhere(steep > max(level, 1e-9)).astype(float)
        points = self.grid.world(at)
        local = self.frame.head_from_world(points)
        use = (local[:, 2] > _LOWEST_MM) & (np.linalg.norm(local, axis=1) < _FARTHEST_MM)
        points, at = points[use], at[use].astype(int)
        take = slice(None, None, max(1, len(points) // most))
        points, at = points[take], at[take]
        return points, field[at[:, 0], at[:, 1], at[:, 2]].astype(float)

    def read(self, sigma_mm: float) -> Callable[[FloatArray], FloatArray]:
        """Readings at world points; NaN out of view and near metal."""
        from scipy import ndimage

        field = self.blurred(sigma_mm)

        def sample(points_mm: FloatArray) -> FloatArray:
            index = self.grid.index(points_mm).T
            inside = np.all(
                (index >= 0.0) & (index <= np.array(field.shape)[:, None] - 1.0), axis=0
            )
            out = ndimage.map_coordinates(field, index, order=1, output=float, mode="nearest")
            near = np.clip(np.rint(index).astype(int), 0, np.array(field.shape)[:, None] - 1)
            out[~inside | self._metal[near[0], near[1], near[2]]] = np.nan
            return np.asarray(out)

        return sample


@dataclass(frozen=True, slots=True, kw_only=True)
class _OneWay:
    rotation: FloatArray
    translation: FloatArray
    centre_mm: FloatArray  # in the target frame
    covariance: FloatArray

    def covariance_about(self, centre: FloatArray) -> FloatArray:
        """The same for a shift at another point."""
        q = centre - self.centre_mm
        move = np.eye(6)
        move[3:, :3] = -_cross(q)
        return np.asarray(move @ self.covariance @ move.T)


def _fit(source: _Bony, target: _Bony, rotation: FloatArray, translation: FloatArray) -> _OneWay:
    """Gauss-Newton from blurred to sharp, with weights that pass over what differs."""
    r, t = np.array(rotation), np.array(translation)
    normal, rhs, label = np.eye(6), np.zeros(6), None
    centre = target.frame.origin_mm
    for sigma, most, tol in zip(_SIGMAS_MM, _POINTS, _TOL_MM, strict=True):
        points, here = source.edges(sigma, most)
        read = target.read(sigma)
        step = 0.5 * sigma + 0.5
        for _ in range(_ROUNDS):
            moved = points @ r.T + t
            there = read(moved)
            grad = np.stack(
                [
                    (read(moved + step * axis) - read(moved - step * axis)) / (2.0 * step)
                    for axis in np.eye(3)
                ],
                axis=1,
            )
            diff = here - there
            ok = np.isfinite(diff) & np.isfinite(grad).all(axis=1)
            if ok.sum() < max(400, _SEEN_SHARE * len(points)):
                raise MeasurementError(
                    found=f"only {100 * ok.mean():.0f} % of one scan's skull is in the other scan",
                    expected="two scans that both show the vault and the upper face",
                    next_step="use scans of the whole head",
                )
            q = moved[ok] - centre
            design = np.hstack([np.cross(q, grad[ok]), grad[ok]])
            d = diff[ok]
            spread = max(1.4826 * float(np.median(np.abs(d))), 1e-3)
            weight = 1.0 / np.square(1.0 + np.square(d / (2.5 * spread)))
            weighted = design * weight[:, None]
            normal = weighted.T @ design
            rhs = weighted.T @ d
            x = np.linalg.solve(normal + 1e-9 * np.trace(normal) * np.eye(6), rhs)
            size = max(
                float(np.abs(x[3:]).max()) / 6.0, float(np.abs(x[:3]).max()) / np.radians(6.0), 1.0
            )
            x = x / size
            turn = _rotation(x[:3])
            r, t = turn @ r, turn @ (t - centre) + centre + x[3:]
            label = (q, weighted, design, d)
            if np.linalg.norm(x[3:]) + _LEVER_MM * np.linalg.norm(x[:3]) < tol:
                break
    assert label is not None
    return _OneWay(
        rotation=_proper(r), translation=t, centre_mm=centre, covariance=_jackknife(normal, *label)
    )


def _jackknife(
    normal: FloatArray, q: FloatArray, weighted: FloatArray, design: FloatArray, diff: FloatArray
) -> FloatArray:
    """Covariance of the answer from leaving out one part of the skull after the other.

    Neighbouring readings are not independent, parts of the skull are more nearly so.
    """
    around = np.floor((np.arctan2(q[:, 0], q[:, 1]) + np.pi) / (2 * np.pi) * 8).astype(int) % 8
    up = np.digitize(q[:, 2] / np.maximum(np.linalg.norm(q, axis=1), 1e-9), [-0.3, 0.2, 0.65])
    part = around * 4 + up
    answers = []
    for k in range(_BLOCKS):
        out = part == k
        if not out.any():
            continue
        left = normal - weighted[out].T @ design[out]
        rest = weighted[~out].T @ diff[~out]
        answers.append(np.linalg.solve(left + 1e-9 * np.trace(left) * np.eye(6), rest))
    a = np.array(answers)
    away = a - a.mean(axis=0)
    return np.asarray((len(a) - 1.0) / len(a) * away.T @ away)


def _half_way(
    one: tuple[FloatArray, FloatArray], two: tuple[FloatArray, FloatArray], centre: FloatArray
) -> tuple[FloatArray, FloatArray, float, float]:
    """The rigid motion half-way between two, and how far they lie apart at a point of the head."""
    from scipy.linalg import expm, logm

    def whole(m: tuple[FloatArray, FloatArray]) -> FloatArray:
        out = np.eye(4)
        out[:3, :3], out[:3, 3] = m
        return out

    between = np.linalg.solve(whole(one), whole(two))
    log = np.real(logm(between))
    middle = whole(one) @ np.real(expm(0.5 * log))
    turn = float(np.degrees(np.linalg.norm([log[2, 1], log[0, 2], log[1, 0]])))
    source = np.linalg.solve(whole(one), np.append(centre, 1.0))
    mm = float(np.linalg.norm((whole(two) @ source)[:3] - centre))
    return _proper(middle[:3, :3]), middle[:3, 3], mm, turn


def _surfaces_apart(first: Scanned, second: Scanned, second_from_first: Rigid) -> FloatArray:
    """Distances along rays between both outer tables over the vault, mm."""
    phi = np.arange(-5.0, 186.0, 7.0)
    lam = np.arange(-63.0, 64.0, 7.0)
    dirs = second.frame.directions(phi[:, None] + 0 * lam, lam + 0 * phi[:, None]).reshape(-1, 3)
    there = coarse_radii(second.head, dirs, centre_mm=second.frame.origin_mm).bone_mm
    back = second_from_first.inverse()
    here = coarse_radii(
        first.head, back.turn(dirs), centre_mm=back.apply_point(second.frame.origin_mm)
    ).bone_mm
    apart = np.abs(here - there)
    apart = apart[np.isfinite(apart)]
    if apart.size < 60:
        raise MeasurementError(
            found="too little of the vault is in both scans",
            expected="two scans that both show the vault",
            next_step="use scans of the whole head",
        )
    return np.asarray(apart)


def _cross(q: FloatArray) -> FloatArray:
    return np.array([[0.0, -q[2], q[1]], [q[2], 0.0, -q[0]], [-q[1], q[0], 0.0]])


def _rotation(turn: FloatArray) -> FloatArray:
    angle = float(np.linalg.norm(turn))
    if angle < 1e-12:
        return np.eye(3)
    c = _cross(turn / angle)
    return np.asarray(np.eye(3) + np.sin(angle) * c + (1.0 - np.cos(angle)) * c @ c)


def _proper(rotation: FloatArray) -> FloatArray:
    """The nearest rotation, so that rounding does not add up."""
    u, _, v = np.linalg.svd(rotation)
    return np.asarray(u @ v)
