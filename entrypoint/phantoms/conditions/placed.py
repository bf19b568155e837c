"""What a scan after placement shows: a bolt and a thin sensor of known pose, and their traces.

Sizes and densities are common practice, no source. Metal is painted far beyond the range that a
scanner stores: the point spread makes it bloom, and the picture's own limit clips it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from entrypoint.phantoms.conditions.base import Condition, Patch, site_direction
from entrypoint.phantoms.conditions.draped import around, thread, unit
from entrypoint.phantoms.fields import Array, Point, sphere
from entrypoint.phantoms.layers import Context, Layer

if TYPE_CHECKING:
    from entrypoint.phantoms.head import Head

__all__ = ["Clips", "DentalMetal", "PlacedBolt"]

FloatArray = NDArray[np.float64]
_STREAK_SEED, _STREAKS = 67, (3, 4, 5, 7, 9, 12, 16)


def _point(v: Array) -> Point:
    return (float(v[0]), float(v[1]), float(v[2]))


def _rod(a: Array, b: Array, radius: float, hu: float, name: str) -> Layer:
    """A rod whose rounded ends reach just to two points."""
    along = unit(b - a)
    ends = [_point(a + radius * along), _point(b - radius * along)]
    where = around([(*p, radius) for p in ends], 6.0)
    return Layer(name, lambda c: thread(c.p, ends, radius), hu, where)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedBolt(Condition):
    """A bolt through the skull and a thin sensor through it, of a chosen entry, tilt and depth.

    Parameters
    ----------
    ahead_mm, lateral_mm : float
        About where, in front of the rule's point and from the midline.
    tilt_deg, turn_deg : float
        Angle from the perpendicular of the bone, and which way the inner end leans: 0 towards
        the front, 90 towards the patient's right.
    depth_mm : float
        Of the very tip below the inner table along the path; negative: outside it.
    faint_mm : float
        Length of the sensor below the bolt that reads ``faint_hu``; the rest reads ``sensor_hu``.
    bend_mm : float
        How far the tip lies off the bolt's axis, towards the midline.
    track_air_mm, track_blood_mm : float
        Radius of a bubble at the inner table, and of clot round the path under it; 0: none.
    streak_hu : float
        Strength of the rays within the slices that hold metal.
    """

    code: ClassVar[str] = "placed_bolt"
    rank: ClassVar[int] = 63
    side: str = "right"
    ahead_mm: float = 0.0
    lateral_mm: float = 30.0
    tilt_deg: float = 0.0
    turn_deg: float = 0.0
    depth_mm: float = 15.0
    radius_mm: float = 2.6
    above_mm: float = 27.0  # of the shaft outside the outer table
    below_mm: float = 6.0  # of the shaft inside it
    cap_radius_mm: float = 4.2
    cap_mm: float = 9.0
    metal_hu: float = 9000.0
    sensor_radius_mm: float = 0.6
    sensor_hu: float = 3500.0
    faint_mm: float = 0.0
    faint_hu: float = 150.0
    bend_mm: float = 0.0
    track_air_mm: float = 0.0
    track_blood_mm: float = 0.0
    streak_hu: float = 150.0

    def pose(self, head: Head) -> tuple[FloatArray, FloatArray]:
        """Outer-table point and inward unit direction of the axis, head frame."""
        from entrypoint.phantoms.site import crossings

        place = site_direction(head, self.side, ahead_mm=self.ahead_mm, lateral_mm=self.lateral_mm)
        foot, inward = head.foot(place)
        patch = Patch.at(_point(foot))
        front = unit(patch.along - (patch.along @ inward) * inward)
        right = unit(patch.across - (patch.across @ inward) * inward)
        right = unit(right - (right @ front) * front)
        turn, tilt = np.deg2rad(self.turn_deg), np.deg2rad(self.tilt_deg)
        lean = np.cos(turn) * front + np.sin(turn) * right
        axis = unit(np.cos(tilt) * inward + np.sin(tilt) * lean)
        # The foot of the perpendicular stays on the path.
        return np.asarray(crossings(head.shape, foot, axis).outer), np.asarray(axis)

    def inner_mm(self, head: Head) -> FloatArray:
        """Where the axis leaves the bone, head frame."""
        from entrypoint.phantoms.site import crossings

        foot, axis = self.pose(head)
        return np.asarray(crossings(head.shape, foot, axis).inner)

    def tip(self, head: Head) -> FloatArray:
        """The sensor's very tip, head frame."""
        _, axis = self.pose(head)
        aside = np.array([-1.0 if self.side == "right" else 1.0, 0.0, 0.0])
        aside = unit(aside - (aside @ axis) * axis)
        return np.asarray(self.inner_mm(head) + self.depth_mm * axis + self.bend_mm * aside)

    def layers(self, head: Head) -> list[Layer]:
        """Clot and air round the path, then shaft, cap and sensor."""
        foot, axis = self.pose(head)
        inner, tip = self.inner_mm(head), self.tip(head)
        top, low = foot - self.above_mm * axis, foot + self.below_mm * axis
        out: list[Layer] = []
        if self.track_blood_mm > 0.0:
            deep = inner + max(self.depth_mm, 8.0) * axis
            out.append(
                _rod(inner + 0.5 * axis, deep, self.track_blood_mm, 68.0, "clot on the path")
            )
        if self.track_air_mm > 0.0:
            beside = unit(np.cross(axis, [0.0, 0.0, 1.0]))
            middle = inner + (self.track_air_mm + 1.0) * axis + 2.5 * beside
            ball = _point(middle)
            out.append(
                Layer(
                    "air on the path",
                    lambda c: sphere(c.p, ball, self.track_air_mm),
                    -960.0,
                    around([(*ball, self.track_air_mm)], 6.0),
                )
            )
        lead = top - 6.0 * axis
        if (tip - low) @ axis > 0.0:
            end = low + min(self.faint_mm, float((tip - low) @ axis)) * axis
            if self.faint_mm > 0.5:
                out.append(
                    _rod(low - axis, end, self.sensor_radius_mm, self.faint_hu, "faint sensor")
                )
            if (tip - end) @ axis > 0.5:
                out.append(_rod(end, tip, self.sensor_radius_mm, self.sensor_hu, "sensor"))
        out.append(_rod(top, low, self.radius_mm, self.metal_hu, "bolt"))
        out.append(
            _rod(
                top - 1.0 * axis, top + self.cap_mm * axis, self.cap_radius_mm, self.metal_hu, "cap"
            )
        )
        out.append(_rod(lead, top, self.sensor_radius_mm, self.sensor_hu, "lead"))
        return out

    def image(self, hu: Array, head: Head, world_from_index: Array) -> Array:
        """Add rays within each slice that holds metal, stronger where more of it lies."""
        if self.streak_hu <= 0.0:
            return hu
        foot, axis = self.pose(head)
        m = head.world_from_head
        t = np.arange(-self.above_mm, self.below_mm, 0.25)
        world = (foot + t[:, None] * axis) @ m[:3, :3].T + m[:3, 3]
        index = world - world_from_index[:3, 3]
        index = index @ np.linalg.inv(world_from_index[:3, :3]).T
        # Slices are square to the patient's long axis in a head scan.
        thin = int(np.argmax(np.abs(world_from_index[2, :3])))
        flat = [k for k in range(3) if k != thin]
        step = np.linalg.norm(world_from_index[:3, :3], axis=0)
        view = np.moveaxis(hu, thin, 2)
        rng = np.random.default_rng([head.spec.seed, _STREAK_SEED])
        weight, phase = rng.standard_normal(len(_STREAKS)), rng.uniform(0, 6.3, len(_STREAKS))
        for k in range(view.shape[2]):
            here = np.abs(index[:, thin] - k) < 0.75
            if not here.any():
                continue
            centre = index[here][:, flat].mean(axis=0)
            long = float(here.sum()) * 0.25 * float(np.linalg.norm((m[:3, :3] @ axis)[:2]))
            i = (np.arange(view.shape[0]) - centre[0])[:, None] * step[flat[0]]
            j = (np.arange(view.shape[1]) - centre[1])[None, :] * step[flat[1]]
            angle, away = np.arctan2(j, i), np.hypot(i, j)
            rays = sum(
                w * np.cos(n * angle + p + 0.05 * k)
                for n, w, p in zip(_STREAKS, weight, phase, strict=True)
            )
            strength = self.streak_hu / 2.6 * min(1.0, 0.4 + long / 8.0) / (1.0 + away / 18.0)
            rays = (rays * strength).astype(np.float32)
            body = view[:, :, k] > -700.0
            view[:, :, k] += np.where(body, rays, 0.35 * rays)
        return hu

    def bone_gap_mm(self, head: Head, point_mm: Array) -> float | None:
        """Distance to the shaft, which hides the bone."""
        foot, axis = self.pose(head)
        q = point_mm - foot
        return max(0.0, float(np.linalg.norm(q - (q @ axis) * axis)) - self.radius_mm)

    def truth(self, head: Head) -> dict[str, Any]:
        """Pose, tip, depth and what lies on the path, world mm."""
        foot, axis = self.pose(head)
        m = head.world_from_head

        def world(p: Array) -> list[float]:
            return [float(v) for v in m[:3, :3] @ p + m[:3, 3]]

        inner = self.inner_mm(head)
        return {
            "side": self.side,
            "outer_table_mm": world(foot),
            "inner_table_mm": world(inner),
            "skull_mm": float(np.linalg.norm(inner - foot)),
            "tip_mm": world(self.tip(head)),
            "unit_inward": [float(v) for v in m[:3, :3] @ axis],
            "depth_below_inner_table_mm": self.depth_mm,
            "tilt_deg": self.tilt_deg,
            "bend_mm": self.bend_mm,
            "track_air_mm": self.track_air_mm,
            "track_blood_mm": self.track_blood_mm,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Clips(Condition):
    """A row of skin clips over a wound of the scalp."""

    code: ClassVar[str] = "clips"
    rank: ClassVar[int] = 57
    side: str = "right"
    count: int = 6
    apart_mm: float = 6.0
    wire_mm: float = 0.3  # radius
    ahead_mm: float = -14.0
    lateral_mm: float = 44.0

    def layers(self, head: Head) -> list[Layer]:
        """Each a bar on the skin with two legs in it."""
        shape, out = head.shape, []
        patch = Patch.at(
            site_direction(head, self.side, ahead_mm=self.ahead_mm, lateral_mm=self.lateral_mm)
        )
        r = float(shape.outer(patch.n[None])[0])
        for i in range(self.count):
            rows = []
            for across, low in ((-2.6, -3.2), (-2.6, 0.2), (2.6, 0.2), (2.6, -3.2)):
                u = unit(
                    patch.n * r
                    + (i - 0.5 * self.count) * self.apart_mm * patch.along
                    + across * patch.across
                )
                skin = float(shape.outer(u[None])[0] + shape.scalp(u[None])[0])
                rows.append(_point(u * (skin + low)))
            where = around([(*p, self.wire_mm) for p in rows], 5.0)
            out.append(
                Layer(
                    "clip",
                    lambda c, rows=rows: thread(c.p, rows, self.wire_mm),  # type: ignore[misc]
                    12000.0,
                    where,
                )
            )
        return out

    def truth(self, head: Head) -> dict[str, Any]:
        """Side and how many."""
        return {"side": self.side, "count": self.count}


@dataclass(frozen=True, slots=True, kw_only=True)
class DentalMetal(Condition):
    """Crowns and fillings on both sides of the jaw."""

    code: ClassVar[str] = "dental_metal"
    rank: ClassVar[int] = 56
    radius_mm: float = 3.6

    def layers(self, head: Head) -> list[Layer]:
        """Balls where back teeth stand."""
        out = []
        for s in (-1.0, 1.0):
            for x, y in ((24.0, 60.0), (21.0, 70.0)):
                at = _point(np.array([s * x, y, -104.0]) * head.shape.scale)

                def tooth(c: Context, at: Point = at) -> Array:
                    return sphere(c.p, at, self.radius_mm)

                out.append(Layer("crown", tooth, 12000.0, around([(*at, self.radius_mm)], 5.0)))
        return out

    def truth(self, head: Head) -> dict[str, Any]:
        """Size."""
        return {"radius_mm": self.radius_mm}
