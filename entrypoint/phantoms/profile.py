"""Profiles in the midsagittal plane, and plane geometry on dense polylines.

Nothing here is shared with the code that plans: arc lengths, taut lines and contacts are
worked out on their own.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from entrypoint.phantoms.bones import nasal_bones
from entrypoint.phantoms.fields import Points, union
from entrypoint.phantoms.shape import Shape
from entrypoint.phantoms.skin import skin_without_ears

__all__ = [
    "at_length",
    "bone_field",
    "bone_profile",
    "bregma_angle",
    "cut",
    "drop",
    "first_crossing",
    "lengths",
    "nasion",
    "skin_field",
    "skin_profile",
    "taut",
]

FloatArray = NDArray[np.float64]
Field = Callable[[FloatArray], FloatArray]


def skin_field(shape: Shape) -> Field:
    """Skin without ears, as a function of head-frame points (..., 3)."""
    return lambda xyz: skin_without_ears(shape, Points.of(xyz))


def bone_field(shape: Shape) -> Field:
    """Outer surface of the vault with the nasal bones, as a function of points (..., 3)."""

    def field(xyz: FloatArray) -> FloatArray:
        r = np.linalg.norm(xyz, axis=-1)
        d = r - shape.outer(xyz / r[..., None])
        out: FloatArray = union(d, nasal_bones(shape, Points.of(xyz)), 4.0)
        return out

    return field


def first_crossing(
    field: Field, start: FloatArray, unit: FloatArray, length_mm: float, step_mm: float = 0.5
) -> FloatArray:
    """Distance from ``start`` along ``unit`` at which a field first turns negative.

    Parameters
    ----------
    start, unit : array (n, 3)
    length_mm : float
        How far to look; ``nan`` where nothing is met.
    """
    t = np.arange(0.0, length_mm + step_mm, step_mm)
    p = start[:, None, :] + t[None, :, None] * unit[:, None, :]
    negative = field(p) < 0
    hit = negative.any(axis=1)
    k = np.argmax(negative, axis=1)
    hi = t[k]
    lo = np.maximum(hi - step_mm, 0.0)
    f_lo = field(start + lo[:, None] * unit)
    f_hi = field(start + hi[:, None] * unit)
    for _ in range(9):  # false position, the stale end halved: the fields are nearly straight
        mid = np.where(
            f_hi == f_lo, hi, hi - f_hi * (hi - lo) / np.where(f_hi == f_lo, 1.0, f_hi - f_lo)
        )
        f = field(start + mid[:, None] * unit)
        inside = f < 0
        f_lo = np.where(inside, 0.5 * f_lo, f)
        f_hi = np.where(inside, f, 0.5 * f_hi)
        hi = np.where(inside, mid, hi)
        lo = np.where(inside, lo, mid)
    out = np.where(np.abs(f_hi) < np.abs(f_lo), hi, lo)
    out[~hit | (k == 0)] = np.nan
    value: FloatArray = out
    return value


def _polar(field: Field, angles_rad: FloatArray, far_mm: float) -> FloatArray:
    u = np.stack([np.zeros_like(angles_rad), np.cos(angles_rad), np.sin(angles_rad)], axis=-1)
    # a few rays over their whole length, then all of them near to what those found
    some = np.unique(np.append(np.arange(0, len(u), 12), len(u) - 1))
    rough = first_crossing(field, far_mm * u[some], -u[some], far_mm - 40.0, 1.0)
    near = np.interp(np.arange(len(u)), some, rough) - 4.0
    t = near + first_crossing(field, (far_mm - near)[:, None] * u, -u, 8.0, 1.0)
    lost = np.isnan(t)
    if lost.any():
        t[lost] = first_crossing(field, far_mm * u[lost], -u[lost], far_mm - 40.0, 0.5)
    return u * (far_mm - t)[:, None]


def skin_profile(shape: Shape, step_deg: float = 0.05) -> FloatArray:
    """Midsagittal skin from under the nose over the vertex to the nape, head frame (n, 3)."""
    return _polar(skin_field(shape), np.deg2rad(np.arange(-36.0, 212.0, step_deg)), 180.0)


def bone_profile(shape: Shape, step_deg: float = 0.05) -> FloatArray:
    """Midsagittal outer bone from the nasal bones to below the inion, head frame (n, 3)."""
    return _polar(bone_field(shape), np.deg2rad(np.arange(-29.0, 212.0, step_deg)), 160.0)


def lengths(line: FloatArray) -> FloatArray:
    """Arc length along a polyline, from 0."""
    return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])


def at_length(line: FloatArray, s_mm: float) -> FloatArray:
    """Point of a polyline at an arc length."""
    s = lengths(line)
    if not 0.0 <= s_mm <= s[-1]:
        raise ValueError(f"{s_mm:.1f} mm is not on a line of {s[-1]:.1f} mm")
    return np.array([np.interp(s_mm, s, line[:, k]) for k in range(3)])


def drop(line: FloatArray, p: FloatArray) -> tuple[FloatArray, float]:
    """Nearest point of a polyline, and its arc length."""
    a, b = line[:-1], line[1:]
    d = b - a
    t = np.clip(((p - a) * d).sum(axis=1) / np.maximum((d * d).sum(axis=1), 1e-18), 0.0, 1.0)
    q = a + t[:, None] * d
    k = int(np.argmin(((q - p) ** 2).sum(axis=1)))
    return q[k], float(lengths(line)[k] + t[k] * np.linalg.norm(d[k]))


def cut(line: FloatArray, from_mm: float, to_mm: float) -> FloatArray:
    """Part of a polyline between two arc lengths, its ends exact."""
    s = lengths(line)
    inner = line[(s > from_mm + 1e-9) & (s < to_mm - 1e-9)]
    return np.concatenate([at_length(line, from_mm)[None], inner, at_length(line, to_mm)[None]])


def taut(line: FloatArray, across: FloatArray, outward: FloatArray) -> FloatArray:
    """Indices of the points of a plane polyline that a tight tape between its ends touches.

    Parameters
    ----------
    line : array (n, 3)
        In one plane, the body on one side.
    across : array (3,)
        Unit normal of the plane.
    outward : array (3,)
        A direction in the plane that points out of the body at the middle of the line.

    Returns
    -------
    array of int
        Indices of the contact points, both ends included.
    """
    e1 = line[-1] - line[0]
    e1 = e1 / np.linalg.norm(e1)
    e2 = np.cross(across, e1)
    if e2 @ outward < 0:
        e2 = -e2
    x, y = (line - line[0]) @ e1, (line - line[0]) @ e2
    keep: list[int] = []
    # angular order round the middle of the chord: a tape may wrap by more than half a turn
    for i in range(len(line)):
        while len(keep) >= 2:
            a, b = keep[-2], keep[-1]
            turn = (x[b] - x[a]) * (y[i] - y[b]) - (y[b] - y[a]) * (x[i] - x[b])
            if turn < 0:
                break
            keep.pop()
        keep.append(i)
    return np.array(keep)


def _smoothed(line: FloatArray, sigma_mm: float) -> FloatArray:
    """Smooth a dense polyline along its length, ends left out."""
    s = lengths(line)
    even = np.arange(0.0, s[-1], 0.05)
    dense = np.stack([np.interp(even, s, line[:, k]) for k in range(3)], axis=-1)
    n = int(4 * sigma_mm / 0.05)
    x = np.arange(-n, n + 1) * 0.05
    w = np.exp(-0.5 * (x / sigma_mm) ** 2)
    w /= w.sum()
    return np.stack([np.convolve(dense[:, k], w, "valid") for k in range(3)], axis=-1)


def _deepest(line: FloatArray, lower: int, top: int) -> tuple[FloatArray, float, int] | None:
    """Deepest point under a bridged span between two indices, its depth, the upper contact."""
    part = line[lower:top]
    contact = taut(part, np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0]))
    found: tuple[FloatArray, float, int] | None = None
    for a, b in zip(contact[:-1].tolist(), contact[1:].tolist(), strict=True):
        if b - a < 2:
            continue
        chord = part[b] - part[a]
        chord = chord / np.linalg.norm(chord)
        off = part[a : b + 1] - part[a]
        depth = np.abs(off[:, 1] * chord[2] - off[:, 2] * chord[1])
        k = int(np.argmax(depth))
        if found is None or depth[k] > found[1]:
            j = min(max(k, 1), len(depth) - 2)
            bend = depth[j - 1] - 2.0 * depth[j] + depth[j + 1]
            f = 0.0 if bend == 0 else float(0.5 * (depth[j - 1] - depth[j + 1]) / bend)
            f = float(np.clip(f, -1.0, 1.0))  # between two samples: the top of a parabola
            p, q = part[a + j], part[a + j + (1 if f > 0 else -1)]
            found = (p + abs(f) * (q - p), float(depth[k]), lower + b)
    return found


def nasion(
    line: FloatArray, *, sigma_mm: float = 1.0, below_mm: float = 40.0
) -> tuple[FloatArray, float, float]:
    """Deepest point of the nasal root under the line that touches brow and bridge.

    Parameters
    ----------
    line : array (n, 3)
        Profile from below upwards, head frame, x = 0.
    sigma_mm : float
        Smoothing along the profile.
    below_mm : float
        How far below the upper contact, along the profile, the lower one may be.

    Returns
    -------
    tuple
        Point of ``line``, its arc length on it, and the depth of the hollow, mm.
    """
    smooth = _smoothed(line, sigma_mm)
    s = lengths(smooth)
    angle = np.arctan2(smooth[:, 2], smooth[:, 1])
    top = int(np.searchsorted(angle, np.deg2rad(15.0)))
    # The window depends on the upper contact, and the contact falls as the window rises: halve
    # the range until the two agree.
    low, high = (int(np.searchsorted(angle, np.deg2rad(d))) for d in (-14.0, 14.0))
    best: tuple[FloatArray, float] | None = None
    while high - low > 1:
        upper = (low + high) // 2
        found = _deepest(smooth, int(np.searchsorted(s, s[upper] - below_mm)), top)
        if found is None:
            break
        best = (found[0], found[1])
        if found[2] > upper:
            low = upper
        else:
            high = upper
    if best is None:
        raise ValueError("the profile has no hollow between brow and bridge")
    point, at = drop(line, best[0])
    return point, at, best[1]


def bregma_angle(shape: Shape, arc_mm: float) -> float:
    """Polar angle at which the outer table is ``arc_mm`` of arc behind the bone nasion."""
    line = bone_profile(shape)
    _, at, _ = nasion(line)
    p = at_length(line, at + arc_mm)
    return float(np.arctan2(p[2], p[1]))
