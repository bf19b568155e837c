"""The nasion on a midsagittal profile: the deepest point of the nasal root.

Deepest below the line that touches the brow above and the bridge of the nose below, within
40 mm of profile under the upper contact, so that it does not depend on how the head lies.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import MeasurementError
from entrypoint.geometry.polylines import arc_lengths_mm, resample, smooth

FloatArray = NDArray[np.float64]

_STEP_MM = 0.5
_SMOOTH_MM = 1.0
_WINDOW_MM = 40.0  # of profile below the upper contact
_NOSE_ABOVE_MM = 80.0  # the hollow lies within this length of profile above the tip of the nose
# The bridge is touched no further above the tip than a nose is long (24 to 45 mm on phantoms; the
# limit is judgement): above it lies a forehead, on which a strap makes a hollow of its own.
_BRIDGE_ABOVE_MM = 58.0
# From the brow's contact down to the deepest point it is 22 to 25 mm on phantoms; under the sharp
# edge of a strap the deepest point is near.
_BROW_ABOVE_MM = 9.0
_TIP_TURN_DEG = 50.0
_TIP_SPAN_MM = 24.0
_SHALLOW_MM = 1.0
_TIPLESS_MM = 2.0  # least hollow that is believed where no nose is seen under it
_SHALLOW_SD_MM = 4.0  # of the deepest point of a root that is hardly hollow: judgement
_LEAST_MM = 0.15
_SAME_HOLLOW_STEPS = 8
# Neighbours on a curved brow stand out of a tangent by the first of these.
# The later ones serve a forehead that slopes so far that no line touches brow and bridge at
# once within the window.
_TOUCH_MM = (0.03, 0.1, 0.3, 1.0, 3.0, 6.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hollow:
    """A hollow of a profile under its bridging line."""

    position_mm: FloatArray  # (3,)
    upper_contact_mm: FloatArray  # (3,) on the brow
    lower_contact_mm: FloatArray  # (3,) on the bridge of the nose
    depth_mm: float
    curvature_per_mm: float  # of the depth at the deepest point
    shallow: bool
    tip_seen: bool


def find_nasion(
    profile_mm: FloatArray,
    unit_right: FloatArray,
    *,
    surface_sd_mm: float = 0.15,
) -> tuple[Hollow, float]:
    """Find the nasion on a profile.

    Parameters
    ----------
    profile_mm : (n, 3) array
        In the midsagittal plane, from the vertex or the forehead down over the brow and the nose.
        It may end anywhere below the bridge.
    unit_right : (3,) array
        Normal of the plane, to the patient's right.
    surface_sd_mm : float
        How well each point of the profile is known.

    Returns
    -------
    hollow : Hollow
    sd_mm : float
        Of the deepest point along the profile.

    Raises
    ------
    MeasurementError
        When the profile has no hollow between a brow and a nose.
    """
    curve = smooth(resample(profile_mm, _STEP_MM), _SMOOTH_MM)
    if len(curve) < 60:
        raise _no_nasion("the profile of the face is too short")
    flat = _flatten(curve, unit_right)
    arc = arc_lengths_mm(curve)
    tip = _nose_tip(flat)
    stop = len(flat) if tip is None else tip + 1
    start = 0 if tip is None else int(np.searchsorted(arc, arc[tip] - _NOSE_ABOVE_MM - _WINDOW_MM))
    lowest_contact_mm = 0.0 if tip is None else float(arc[tip]) - _BRIDGE_ABOVE_MM
    best = _deepest_hollow(flat, arc, start, stop, lowest_contact_mm)
    if best is None:
        raise _no_nasion("the profile shows no hollow between a brow and a nose")
    depth_mm, top, low, at, depth = best
    if tip is None and depth_mm < _TIPLESS_MM:
        raise _no_nasion("the profile shows neither a nose nor a hollow above one")
    position, curvature = _parabola(curve, arc, depth, at, top)
    # How far along the profile the depth stays within what the surface is known to: a flat root
    # has no sharp deepest point.
    weight = np.exp(-(depth.max() - depth) / surface_sd_mm)
    along = arc[top : low + 1]
    middle = float(weight @ along / weight.sum())
    softness = float(np.sqrt(weight @ np.square(along - middle) / weight.sum()))
    shallow = depth_mm < _SHALLOW_MM
    return (
        Hollow(
            position_mm=position,
            upper_contact_mm=curve[top],
            lower_contact_mm=curve[low],
            depth_mm=depth_mm,
            curvature_per_mm=curvature,
            shallow=shallow,
            tip_seen=tip is not None,
        ),
        float(np.clip(max(0.165 * softness, _SHALLOW_SD_MM if shallow else 0.0), 0.1, 8.0)),
    )


def _deepest_hollow(
    flat: FloatArray, arc: FloatArray, start: int, stop: int, lowest_contact_mm: float
) -> tuple[float, int, int, int, FloatArray] | None:
    """Depth, upper and lower contact, deepest point and all depths of the deepest hollow.

    Every point is tried as the upper contact; from it the outermost line to the next 40 mm is
    drawn. It touches where what lies above stays inside it: closely, or, on a straight brow over
    a long root, where the window's end decides, at the least that is found. Of the lines over the
    deepest hollow the one that touches most closely counts: a looser one cuts into the brow, and
    its deepest point lies lower.
    """
    found: list[tuple[float, float, int, int, int, FloatArray]] = []
    above = round(_WINDOW_MM / _STEP_MM)
    for top in range(start, stop - 8):
        end = int(np.searchsorted(arc, arc[top] + _WINDOW_MM))
        window = flat[top + 1 : min(end, stop)]
        if len(window) < 8:
            continue
        vec = window - flat[top]
        k = int(np.argmax(np.arctan2(vec[:, 1], vec[:, 0])))
        low = top + 1 + k
        if k < 6 or arc[low] < lowest_contact_mm:
            continue
        line = flat[low] - flat[top]
        out = np.array([-line[1], line[0]]) / np.linalg.norm(line)
        before = flat[max(0, top - above) : top]
        sticks_out = float(((before - flat[top]) @ out).max()) if len(before) else 0.0
        depth = -((flat[top : low + 1] - flat[top]) @ out)
        deepest = int(np.argmax(depth))
        if depth[deepest] > _LEAST_MM and arc[top + deepest] - arc[top] > _BROW_ABOVE_MM:
            found.append((sticks_out, float(depth[deepest]), top, low, top + deepest, depth))
    for least, ladder in ((_SHALLOW_MM, _TOUCH_MM), (_LEAST_MM, _TOUCH_MM[:3])):
        for touch in ladder:
            touching = [f for f in found if f[0] <= touch and f[1] >= least]
            if touching:
                hollow = max(touching, key=lambda f: f[1])
                same = [f for f in touching if abs(f[4] - hollow[4]) <= _SAME_HOLLOW_STEPS]
                _, depth_mm, top, low, at, depth = min(same, key=lambda f: f[0])
                return depth_mm, top, low, at, depth
    return None


def _no_nasion(found: str) -> MeasurementError:
    return MeasurementError(
        found=found,
        expected="a nasal root between brow and nose, in the midsagittal plane",
        next_step="give the nasion in a landmark file, or a scan that shows the nose; check "
        "also that the file's orientation is that of the head",
    )


def _flatten(curve: FloatArray, unit_right: FloatArray) -> FloatArray:
    """In-plane coordinates, (n, 2): down the face, and out of it."""
    chord = curve[-1] - curve[0]
    down = chord - (chord @ unit_right) * unit_right
    down = down / np.linalg.norm(down)
    q = curve - curve[0]
    return np.stack([q @ down, q @ np.cross(unit_right, down)], axis=1)


def _nose_tip(flat: FloatArray) -> int | None:
    """First place from above where the profile turns inwards as sharply as the tip of a nose."""
    span = round(_TIP_SPAN_MM / _STEP_MM / 2)
    tangent = np.gradient(flat, axis=0)
    heading = np.degrees(np.unwrap(np.arctan2(tangent[:, 1], tangent[:, 0])))
    turn = np.zeros(len(flat))
    turn[span:-span] = heading[: -2 * span] - heading[2 * span :]
    # A heavy brow turns too, but less than the tip of a nose; a chin may turn as much, below it.
    least = max(_TIP_TURN_DEG, 0.75 * float(turn.max(initial=0.0)))
    sharp = turn > least
    if not sharp.any():
        return None
    first = int(np.argmax(sharp))
    run_end = first
    while run_end + 1 < len(sharp) and sharp[run_end + 1]:
        run_end += 1
    return first + int(np.argmax(turn[first : run_end + 1]))


def _parabola(
    curve: FloatArray, arc: FloatArray, depth: FloatArray, at: int, top: int
) -> tuple[FloatArray, float]:
    """Deepest point by a parabola through the depths within 4 mm."""
    lo = max(top, at - round(4.0 / _STEP_MM))
    hi = min(top + len(depth) - 1, at + round(4.0 / _STEP_MM))
    if hi - lo < 5:
        return curve[at], 1e-3
    s = arc[lo : hi + 1] - arc[at]
    c2, c1, _ = np.polyfit(s, depth[lo - top : hi + 1 - top], 2)
    curvature = max(-2 * float(c2), 1e-3)
    shift = float(np.clip(c1 / curvature, -3.0, 3.0))
    where = arc[at] + shift
    position = np.array([np.interp(where, arc, curve[:, k]) for k in range(3)])
    return position, curvature
