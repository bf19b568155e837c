"""Lines of a head for line drawings: profile, silhouette from above, surfaces on a page."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import MeasurementError
from entrypoint.figures.teach.head import TeachingHead
from entrypoint.figures.view import View
from entrypoint.geometry.polylines import resample
from entrypoint.volume.sections import polar_section

__all__ = [
    "Surfaces",
    "along",
    "face_line",
    "nape_line",
    "outward_of",
    "silhouette",
    "skull_band",
    "smooth_page",
    "surfaces_on",
]

FloatArray = NDArray[np.float64]
_STEP_MM = 0.2
_ABOVE_NASION_MM = (-6.0, 8.0, 22.0, 36.0, 50.0)  # levels of the outline from above
_NOSE_MM = (-34.0, -27.0, -20.0, -13.0)
_NOSE_DEG = 17.0
_DIPLOE_GAP_MM = 3.0  # a longer run without bone ends it


def face_line(head: TeachingHead) -> FloatArray:
    """Skin of the face below the nasion in the midsagittal plane, world (n, 3), downwards."""
    section = head.parts.head.section
    nasion = head.plan.landmarks["nasion_skin"].position_mm
    up = head.profile_view.unit_page_up
    points = section.skin_points()
    phi = section.angles_deg
    forwards = float(np.median(phi[np.argsort(np.linalg.norm(
        np.nan_to_num(points, nan=1e6) - nasion, axis=1))[:3]]))  # fmt: skip
    use = (phi < forwards) & (phi > forwards - 45.0) & np.isfinite(points).all(axis=1)
    line = points[use][np.argsort(-phi[use])]
    low = np.flatnonzero((line - nasion) @ up < -75.0)
    return np.vstack([nasion, line[: low[0]] if low.size else line])


def nape_line(head: TeachingHead) -> FloatArray:
    """Skin of the nape below the inion in the midsagittal plane, world (n, 3), downwards.

    Only the inion itself where a head rest hides it.
    """
    section = head.parts.head.section
    inion = head.plan.landmarks["inion"].position_mm
    points, up = section.skin_points(), head.profile_view.unit_page_up
    seen = np.isfinite(points).all(axis=1)
    behind = (points - inion) @ head.parts.head.frame.unit_anterior < 40.0
    below = ((points - inion) @ up < -2.0) & ((points - inion) @ up > -60.0)
    line = points[seen & behind & below]
    line = line[np.argsort(-(line @ up))]
    gaps = np.flatnonzero(np.linalg.norm(np.diff(line, axis=0), axis=1) > 5.0)
    line = line[: gaps[0] + 1] if gaps.size else line
    return np.vstack([inion, line])


def skull_band(head: TeachingHead) -> tuple[FloatArray, FloatArray]:
    """Outer and inner surface of the skull in the midsagittal plane, world (n, 3) each.

    From the bone nasion to the inion, for drawing: along each of the surface's normals the last
    bone before 3 mm without any.
    """
    from scipy import ndimage

    view, levels = head.profile_view, head.parts.head.coarse.levels
    outer = resample(head.parts.head.midline_bone_mm, 1.0)
    end = head.parts.head.inion_bone_mm
    if end is not None:
        outer = outer[: int(np.argmin(np.linalg.norm(outer - end, axis=1))) + 1]
    page = view.page_from_world(outer)
    out = outward_of(page, page.mean(axis=0))
    reach = np.arange(1.0, 26.0, 0.25)
    hu = head.volume.sample_hu(
        view.world_from_page(page[:, None, :] - reach[:, None] * out[:, None, :])
    )
    bone = hu > levels.soft_hu + 200.0
    run = round(_DIPLOE_GAP_MM / 0.25)
    none = ndimage.uniform_filter1d(bone.astype(float), run, axis=1, origin=-(run // 2)) < 1e-6
    ends = np.where(none.any(axis=1), np.argmax(none, axis=1), 0)
    depth = ndimage.median_filter(reach[ends], size=21, mode="nearest")
    depth = ndimage.gaussian_filter1d(depth, 4.0, mode="nearest")
    return outer, view.world_from_page(page - depth[:, None] * out)


def silhouette(head: TeachingHead) -> FloatArray:
    """The head's outline seen from above: right and anterior of the nasion, closed (n, 2).

    The widest of several level sections; the nose comes from lower ones.
    """
    from scipy import ndimage

    found = head.parts.head
    view = head.profile_view
    plane = head.parts.midsagittal
    up, right = view.unit_page_up, plane.unit_normal
    front = np.cross(up, right)
    middle = found.frame.origin_mm
    nasion = view.origin_mm
    base = middle + ((nasion - middle) @ up) * up
    angles = np.arange(0.0, 360.0, 1.0)
    in_front = np.minimum(angles, 360.0 - angles) < 50.0
    radius = np.zeros(len(angles))
    for level in _ABOVE_NASION_MM + _NOSE_MM:
        nose = level in _NOSE_MM
        section = polar_section(
            head.volume, found.coarse, base + level * up, front, right, angles, face=in_front
        )
        r = np.nan_to_num(section.skin_mm, nan=0.0)
        if nose:
            r = np.where(np.minimum(angles, 360.0 - angles) < _NOSE_DEG, r, 0.0)
        radius = np.maximum(radius, r)
    seen = radius > 0.0
    radius = np.interp(angles, angles[seen], radius[seen], period=360.0)
    # Over some degrees: the corners between two levels are no part of a head.
    smooth = ndimage.gaussian_filter1d(radius, 3.0, mode="wrap")
    a = np.radians(angles)
    world = (base + (smooth * np.cos(a))[:, None] * front + (smooth * np.sin(a))[:, None] * right)
    away = world - nasion
    ring = np.stack([away @ right, away @ front], axis=1)
    return np.vstack([ring, ring[:1]])


@dataclass(frozen=True, slots=True, kw_only=True)
class Surfaces:
    """Skin, outer and inner surface of the bone over the columns of a page, page mm."""

    across_mm: FloatArray
    skin_mm: FloatArray
    outer_mm: FloatArray
    inner_mm: FloatArray

    def line(self, name: str) -> FloatArray:
        """One of ``skin``, ``outer``, ``inner`` as a line on the page, (n, 2)."""
        return np.column_stack([self.across_mm, getattr(self, f"{name}_mm")])

    def at(self, name: str, across_mm: float) -> float:
        """Height of a surface at a place across the page."""
        return float(np.interp(across_mm, self.across_mm, getattr(self, f"{name}_mm")))


def surfaces_on(
    head: TeachingHead, view: View, extent_mm: tuple[float, float, float, float], *,
    sigma_mm: float = 1.2,
) -> Surfaces:  # fmt: skip
    """Follow skin and bone down the columns of a page, smoothed for drawing.

    The figures stay the plan's. Down each column: the first skin, the first bone, and the last
    bone before 3 mm without any.

    Raises
    ------
    MeasurementError
        Where a column in the middle of the page shows no bone.
    """
    from scipy import ndimage

    levels = head.parts.head.coarse.levels
    hu = view.resample(head.volume, extent_mm, _STEP_MM)
    hu = np.asarray(np.where(np.isfinite(hu), hu, -1000.0), dtype=np.float64)
    x = np.asarray(extent_mm[0] + (np.arange(hu.shape[1]) + 0.5) * _STEP_MM, dtype=np.float64)
    y = np.asarray(extent_mm[3] - (np.arange(hu.shape[0]) + 0.5) * _STEP_MM, dtype=np.float64)
    skin = _crossing_down(hu, y, levels.skin_hu, np.zeros(hu.shape[1], dtype=np.intp))
    bone = hu > levels.soft_hu + 250.0
    first = np.argmax(bone, axis=0)
    has = bone.any(axis=0) & np.isfinite(skin)
    gap = round(_DIPLOE_GAP_MM / _STEP_MM)
    outer, inner = np.full(len(x), np.nan), np.full(len(x), np.nan)
    for j in np.flatnonzero(has):
        rows = np.flatnonzero(bone[first[j] :, j]) + first[j]
        breaks = np.flatnonzero(np.diff(rows) > gap)
        last = rows[breaks[0]] if breaks.size else rows[-1]
        outer[j] = _half_level(hu[:, j], y, first[j], -1, levels.soft_hu)
        inner[j] = _half_level(hu[:, j], y, last, 1, levels.soft_hu)
    good = np.isfinite(outer) & np.isfinite(inner)
    if good.mean() < 0.7:
        raise MeasurementError(
            found="hardly any bone on the section of a teaching figure",
            expected="the vault round the path in view",
            next_step="use another scan, or the practice head",
        )
    sigma = sigma_mm / _STEP_MM

    def smooth(values: FloatArray) -> FloatArray:
        whole = np.interp(x, x[good], values[good])
        wide = 2 * round(1.5 / _STEP_MM) + 1
        middle = ndimage.median_filter(whole, size=wide, mode="nearest")
        return np.asarray(ndimage.gaussian_filter1d(middle, sigma, mode="nearest"))

    return Surfaces(across_mm=x, skin_mm=smooth(skin), outer_mm=smooth(outer),
                    inner_mm=smooth(inner))  # fmt: skip


def _crossing_down(
    hu: FloatArray, y: FloatArray, level: float, start: NDArray[np.intp]
) -> FloatArray:
    """Height at which each column first rises over a level."""
    above = hu >= level
    at = np.maximum(np.argmax(above, axis=0), 1)
    column = np.arange(hu.shape[1])
    low, high = hu[at - 1, column], hu[at, column]
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.clip((level - low) / (high - low), 0.0, 1.0)
    return np.where(above.any(axis=0), y[at - 1] + share * (y[at] - y[at - 1]), np.nan)


def _half_level(hu: FloatArray, y: FloatArray, at: int, step: int, soft_hu: float) -> float:
    """Where a column falls to half of the table's own peak, going out of the bone."""
    reach = round(2.0 / _STEP_MM)
    inwards = hu[max(0, at - reach) : at + 1] if step > 0 else hu[at : at + reach + 1]
    half = soft_hu + 0.5 * (float(inwards.max()) - soft_hu)
    k = at - step * reach // 2 if step > 0 else at + reach // 2
    k = int(np.clip(k, 1, len(hu) - 2))
    while 0 < k < len(hu) - 1 and hu[k] >= half:
        k += step
    before = k - step
    share = (hu[before] - half) / max(hu[before] - hu[k], 1e-9)
    return float(y[before] + np.clip(share, 0.0, 1.0) * (y[k] - y[before]))


def smooth_page(
    head: TeachingHead, view: View, extent_mm: tuple[float, float, float, float], pixel_mm: float
) -> FloatArray:
    """HU on a much enlarged page, by cubic splines: no steps of the voxels; for the look only."""
    left, right, bottom, top = extent_mm
    x = np.arange(left + pixel_mm / 2, right, pixel_mm)
    y = np.arange(top - pixel_mm / 2, bottom, -pixel_mm)
    points = view.world_from_page(np.stack(np.meshgrid(x, y), axis=-1))
    near = head.volume.block_around(points.reshape(-1, 3), margin_mm=6.0)
    return np.asarray(near.sample_hu(points, order=3))


def along(curve_mm: FloatArray, arcs_mm: FloatArray) -> FloatArray:
    """Places on a curve (n, 3) at lengths from its start, (k, 3)."""
    fine = resample(curve_mm, 0.5)
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(fine, axis=0), axis=1))])
    return np.column_stack([np.interp(arcs_mm, s, fine[:, k]) for k in range(3)])


def outward_of(line: FloatArray, inside: FloatArray, *, over: int = 9) -> FloatArray:
    """Unit normals of a line on a page, (n, 2), away from a place inside; over an odd count."""
    step = np.gradient(line, axis=0)
    kernel = np.ones(over) / over
    padded = np.pad(step, ((over // 2, over // 2), (0, 0)), mode="edge")
    step = np.column_stack([np.convolve(padded[:, k], kernel, mode="valid") for k in (0, 1)])
    normal = np.column_stack([-step[:, 1], step[:, 0]])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    facing = np.sign(np.sum(normal * (line - inside), axis=1, keepdims=True))
    return np.asarray(normal * facing)
