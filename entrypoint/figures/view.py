"""A flat view of the head: where it is seen from, and what lies on its page."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from entrypoint.errors import MeasurementError
from entrypoint.planning.model import MidsagittalPlane, Plan, Side

if TYPE_CHECKING:
    from entrypoint.volume.volume import Volume

__all__ = ["View", "path_of", "turned_to_path", "upright", "views_along_path"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """A page in the world: ``unit_page_right`` and ``unit_page_up`` through ``origin_mm``.

    ``unit_to_viewer`` points from the page to the eye.
    """

    origin_mm: FloatArray
    unit_page_right: FloatArray
    unit_page_up: FloatArray
    seen_from: str
    left_edge: str
    right_edge: str

    @property
    def unit_to_viewer(self) -> FloatArray:
        """From the page towards the eye: right x up, as for anyone who looks at a page."""
        return np.cross(self.unit_page_right, self.unit_page_up)

    def page_from_world(self, points_mm: ArrayLike) -> FloatArray:
        """Page coordinates (..., 2) in mm of world points (..., 3); depth is dropped."""
        away = np.asarray(points_mm, dtype=float) - self.origin_mm
        return np.stack([away @ self.unit_page_right, away @ self.unit_page_up], axis=-1)

    def world_from_page(self, page_mm: ArrayLike) -> FloatArray:
        """World points (..., 3) on the page of page coordinates (..., 2)."""
        page = np.asarray(page_mm, dtype=float)
        return np.asarray(
            self.origin_mm
            + page[..., :1] * self.unit_page_right
            + page[..., 1:] * self.unit_page_up
        )

    def resample(
        self, volume: Volume, extent_mm: tuple[float, float, float, float], step_mm: float
    ) -> FloatArray:
        """HU on the page.

        Parameters
        ----------
        volume : Volume
        extent_mm : left, right, bottom, top
            Outer edges of the picture, page mm.
        step_mm : float
            Edge of a pixel.

        Returns
        -------
        (rows, columns) array, HU
            First row at the top; NaN where the scan shows nothing.
        """
        left, right, bottom, top = extent_mm
        x = np.arange(left + step_mm / 2, right, step_mm)
        y = np.arange(top - step_mm / 2, bottom, -step_mm)
        page = np.stack(np.meshgrid(x, y), axis=-1)
        return np.asarray(volume.sample_hu(self.world_from_page(page)))


def path_of(plan: Plan, side: Side) -> tuple[FloatArray, FloatArray, MidsagittalPlane]:
    """Scalp entry and inward direction of a side, and the plane that tells the sides apart.

    Raises
    ------
    MeasurementError
        When the plan holds no path on that side, or no midsagittal plane.
    """
    planned = plan.sides.get(side)
    if (
        planned is None
        or planned.scalp_entry_mm is None
        or planned.unit_inward is None
        or plan.midsagittal_plane is None
    ):
        raise MeasurementError(
            found=f"no path on the patient's {side.value} in this plan",
            expected="a plan from a CT volume with that side in it",
            next_step="plan that side, or look at the findings that say why there is no path",
        )
    return planned.scalp_entry_mm, planned.unit_inward, plan.midsagittal_plane


def views_along_path(plan: Plan, side: Side) -> tuple[View, View]:
    """Two sections that hold the path: along the head, and across it.

    The first is the plane nearest to parallel with the midsagittal one that the path lies in,
    seen from the named side. The second stands square to the midsagittal plane, so that across
    its page every distance is a true distance to the midline; it is seen from behind, so that
    the patient's right is on the page's right.

    Raises
    ------
    MeasurementError
        See :func:`path_of`.
    """
    entry, unit_inward, plane = path_of(plan, side)
    unit_right = plane.unit_normal
    across = unit_right - (unit_right @ unit_inward) * unit_inward
    unit_across = across / np.linalg.norm(across)  # square to the lengthwise section

    up = upright(plan, unit_right, unit_across)
    viewer = unit_across if side is Side.RIGHT else -unit_across
    along_right = np.cross(up, viewer)
    front_is_right = side is Side.RIGHT
    along = View(
        origin_mm=entry,
        unit_page_right=along_right,
        unit_page_up=up,
        seen_from=f"the PATIENT'S {side.value.upper()}",
        left_edge="BACK" if front_is_right else "FRONT",
        right_edge="FRONT" if front_is_right else "BACK",
    )
    outward = -(unit_inward - (unit_inward @ unit_right) * unit_right)
    middle = entry - ((entry - plane.point_mm) @ unit_right) * unit_right
    cross = View(
        origin_mm=middle,
        unit_page_right=unit_right,
        unit_page_up=outward / np.linalg.norm(outward),
        seen_from="behind and above",
        left_edge="PATIENT'S LEFT",
        right_edge="PATIENT'S RIGHT",
    )
    return along, cross


def turned_to_path(plan: Plan, side: Side, along: View) -> View:
    """The lengthwise section turned on its page until the path runs straight down it."""
    entry, unit_inward, _ = path_of(plan, side)
    return View(
        origin_mm=entry,
        unit_page_right=np.cross(-unit_inward, along.unit_to_viewer),
        unit_page_up=-unit_inward,
        seen_from=along.seen_from,
        left_edge=along.left_edge,
        right_edge=along.right_edge,
    )


def upright(plan: Plan, unit_right: FloatArray, unit_normal: FloatArray) -> FloatArray:
    """The head's upward direction in a plane: square to the line from inion to nasion."""
    nasion, inion = plan.landmarks.get("nasion_skin"), plan.landmarks.get("inion")
    if nasion is not None and inion is not None:
        up = np.cross(unit_right, nasion.position_mm - inion.position_mm)
    else:
        up = np.array([0.0, 0.0, 1.0])
    up = up - (up @ unit_normal) * unit_normal
    return np.asarray(up / np.linalg.norm(up))
