"""Exact answers about one site: trajectory, skull along it, distances to the suture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from entrypoint.phantoms.profile import (
    Field,
    at_length,
    bone_field,
    first_crossing,
    lengths,
    skin_field,
    taut,
)
from entrypoint.phantoms.shape import Shape

__all__ = [
    "Crossings",
    "bone_normal",
    "crossings",
    "lateral_line",
    "on_tape",
    "perpendicular",
    "suture_distances",
    "thinnest",
]

FloatArray = NDArray[np.float64]


def on_tape(
    line: FloatArray, across: FloatArray, outward: FloatArray, s_mm: float
) -> tuple[FloatArray, FloatArray, float]:
    """Point at a taut length, the tape's direction there, and the length in contact.

    Returns
    -------
    point : array (3,)
        On the line itself: dropped square from a bridged span.
    unit_along : array (3,)
        Direction of the tape over 10 mm about the point.
    surface_mm : float
        Length of the line up to the point.
    """
    touch = taut(line, across, outward)
    tape = line[touch]
    s = lengths(tape)
    p = at_length(tape, s_mm)
    a = at_length(tape, max(s_mm - 5.0, 0.0))
    b = at_length(tape, min(s_mm + 5.0, float(s[-1])))
    k = min(int(np.searchsorted(s, s_mm, side="right")) - 1, len(touch) - 2)
    unit = (b - a) / np.linalg.norm(b - a)
    i0, i1 = int(touch[k]), int(touch[k + 1])
    part = line[i0 : i1 + 1]
    chord = part[-1] - part[0]
    chord = chord / np.linalg.norm(chord)
    # square to the span: same position along the chord, down on the line
    along = (part - part[0]) @ chord
    want = float((p - part[0]) @ chord)
    j = int(np.argmax(along >= want))
    if j == 0:
        point, surface = part[0], lengths(line)[i0]
    else:
        f = (want - along[j - 1]) / max(along[j] - along[j - 1], 1e-12)
        point = part[j - 1] + f * (part[j] - part[j - 1])
        arc = lengths(line)
        surface = arc[i0 + j - 1] + f * (arc[i0 + j] - arc[i0 + j - 1])
    return point, unit, float(surface)


def lateral_line(
    shape: Shape,
    start: FloatArray,
    unit_along: FloatArray,
    sign: float,
    reach_mm: float = 100.0,
    step_deg: float = 0.05,
) -> tuple[FloatArray, FloatArray]:
    """Skin from a midline point to one side, in the plane square to the tape there.

    Returns
    -------
    line : array (n, 3)
        From the midline point over ``reach_mm`` of surface.
    outward : array (3,)
        Outward direction in that plane at the start.
    """
    x = np.array([1.0, 0.0, 0.0])
    out = np.cross(unit_along, x)
    out /= np.linalg.norm(out)
    if out @ start < 0:
        out = -out
    centre = start - 62.0 * out
    psi = np.deg2rad(np.arange(0.0, 135.0, step_deg))
    unit = np.cos(psi)[:, None] * out + (sign * np.sin(psi))[:, None] * x
    far = 150.0
    t = first_crossing(skin_field(shape), centre + far * unit, -unit, far - 25.0, 1.0)
    line = centre + (far - t)[:, None] * unit
    line = line[np.isfinite(line[:, 0])]
    line[0] = start
    s = lengths(line)
    n = int(np.searchsorted(s, reach_mm))
    end = at_length(line, reach_mm)
    return np.concatenate([line[:n], end[None]]), out


def _gradient(field: Field, p: FloatArray) -> FloatArray:
    h = 1e-3
    steps = h * np.eye(3)
    q = p[..., None, :] + steps
    r = p[..., None, :] - steps
    g = (field(q) - field(r)) / (2 * h)
    value: FloatArray = g / np.linalg.norm(g, axis=-1, keepdims=True)
    return value


def bone_normal(field: Field, foot: FloatArray, radius_mm: float, n: int = 240) -> FloatArray:
    """Area-weighted mean of the outward unit normals within a straight distance of a point.

    The integral of the normal over a patch is half the line integral of position x step round
    its rim (Stokes), so only the rim has to be found.
    """
    axis = _gradient(field, foot)
    e1 = np.cross(axis, [1.0, 0.0, 0.0])
    e1 /= np.linalg.norm(e1)
    e2 = np.cross(axis, e1)
    a = np.linspace(0.0, 2 * np.pi, n, endpoint=False)
    ray = np.cos(a)[:, None] * e1 + np.sin(a)[:, None] * e2
    # on the sphere of that radius round the foot, from outside inwards
    lo, hi = np.full(n, -0.9), np.full(n, 0.9)  # angle above and below the tangent plane
    for _ in range(28):
        mid = 0.5 * (lo + hi)
        p = foot + radius_mm * (np.cos(mid)[:, None] * ray - np.sin(mid)[:, None] * axis)
        inside = field(p) < 0
        hi = np.where(inside, mid, hi)
        lo = np.where(inside, lo, mid)
    rim = foot + radius_mm * (np.cos(lo)[:, None] * ray - np.sin(lo)[:, None] * axis)
    q = rim - foot
    vector = 0.5 * np.cross(q, np.roll(q, -1, axis=0)).sum(axis=0)
    vector /= np.linalg.norm(vector)
    out: FloatArray = vector if vector @ axis > 0 else -vector
    return out


def perpendicular(
    shape: Shape, entry: FloatArray, radius_mm: float = 10.0
) -> tuple[FloatArray, FloatArray]:
    """Foot on the outer table and inward unit direction of the trajectory through ``entry``.

    The line through the entry meets the outer table along the mean normal at its own foot.
    """
    field = bone_field(shape)
    normal = _gradient(field, entry)
    foot = entry
    for _ in range(60):
        t = first_crossing(field, entry[None] + 2.0 * normal, -normal[None], 80.0, 1.0)[0]
        new = entry + (2.0 - t) * normal
        moved = float(np.linalg.norm(new - foot))
        foot = new
        normal = bone_normal(field, foot, radius_mm)
        if moved < 1e-6:
            break
    return foot, -normal


@dataclass(frozen=True, slots=True)
class Crossings:
    """Where a line meets the surfaces of the skull, mm along it from the outer table."""

    outer: FloatArray
    inner: FloatArray
    skull_mm: float
    outer_table_mm: float
    diploe_mm: float
    inner_table_mm: float


def crossings(shape: Shape, foot: FloatArray, unit_inward: FloatArray) -> Crossings:
    """Follow a line through the tables."""

    def surface(name: str) -> float:
        def field(xyz: FloatArray) -> FloatArray:
            r = np.linalg.norm(xyz, axis=-1)
            radii = shape.radii(xyz / r[..., None])
            out: FloatArray = r - getattr(radii, name)
            return out

        start = foot - 3.0 * unit_inward
        t = first_crossing(field, start[None], unit_inward[None], 70.0, 0.05)[0]
        return float(t) - 3.0

    a, b, c, d = (surface(n) for n in ("outer", "diploe_outer", "diploe_inner", "inner"))
    if c < b:  # the diploe has run out: the tables touch
        b = c = 0.5 * (b + c)
    return Crossings(foot + a * unit_inward, foot + d * unit_inward, d - a, b - a, c - b, d - c)


def thinnest(
    shape: Shape,
    foot: FloatArray,
    unit_inward: FloatArray,
    within_mm: float = 5.0,
    tilt_deg: float = 4.0,
) -> float:
    """Thinnest skull within a distance of the foot and a tilt of the trajectory, mm."""
    e1 = np.cross(unit_inward, [0.0, 0.0, 1.0])
    e1 /= np.linalg.norm(e1)
    e2 = np.cross(unit_inward, e1)
    ring = np.linspace(0, 2 * np.pi, 12, endpoint=False)
    disc = [(r, a) for r in (0.0, 0.34, 0.67, 1.0) for a in (ring if r else ring[:1])]
    starts, units = [], []
    for r, a in disc:
        for q, b in disc:
            if q not in (0.0, 1.0):
                continue
            off = within_mm * r * (np.cos(a) * e1 + np.sin(a) * e2)
            t = np.tan(np.deg2rad(tilt_deg)) * q
            u = unit_inward + t * (np.cos(b) * e1 + np.sin(b) * e2)
            u /= np.linalg.norm(u)
            starts.append(foot + off - 6.0 * u)
            units.append(u)
    start, unit = np.array(starts), np.array(units)

    def radius_field(name: str) -> Field:
        def field(xyz: FloatArray) -> FloatArray:
            r = np.linalg.norm(xyz, axis=-1)
            out: FloatArray = r - getattr(shape.radii(xyz / r[..., None]), name)
            return out

        return field

    outer = first_crossing(radius_field("outer"), start, unit, 40.0, 0.5)
    inner = first_crossing(radius_field("inner"), start, unit, 40.0, 0.5)
    return float(np.nanmin(inner - outer))


def _laid_on(
    field: Field, a: FloatArray, b: FloatArray, out: FloatArray, n: int = 41
) -> FloatArray:
    """Length of the surface section from points ``a`` to ``b`` (m, 3) in planes holding ``out``."""
    t = np.linspace(0.0, 1.0, n)
    chord = a[:, None, :] + t[None, :, None] * (b - a)[:, None, :]
    flat = chord.reshape(-1, 3)
    down = first_crossing(field, flat + 25.0 * out, np.broadcast_to(-out, flat.shape), 60.0, 1.0)
    line = (flat + (25.0 - down)[:, None] * out).reshape(chord.shape)
    total: FloatArray = np.linalg.norm(np.diff(line, axis=1), axis=2).sum(axis=1)
    return total


def _in_plane(field: Field, p: FloatArray) -> FloatArray:
    g = _gradient(field, p)
    g = g * np.array([0.0, 1.0, 1.0])
    out: FloatArray = g / np.linalg.norm(g)
    return out


def suture_distances(
    shape: Shape, curve: FloatArray, foot: FloatArray, entry: FloatArray
) -> tuple[float | None, float, float | None]:
    """Signed distances from a site to the coronal suture, positive in front of it.

    Parameters
    ----------
    curve : array (n, 3)
        Centre line on the outer table, left to right, dense.
    foot, entry : array (3,)
        Trajectory on the outer table and on the skin.

    Returns
    -------
    tuple
        Along the outer table parallel to the midsagittal plane; the shortest along it in any
        direction; along the scalp as a tape reads. ``None`` where the suture ends before.
    """
    bone, skin = bone_field(shape), skin_field(shape)

    def angle(p: FloatArray) -> float:
        a = float(np.arctan2(p[2], p[1]))
        return a + 2 * np.pi if a < -np.pi / 2 else a

    def at_x(x: float) -> FloatArray | None:
        if not curve[0, 0] < x < curve[-1, 0]:
            return None
        return np.array([np.interp(x, curve[:, 0], curve[:, k]) for k in range(3)])

    here = at_x(foot[0])
    along = None
    sign = 1.0
    if here is not None:
        sign = 1.0 if angle(foot) < angle(here) else -1.0
        n = _in_plane(bone, 0.5 * (foot + here))
        along = sign * float(_laid_on(bone, foot[None], here[None], n)[0])
    rough = np.linalg.norm(curve - foot, axis=1)
    near = curve[rough < rough.min() + 4.0]
    n = _gradient(bone, foot)
    short = _laid_on(bone, np.broadcast_to(foot, near.shape), near, n)
    nearest = sign * float(short.min())
    scalp = None
    over = at_x(entry[0])
    if over is not None:
        up = _in_plane(bone, over)
        t = first_crossing(skin, (over + 45.0 * up)[None], -up[None], 60.0, 0.5)[0]
        mark = over + (45.0 - t) * up
        sign_skin = 1.0 if angle(entry) < angle(mark) else -1.0
        m = _in_plane(skin, 0.5 * (entry + mark))
        scalp = sign_skin * float(_laid_on(skin, entry[None], mark[None], m)[0])
    return along, nearest, scalp
