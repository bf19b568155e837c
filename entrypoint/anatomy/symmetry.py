"""The midsagittal plane: where the head mirrors best, from everything that the scan shows.

A vault alone is nearly a ball, and a ball mirrors in every plane through its middle. So the
readings themselves are compared with their mirror image, over skin, vault, face and base at
once: first for every normal within a cone (an optimiser that starts badly ends badly), then by
a robust Gauss-Newton fit of the plane's offset and its two tilts, coarse to fine.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from entrypoint.anatomy.frame import FloatArray, HeadFrame, frame_from
from entrypoint.errors import MeasurementError

Sample = Callable[[FloatArray], FloatArray]
"""``sample(points_mm (n, 3)) -> (n,)`` readings, NaN outside the field."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MirrorFit:
    """A midsagittal plane and how well the head mirrors in it."""

    frame: HeadFrame
    residual: float  # robust spread of mirrored differences over that of the readings, 0 to 1
    sd_offset_mm: float  # formal, at the origin; see ``plane_spread`` for what it means in practice
    sd_tilt_deg: float
    points: int


def search_normals(
    sample: Sample,
    points_mm: FloatArray,
    centre_mm: FloatArray,
    unit_right: FloatArray,
    unit_anterior: FloatArray,
    *,
    cone_deg: float = 42.0,
    step_deg: float = 7.0,
    offsets_mm: Sequence[float] = (-7.0, 0.0, 7.0),
    most: int = 3,
    apart_deg: float = 10.0,
) -> list[tuple[HeadFrame, float]]:
    """Find the planes within a cone of normals in which the readings mirror best.

    Parameters
    ----------
    sample : callable
        Of a strongly blurred scan, so that a step of the cone is not a miss.
    points_mm : (n, 3) array
        Where to compare; points on edges tell most.
    centre_mm : (3,) array
    unit_right, unit_anterior : (3,) arrays
        Where the file says that right and anterior are.
    cone_deg, step_deg : float
    offsets_mm : sequence of float
        Of the plane from the centre.
    most : int
        How many to return: the best one alone may be a step of the cone that fits by chance.
    apart_deg : float
        Normals nearer than this are one.

    Returns
    -------
    list of (HeadFrame, float)
        Best first, with the mean absolute mirrored difference over the mean absolute deviation
        of the readings.
    """
    start = frame_from(centre_mm, unit_right, unit_anterior)
    here = sample(points_mm)
    keep = np.isfinite(here)
    points_mm, here = points_mm[keep], here[keep]
    spread = float(np.mean(np.abs(here - np.median(here)))) or 1.0
    q = points_mm - centre_mm
    axes = np.stack([start.unit_right, start.unit_anterior, start.unit_superior])
    tried: list[tuple[float, FloatArray, float]] = []
    for normal in cone(cone_deg, step_deg) @ axes:
        side = q @ normal
        for offset in offsets_mm:
            mirrored = points_mm - 2 * (side - offset)[:, None] * normal
            diff = np.abs(here - sample(mirrored))
            seen = np.isfinite(diff)
            if seen.sum() < 0.5 * len(diff):
                continue
            tried.append((float(np.mean(diff[seen])) / spread, normal, offset))
    chosen: list[tuple[float, FloatArray, float]] = []
    for candidate in sorted(tried, key=lambda t: t[0]):
        near = np.cos(np.radians(apart_deg))
        if all(float(candidate[1] @ other[1]) < near for other in chosen):
            chosen.append(candidate)
        if len(chosen) == most:
            break
    return [
        (frame_from(centre_mm + offset * normal, normal, unit_anterior), misfit)
        for misfit, normal, offset in chosen
    ]


def mirror_misfit(sample: Sample, points_mm: FloatArray, frame: HeadFrame) -> float:
    """Mean absolute mirrored difference over the mean absolute deviation of the readings.

    A point whose mirror image lies outside the field counts as a miss: a plane near the edge of
    the field would else be judged by the few points that it mirrors.
    """
    here = sample(points_mm)
    keep = np.isfinite(here)
    points_mm, here = points_mm[keep], here[keep]
    spread = float(np.mean(np.abs(here - np.median(here)))) or 1.0
    side = (points_mm - frame.origin_mm) @ frame.unit_right
    diff = np.abs(here - sample(points_mm - 2 * side[:, None] * frame.unit_right))
    return float(np.mean(np.where(np.isfinite(diff), diff, 1.5 * spread))) / spread


def fit_mirror(
    sample: Sample,
    points_mm: FloatArray,
    frame: HeadFrame,
    *,
    step_mm: float,
    weights: FloatArray | None = None,
    rounds: int = 12,
    tol_mm: float = 0.004,
) -> MirrorFit:
    """Refine a plane so that readings equal those at mirrored points.

    Parameters
    ----------
    sample : callable
    points_mm : (n, 3) array, world mm
    frame : HeadFrame
        Where to start.
    step_mm : float
        Over which gradients are taken; about the blur of ``sample``.
    weights : (n,) array, optional
    rounds : int
    tol_mm : float
        Ends when a round moves the plane by less at 100 mm from the origin.

    Returns
    -------
    MirrorFit
        The frame keeps its origin, shifted into the plane.

    Raises
    ------
    MeasurementError
        When too few points have their mirror image in the field.
    """
    here_all = sample(points_mm)
    scale_all = 1.4826 * float(np.nanmedian(np.abs(here_all - np.nanmedian(here_all)))) or 1.0
    prior = np.ones(len(points_mm)) if weights is None else weights
    cov, sigma, used = np.eye(3), np.inf, 0
    for _ in range(rounds):
        n, a, s = frame.unit_right, frame.unit_anterior, frame.unit_superior
        q = points_mm - frame.origin_mm
        side = q @ n
        mirrored = points_mm - 2 * side[:, None] * n
        steps = [sample(mirrored + sign * step_mm * axis) for axis in (n, a, s) for sign in (1, -1)]
        there = sample(mirrored)
        grad_n = (steps[0] - steps[1]) / (2 * step_mm)
        grad_a = (steps[2] - steps[3]) / (2 * step_mm)
        grad_s = (steps[4] - steps[5]) / (2 * step_mm)
        # A shift o moves a mirrored point by 2 o n; a tilt e of the normal by
        # -2 (q.e) n - 2 (q.n) e.
        qa, qs = q @ a, q @ s
        design = np.stack(
            [
                2 * grad_n,
                -2 * (qa * grad_n + side * grad_a),
                -2 * (qs * grad_n + side * grad_s),
            ],
            axis=1,
        )
        diff = here_all - there
        ok = np.isfinite(diff) & np.isfinite(design).all(axis=1)
        if ok.sum() < 0.3 * len(ok) or ok.sum() < 300:
            raise MeasurementError(
                found="too little of the head has its mirror image in the field of view",
                expected="a head whose two sides are both in the scan",
                next_step="give the midsagittal landmarks, or a scan with a larger field of view",
            )
        d, g, w0 = diff[ok], design[ok], prior[ok]
        x = np.zeros(3)
        for _ in range(4):
            resid = d - g @ x
            sigma = max(1.4826 * float(np.median(np.abs(resid))), 1e-3 * scale_all)
            weight = w0 / np.square(1 + np.square(resid / (2.0 * sigma)))
            root = np.sqrt(weight)[:, None]
            x, *_ = np.linalg.lstsq(g * root, d * root[:, 0], rcond=None)
        cov = np.linalg.inv((g * weight[:, None]).T @ g) * sigma**2
        used = int((weight > 0.1 * w0).sum())
        # A round may not run away: at most 4 mm and 4 degrees.
        x = np.clip(x, [-4, -0.07, -0.07], [4, 0.07, 0.07])
        frame = frame_from(frame.origin_mm + x[0] * n, n + x[1] * a + x[2] * s, a)
        if abs(x[0]) < tol_mm and np.abs(x[1:]).max() * 100 < tol_mm:
            break
    return MirrorFit(
        frame=frame,
        residual=sigma / scale_all,
        sd_offset_mm=float(np.sqrt(cov[0, 0])),
        sd_tilt_deg=float(np.degrees(np.sqrt(max(cov[1, 1], cov[2, 2])))),
        points=used,
    )


def cone(cone_deg: float, step_deg: float) -> NDArray[np.float64]:
    """Unit vectors, (n, 3), about even within a cone round the first axis."""
    rings = [np.array([[1.0, 0.0, 0.0]])]
    for tilt in np.arange(step_deg, cone_deg + 1e-6, step_deg):
        t = np.radians(tilt)
        n = max(6, round(2 * np.pi * np.sin(t) / np.radians(step_deg)))
        a = 2 * np.pi * np.arange(n) / n
        rings.append(
            np.stack([np.full(n, np.cos(t)), np.sin(t) * np.cos(a), np.sin(t) * np.sin(a)], axis=1)
        )
    return np.concatenate(rings)
