"""The frame of a plan and that of a scan after placement, brought together.

By the skull where the plan's own scan is at hand; otherwise by what was found on both: the
midsagittal plane, the nasion, the inion and bregma, each with its error.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import MeasurementError
from entrypoint.geometry.planes import Plane
from entrypoint.geometry.rigid import Rigid
from entrypoint.planning.after_model import Compared, Frames
from entrypoint.planning.ct_head import CtHead
from entrypoint.planning.ct_parts import CtParts
from entrypoint.planning.model import How, Plan
from entrypoint.reference import value
from entrypoint.volume.skull_match import Scanned, SkullMatch, match_skulls

__all__ = ["Overlay", "by_landmarks", "by_skull", "overlay_of"]

FloatArray = NDArray[np.float64]
_ODD_SDS = 4.5  # a landmark that lies farther off than this is another head's


@dataclass(frozen=True, slots=True, kw_only=True)
class Overlay:
    """``plan_from_after`` with its error.

    ``covariance`` is of a small rotation (radians) about ``centre_mm`` and a shift (mm), in the
    plan's frame.
    """

    plan_from_after: Rigid
    covariance: FloatArray
    centre_mm: FloatArray
    match: SkullMatch | None = None
    landmarks: tuple[str, ...] = ()

    def sd_at_mm(self, point_mm: FloatArray) -> float:
        """Standard deviation of a point of the plan's frame, one axis."""
        q = np.asarray(point_mm, dtype=float) - self.centre_mm
        cross = np.array([[0.0, -q[2], q[1]], [q[2], 0.0, -q[0]], [-q[1], q[0], 0.0]])
        lever = np.hstack([-cross, np.eye(3)])
        return float(np.sqrt(max(np.trace(lever @ self.covariance @ lever.T) / 3.0, 0.0)))

    @property
    def sd_deg(self) -> float:
        """Standard deviation of a direction."""
        return float(np.degrees(np.sqrt(np.trace(self.covariance[:3, :3]) / 3.0)))


def overlay_of(
    parts: CtParts, before: CtParts | None, plan: Plan
) -> tuple[Overlay | None, Frames]:
    """Bring the frames of plan and scan together, the best way there is.

    Returns
    -------
    Overlay or None
        None where the plan holds nothing that can be found on the scan.
    Frames
        The same as the record holds it; its errors are filled in where the bolt is.

    Raises
    ------
    MeasurementError
        Plan, or scan before placement, and scan are of two heads.
    """
    try:
        rough = by_landmarks(parts, plan)
    except MeasurementError as error:
        if before is not None:
            # Landmarks differ where two heads do, and where one of them was misread.
            rough = _by_frames(parts, before)
        elif plan.midsagittal_plane is None or not plan.landmarks:
            return None, Frames(by=Compared.NOTHING, why_not=error.found)
        else:
            raise
    if before is None:
        return rough, _frames(Compared.LANDMARKS, rough)
    fine = by_skull(parts.head, before.head, rough.plan_from_after)
    return fine, _frames(Compared.SKULL, fine)


def _frames(by: Compared, overlay: Overlay) -> Frames:
    """An overlay as the record holds it."""
    turn, match = overlay.plan_from_after.rotation, overlay.match
    return Frames(
        by=by,
        unit_right_in_plan=turn[:, 0],
        unit_anterior_in_plan=turn[:, 1],
        unit_superior_in_plan=turn[:, 2],
        origin_in_plan_mm=overlay.plan_from_after.translation,
        apart_mm=None if match is None else match.apart_mm,
        apart_75_mm=None if match is None else match.apart_75_mm,
        landmarks=overlay.landmarks,
    )


def _by_frames(parts: CtParts, before: CtParts) -> Overlay:
    """A start for the skulls from both head frames alone."""
    a, b = parts.head, before.head

    def axes(frame_of: CtParts) -> FloatArray:
        f = frame_of.head.frame
        front = frame_of.head.nasion_skin_mm - f.origin_mm
        front = front - (front @ f.unit_right) * f.unit_right
        front = front / np.linalg.norm(front)
        return np.stack([f.unit_right, front, np.cross(f.unit_right, front)])

    rotation = axes(before).T @ axes(parts)
    return Overlay(
        plan_from_after=Rigid(
            rotation=rotation,
            translation=b.nasion_skin_mm - rotation @ a.nasion_skin_mm,
            target="plan",
            source="after",
        ),
        covariance=np.diag([0.003] * 3 + [9.0] * 3),
        centre_mm=b.nasion_skin_mm,
    )


def by_skull(after: CtHead, before: CtHead, start: Rigid) -> Overlay:
    """By the skulls of both scans.

    Raises
    ------
    MeasurementError
        The two skulls do not lie over each other: not one head, or too little in both scans.
    """
    match = match_skulls(
        Scanned(volume=after.volume, head=after.coarse, frame=after.frame),
        Scanned(volume=before.volume, head=before.coarse, frame=before.frame),
        start,
    )
    limit = value("after_skulls_apart")
    if match.apart_75_mm > limit:
        raise MeasurementError(
            found="the skulls of the two scans lie apart: a quarter of the places by more than "
            f"{match.apart_75_mm:.1f} mm",
            expected=f"one head scanned twice, at most {limit:.1f} mm",
            next_step="check that plan and both scans are of the same head",
        )
    return Overlay(
        plan_from_after=_named(match.second_from_first),
        covariance=match.covariance,
        centre_mm=match.centre_mm,
        match=match,
    )


def by_landmarks(parts: CtParts, plan: Plan) -> Overlay:
    """By the midsagittal plane and what lies on it, found on both.

    Raises
    ------
    MeasurementError
        The plan holds too few of them, or they do not fit this head.
    """
    plane = plan.midsagittal_plane
    pairs = _pairs(parts, plan)
    if plane is None or len(pairs) < 2:
        raise MeasurementError(
            found="a plan without a midsagittal plane and two landmarks on it",
            expected="a plan from a scan, a surface or landmarks",
            next_step="give the scan that the plan was made on with --before",
        )
    head = parts.head
    there = Plane(point_mm=plane.point_mm, unit_normal=plane.unit_normal)
    here = parts.midsagittal
    names = tuple(pairs)
    a = np.stack([here.project(pairs[n][0][None])[0] for n in names])
    b = np.stack([there.project(pairs[n][1][None])[0] for n in names])
    sd = np.array([pairs[n][2] for n in names])
    weight = 1.0 / sd**2
    mean_a, mean_b = (np.average(p, axis=0, weights=weight) for p in (a, b))
    axes_a, axes_b = _in_plane(here.unit_normal), _in_plane(there.unit_normal)
    qa, qb = (a - mean_a) @ axes_a.T, (b - mean_b) @ axes_b.T
    dot = float(np.sum(weight * (qa * qb).sum(axis=1)))
    turn_of = float(np.sum(weight * (qa[:, 0] * qb[:, 1] - qa[:, 1] * qb[:, 0])))
    angle = np.arctan2(turn_of, dot)
    c, s = np.cos(angle), np.sin(angle)
    flat = np.array([[c, -s], [s, c]])
    rotation = axes_b.T @ flat @ axes_a + np.outer(there.unit_normal, here.unit_normal)
    translation = mean_b - rotation @ mean_a
    off = np.linalg.norm(a @ rotation.T + translation - b, axis=1)
    least = value("landmark_caution")
    odd = [n for n, gap, of in zip(names, off, sd, strict=True) if gap > max(least, _ODD_SDS * of)]
    if odd:
        worst = float(off.max())
        raise MeasurementError(
            found=f"the plan's landmarks do not fit this head: {', '.join(odd)} up to "
            f"{worst:.0f} mm apart",
            expected="a plan of this head",
            next_step="check that plan and scan are of the same head; give the plan's own scan "
            "with --before",
        )
    lever = float(np.sum(weight * (qa**2).sum(axis=1)))
    more = max(1.0, float(np.sum(weight * off**2)) / max(2 * len(names) - 3, 1))
    plane_sd = np.hypot(float(head.plane_sd_mm(head.frame.origin_mm)[0]), 0.5 * plane.sd_mm)
    tilt = np.hypot(
        float(np.sqrt(np.sum(np.diag(head.plane_covariance)[1:]) / 2.0)), np.radians(plane.sd_deg)
    )
    normal = there.unit_normal
    across = np.eye(3) - np.outer(normal, normal)
    covariance = np.zeros((6, 6))
    covariance[:3, :3] = tilt**2 * across + more / lever * np.outer(normal, normal)
    covariance[3:, 3:] = (
        plane_sd**2 * np.outer(normal, normal) + more / float(weight.sum()) * across
    )
    return Overlay(
        plan_from_after=_named(
            Rigid(rotation=rotation, translation=translation, target="p", source="a")
        ),
        covariance=covariance,
        centre_mm=mean_b,
        landmarks=("midsagittal plane", *names),
    )


def _named(motion: Rigid) -> Rigid:
    return Rigid(
        rotation=motion.rotation, translation=motion.translation, target="plan", source="after"
    )


def _in_plane(normal: FloatArray) -> FloatArray:
    """Two axes (rows) that with the normal are right-handed."""
    seed = np.eye(3)[int(np.argmin(np.abs(normal)))]
    u = seed - (seed @ normal) * normal
    u = u / np.linalg.norm(u)
    return np.stack([u, np.cross(normal, u)])


def _pairs(parts: CtParts, plan: Plan) -> dict[str, tuple[FloatArray, FloatArray, float]]:
    """Landmarks of both, with the standard deviation of their difference."""
    head, suture = parts.head, parts.suture
    found: dict[str, tuple[FloatArray | None, float]] = {
        "nasion_skin": (head.nasion_skin_mm, head.nasion_skin_sd_mm),
        "nasion_bone": (head.nasion_bone_mm, head.nasion_bone_sd_mm),
        "inion": (head.inion_skin_mm, head.inion_sd_mm),
        "inion_bone": (head.inion_bone_mm, head.inion_sd_mm),
        "bregma": (
            suture.bregma_mm if suture.bregma_how is not How.ESTIMATED else None,
            suture.bregma_sd_mm,
        ),
    }
    out = {}
    for name, (here, sd) in found.items():
        there = plan.landmarks.get(name)
        if here is None or there is None or there.how is How.ESTIMATED:
            continue
        # Given by hand, a point carries its reader's error too.
        readers = there.definition_sd_mm if there.how is How.GIVEN else 0.0
        out[name] = (here, there.position_mm, float(np.sqrt(sd**2 + there.sd_mm**2 + readers**2)))
    return out
