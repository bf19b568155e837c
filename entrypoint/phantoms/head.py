"""A head: its pose, its layers, its picture and its exact answers."""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from entrypoint.phantoms.bones import skull_layers
from entrypoint.phantoms.brain import brain_layers
from entrypoint.phantoms.face import face_layers
from entrypoint.phantoms.fields import Bumps
from entrypoint.phantoms.grid import GridSpec
from entrypoint.phantoms.layers import Box, Layer
from entrypoint.phantoms.render import Scanner, render_layers
from entrypoint.phantoms.rest import rest_layers
from entrypoint.phantoms.shape import Shape
from entrypoint.phantoms.soft import airway_layers, soft_layers
from entrypoint.phantoms.spec import HeadSpec
from entrypoint.phantoms.spine import spine_layers
from entrypoint.phantoms.sutures import suture_layers

if TYPE_CHECKING:
    from entrypoint.phantoms.conditions.base import Condition

__all__ = ["Head", "build"]


def build(spec: HeadSpec) -> Head:
    """Make a head from its parameters."""
    return Head(spec)


class Head:
    """An analytic head in the scanner.

    Attributes
    ----------
    spec : HeadSpec
    shape : Shape
        The smooth surfaces.
    world_from_head : array (4, 4)
        Pose: head frame to world RAS mm.
    """

    def __init__(self, spec: HeadSpec) -> None:
        """Shape the head and plant its conditions."""
        self.spec = spec
        none: tuple[Bumps, ...] = ()
        self.shape = Shape(spec)  # the head before anything was planted: conditions aim by it
        scalp, skull, thick = none, none, none
        for condition in spec.conditions:
            scalp += tuple(b for b in (condition.scalp_bumps(self),) if b is not None)
            skull += tuple(b for b in (condition.skull_bumps(self),) if b is not None)
            thick += tuple(b for b in (condition.thickness_bumps(self),) if b is not None)
        self.shape = Shape(spec, scalp, skull, thick)
        self.world_from_head = _pose(spec)
        self._feet: dict[tuple[float, ...], tuple[NDArray[np.float64], NDArray[np.float64]]] = {}

    @property
    def conditions(self) -> list[Condition]:
        """What is planted, in the order in which it is painted."""
        return sorted(self.spec.conditions, key=lambda c: c.rank)

    @cached_property
    def bregma_rad(self) -> float:
        """Polar angle of the bregma in the midsagittal plane."""
        from entrypoint.phantoms.profile import bregma_angle

        return bregma_angle(self.shape, self.spec.nasion_bregma_arc_mm)

    def foot(
        self, direction: tuple[float, float, float]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Foot on the outer table and inward direction of the perpendicular from a skin point.

        ``direction`` leads from the head's origin to the skin point; worked out once.
        """
        if direction not in self._feet:
            from entrypoint.phantoms.site import perpendicular

            u = np.array(direction)
            start = u * float(self.shape.outer(u[None])[0] + self.shape.scalp(u[None])[0])
            self._feet[direction] = perpendicular(self.shape, start)
        return self._feet[direction]

    def inside(self, direction: tuple[float, float, float], lo_mm: float, hi_mm: float) -> Box:
        """Box of a given half size about the outer table in a direction."""
        u = np.array(direction, dtype=float)
        u /= np.linalg.norm(u)
        p = u * float(self.shape.outer(u[None])[0])
        return (
            (p[0] + lo_mm, p[1] + lo_mm, p[2] + lo_mm),
            (p[0] + hi_mm, p[1] + hi_mm, p[2] + hi_mm),
        )

    def layers(self) -> list[Layer]:
        """Everything that is painted, in order."""
        s = self.shape
        out: list[Layer] = []
        for condition in self.conditions:
            out += condition.surroundings(self)
        if self.spec.head_rest:
            lift = sum(c.lift_mm for c in self.conditions)
            out += rest_layers(s, self.world_from_head, 150.0, lift)
        out += soft_layers(s)
        out += airway_layers(s)
        out += skull_layers(s)
        out += suture_layers(s, self.bregma_rad)
        out += face_layers(s)
        out += spine_layers(s)
        out += brain_layers(s)
        for condition in self.conditions:
            out += condition.layers(self)
        return out

    def box_world(
        self, *, below_mm: float = 152.0, margin_mm: float = 8.0, behind_mm: float = 22.0
    ) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
        """World box round the head, from ``below_mm`` under its origin to above the vertex."""
        s = self.shape
        scale = np.array(s.scale)
        z = np.linspace(-0.45, 1.0, 30)
        phi = np.linspace(0.0, 2 * np.pi, 60)
        zz, pp = np.meshgrid(z, phi, indexing="ij")
        ring = np.sqrt(1 - zz**2)
        u = np.stack([ring * np.cos(pp), ring * np.sin(pp), zz], axis=-1).reshape(-1, 3)
        vault = u * (s.outer(u) + s.scalp(u))[:, None]
        # tip of the nose, chin, ears, cut of the neck
        far = (
            np.array(
                [
                    [0, 97 + 22 * self.spec.nose_scale, -76],
                    [0, 96, -140],
                    [90, -22, -30],
                    [-90, -22, -30],
                    [0, 92, -below_mm],
                    [0, -88, -below_mm],
                    [58, -35, -below_mm],
                    [-58, -35, -below_mm],
                ]
            )
            * scale
        )
        far[:, 2] = np.maximum(far[:, 2], -below_mm * scale[2])
        points = np.concatenate([vault, far])
        w = points @ self.world_from_head[:3, :3].T + self.world_from_head[:3, 3]
        room = np.max([(0.0, 0.0, 0.0), *(c.room_mm for c in self.conditions)], axis=0)
        lo = w.min(axis=0) - margin_mm - room * (1.0, 0.0, 0.0)
        hi = w.max(axis=0) + margin_mm + room
        lo[1] -= behind_mm
        return (
            (float(lo[0]), float(lo[1]), float(lo[2])),
            (float(hi[0]), float(hi[1]), float(hi[2])),
        )

    def grid(
        self,
        *,
        voxel_mm: float = 0.5,
        slice_mm: float = 0.6,
        axes: str = "LPS",
        oblique_deg: tuple[float, float, float] = (0.0, 0.0, 0.0),
        shear: float = 0.0,
        below_mm: float = 152.0,
        margin_mm: float = 8.0,
        behind_mm: float = 22.0,
        field: str | None = None,
    ) -> GridSpec:
        """Grid that holds the whole head to below the chin; see :meth:`GridSpec.around`.

        ``field`` names a field of view that loses a part of it, a key of
        :data:`entrypoint.phantoms.fov.FIELDS`.
        """
        from entrypoint.phantoms.fov import cut

        lo, hi = self.box_world(below_mm=below_mm, margin_mm=margin_mm, behind_mm=behind_mm)
        whole = GridSpec.around(
            lo,
            hi,
            voxel_mm=voxel_mm,
            slice_mm=slice_mm,
            axes=axes,
            oblique_deg=oblique_deg,
            shear=shear,
        )
        return whole if field is None else cut(whole, self, field)

    def render(
        self,
        grid: GridSpec,
        scanner: Scanner | None = None,
        *,
        seed: int | None = None,
        dtype: type = np.float32,
    ) -> tuple[NDArray[np.int16], NDArray[np.float64]]:
        """Take a CT of the head.

        Parameters
        ----------
        grid : GridSpec
        scanner : Scanner, optional
            Point spread, kernel and noise.
        seed : int, optional
            Of the noise; the head's own seed by default.
        dtype : type
            ``float64`` makes the result repeatable to the byte between machines, at half speed.

        Returns
        -------
        hu : array of int16, ``grid.shape``
        world_from_index : array (4, 4)
        """
        from entrypoint.phantoms.noise import add_noise

        scanner = scanner or Scanner()
        hu = render_layers(
            self.layers(),
            self.shape,
            grid,
            scanner,
            np.linalg.inv(self.world_from_head),
            dtype=dtype,
        )
        for condition in self.conditions:
            hu = condition.image(hu, self, grid.world_from_index)
        rng = np.random.default_rng([self.spec.seed if seed is None else seed, 5])
        flat = None if scanner.noisy_air else hu < -840.0
        before = hu if flat is None else hu.copy()
        add_noise(hu, scanner.noise_hu, scanner.noise_grain, rng, grid.slice_axis)
        if flat is not None:
            hu[flat] = before[flat]
        hu /= scanner.step_hu
        np.rint(hu, out=hu)
        hu *= scanner.step_hu
        np.clip(hu, -1024, 3071, out=hu)
        return hu.astype(np.int16), grid.world_from_index.copy()

    def truth(
        self,
        midline_arc_mm: float = 110.0,
        lateral_arc_mm: float = 30.0,
        sensor_depth_mm: float = 15.0,
        suture_margin_mm: float = 10.0,
    ) -> dict[str, Any]:
        """Exact answers, world mm; see :func:`entrypoint.phantoms.truth.exact_answers`."""
        from entrypoint.phantoms.truth import exact_answers

        return exact_answers(
            self, midline_arc_mm, lateral_arc_mm, sensor_depth_mm, suture_margin_mm
        )


def _pose(spec: HeadSpec) -> NDArray[np.float64]:
    y, p, r = np.deg2rad([spec.yaw_deg, spec.pitch_deg, spec.roll_deg])
    rz = np.array([[np.cos(y), -np.sin(y), 0], [np.sin(y), np.cos(y), 0], [0, 0, 1]])
    rx = np.array([[1, 0, 0], [0, np.cos(p), -np.sin(p)], [0, np.sin(p), np.cos(p)]])
    ry = np.array([[np.cos(r), 0, np.sin(r)], [0, 1, 0], [-np.sin(r), 0, np.cos(r)]])
    m = np.eye(4)
    m[:3, :3] = rz @ rx @ ry
    m[:3, 3] = spec.centre_mm
    return m
