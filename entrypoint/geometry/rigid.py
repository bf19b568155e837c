"""Rigid transforms named by both ends: ``head_from_world`` takes world points to the head."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from entrypoint.errors import GeometryError
from entrypoint.geometry.guards import as_point_mm, as_points_mm, read_only, unit

__all__ = ["Rigid", "rotation_about"]

FloatArray = NDArray[np.float64]


def rotation_about(axis: ArrayLike, angle_deg: float) -> FloatArray:
    """Rotation matrix about an axis by the right-hand rule (Rodrigues' formula)."""
    x, y, z = unit(axis, "axis")
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    angle = np.radians(angle_deg)
    return np.asarray(np.eye(3) + np.sin(angle) * cross + (1.0 - np.cos(angle)) * cross @ cross)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rigid:
    """A rotation followed by a translation.

    Parameters
    ----------
    rotation : ndarray, shape (3, 3)
        Proper rotation; anything else is refused, so that no transform can swap the sides.
    translation : ndarray, shape (3,)
        mm, in the target frame.
    target, source : str
        Names of the frames: the transform is ``target_from_source``.

    Raises
    ------
    GeometryError
        The matrix is not a proper rotation.

    Examples
    --------
    >>> head_from_world = Rigid(rotation=rotation_about([0, 0, 1], 90), translation=[0, 0, 5],
    ...                         target="head", source="world")
    >>> head_from_world.apply([[1, 0, 0]]).round(6) + 0.0
    array([[0., 1., 5.]])
    >>> Rigid(rotation=[[-1, 0, 0], [0, 1, 0], [0, 0, 1]], translation=[0, 0, 0])
    Traceback (most recent call last):
    ...
    entrypoint.errors.GeometryError: A matrix that is not a proper rotation ...
    """

    rotation: FloatArray
    translation: FloatArray
    target: str = ""
    source: str = ""

    def __post_init__(self) -> None:
        """Check and freeze what was given."""
        r = np.array(self.rotation, dtype=np.float64)
        proper = (
            r.shape == (3, 3)
            and bool(np.isfinite(r).all())
            and float(np.abs(r @ r.T - np.eye(3)).max()) < 1e-6
            and float(np.linalg.det(r)) > 0.0
        )
        if not proper:
            raise GeometryError(
                found="a matrix that is not a proper rotation (it shears, scales or mirrors)",
                expected="a right-handed orthonormal 3 x 3 matrix",
                next_step="check the axes it was made from",
            )
        object.__setattr__(self, "rotation", read_only(r))
        object.__setattr__(self, "translation", as_point_mm(self.translation, "translation"))

    @classmethod
    def from_axes(
        cls, *, origin_mm: ArrayLike, unit_axes: ArrayLike, target: str, source: str
    ) -> Rigid:
        """Transform to a frame given by its origin and its axes (rows) in the source frame."""
        axes = np.array(unit_axes, dtype=np.float64)
        moved = -axes @ as_point_mm(origin_mm, "origin")
        return cls(rotation=axes, translation=moved, target=target, source=source)

    def apply(self, points: ArrayLike) -> FloatArray:
        """Points (n, 3) of the source frame, in the target frame."""
        return np.asarray(as_points_mm(points) @ self.rotation.T + self.translation)

    def apply_point(self, point: ArrayLike) -> FloatArray:
        """One point (3,) of the source frame, in the target frame."""
        return np.asarray(self.rotation @ as_point_mm(point) + self.translation)

    def turn(self, directions: ArrayLike) -> FloatArray:
        """Directions, shape (3,) or (n, 3), in the target frame."""
        return np.asarray(np.asarray(directions, dtype=np.float64) @ self.rotation.T)

    def inverse(self) -> Rigid:
        """Return the transform back."""
        back = self.rotation.T
        return Rigid(
            rotation=back,
            translation=-back @ self.translation,
            target=self.source,
            source=self.target,
        )

    def compose(self, first: Rigid) -> Rigid:
        """``self`` after ``first``; the frames between them must carry the same name.

        Raises
        ------
        GeometryError
            The frames do not meet.
        """
        if self.source != first.target:
            raise GeometryError(
                found=f"{self.target}_from_{self.source} after {first.target}_from_{first.source}",
                expected="two transforms that share the frame between them",
                next_step="invert one of them, or change their order",
            )
        return Rigid(
            rotation=self.rotation @ first.rotation,
            translation=self.rotation @ first.translation + self.translation,
            target=self.target,
            source=first.source,
        )

    def matrix(self) -> FloatArray:
        """Return the 4 x 4 homogeneous form."""
        out = np.eye(4)
        out[:3, :3] = self.rotation
        out[:3, 3] = self.translation
        return out
