"""A voxel grid: its shape and where its voxel centres lie in the world, without any voxels.

Index ``(i, j, k)`` is the *centre* of a voxel; the grid spans -0.5 to n - 0.5 along each axis.
Matrices may be sheared (gantry tilt) and left-handed; nothing here reads a side from a sign.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import permutations, product

import numpy as np
from numpy.typing import ArrayLike, NDArray

from entrypoint.errors import GeometryError

FloatArray = NDArray[np.float64]
Index3 = tuple[int, int, int]

# A grid whose axes span almost no volume cannot be inverted with any meaning.
_LEAST_RELATIVE_VOLUME = 1e-6
_CHOICES: list[tuple[Index3, tuple[bool, bool, bool]]] = [
    ((order[0], order[1], order[2]), (flips[0], flips[1], flips[2]))
    for order in permutations(range(3))
    for flips in product((False, True), repeat=3)
]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Grid:
    """Shape and place of a block of voxels.

    Parameters
    ----------
    shape : (ni, nj, nk)
        Number of voxels along each axis.
    world_from_index : (4, 4) array
        Takes homogeneous voxel indices to world RAS mm.

    Raises
    ------
    GeometryError
        When a size is not positive or the matrix is not finite, not affine, or flat.

    Examples
    --------
    >>> grid = Grid(shape=(10, 20, 30), world_from_index=np.diag([-0.5, 0.5, 2.0, 1.0]))
    >>> grid.voxel_mm
    (0.5, 0.5, 2.0)
    >>> grid.world([[1, 1, 1]]).tolist()
    [[-0.5, 0.5, 2.0]]
    >>> Grid(shape=(10, 20, 30), world_from_index=np.diag([1.0, 1.0, 0.0, 1.0]))
    Traceback (most recent call last):
    ...
    entrypoint.errors.GeometryError: The grid's axes span no volume; expected three axes that are \
not in one plane; check the file's orientation.
    """

    shape: Index3
    world_from_index: FloatArray
    index_from_world: FloatArray = field(init=False, repr=False)
    voxel_mm: tuple[float, float, float] = field(init=False)

    def __post_init__(self) -> None:
        """Check the values, and compute what every use needs once."""
        shape = tuple(int(n) for n in self.shape)
        matrix = np.array(self.world_from_index, dtype=np.float64)
        if len(shape) != 3 or min(shape) < 1:
            raise GeometryError(
                found=f"the grid's shape is {shape}",
                expected="three positive sizes",
                next_step="check the file",
            )
        if matrix.shape != (4, 4) or not np.isfinite(matrix).all():
            raise GeometryError(
                found="the grid's matrix is not a finite 4 x 4 array",
                expected="a finite 4 x 4 matrix",
                next_step="check the file's orientation",
            )
        norms = np.linalg.norm(matrix[:3, :3], axis=0)
        volume = abs(float(np.linalg.det(matrix[:3, :3])))
        if norms.min() <= 0 or volume < _LEAST_RELATIVE_VOLUME * float(np.prod(norms)):
            raise GeometryError(
                found="the grid's axes span no volume",
                expected="three axes that are not in one plane",
                next_step="check the file's orientation",
            )
        matrix[3] = (0.0, 0.0, 0.0, 1.0)
        inverse = np.linalg.inv(matrix)
        matrix.setflags(write=False)
        inverse.setflags(write=False)
        object.__setattr__(self, "shape", shape)
        object.__setattr__(self, "world_from_index", matrix)
        object.__setattr__(self, "index_from_world", inverse)
        object.__setattr__(self, "voxel_mm", (float(norms[0]), float(norms[1]), float(norms[2])))

    @property
    def right_handed(self) -> bool:
        """Whether the voxel axes, in their order, form a right-handed set."""
        return bool(np.linalg.det(self.world_from_index[:3, :3]) > 0)

    @property
    def extent_mm(self) -> tuple[float, float, float]:
        """Edge lengths of the field of view along its axes."""
        ni, nj, nk = self.shape
        di, dj, dk = self.voxel_mm
        return (ni * di, nj * dj, nk * dk)

    @property
    def voxel_volume_mm3(self) -> float:
        """Volume of one voxel (smaller than the product of its edges when sheared)."""
        return abs(float(np.linalg.det(self.world_from_index[:3, :3])))

    @property
    def slice_mm(self) -> float:
        """Largest distance between neighbouring planes of voxels: shear does not widen it."""
        across = np.linalg.inv(self.world_from_index[:3, :3])
        return float(1.0 / np.linalg.norm(across, axis=1).min())

    def isclose(self, other: Grid, *, atol_mm: float) -> bool:
        """Whether both have the same shape and every corner within ``atol_mm``."""
        return self.shape == other.shape and bool(
            np.linalg.norm(self.corners_mm() - other.corners_mm(), axis=1).max() <= atol_mm
        )

    def world(self, ijk: ArrayLike) -> FloatArray:
        """World mm of voxel indices.

        Parameters
        ----------
        ijk : (..., 3) array
            Voxel indices, fractions allowed.

        Returns
        -------
        (..., 3) array, world mm.
        """
        return np.moveaxis(_rows(self.world_from_index, ijk), 0, -1)

    def index(self, points_mm: ArrayLike) -> FloatArray:
        """Voxel indices, with fractions, of world points.

        Parameters
        ----------
        points_mm : (..., 3) array, world mm

        Returns
        -------
        (..., 3) array of voxel indices.
        """
        return np.moveaxis(self.index_rows(points_mm), 0, -1)

    def index_rows(self, points_mm: ArrayLike) -> FloatArray:
        """Voxel indices of world points, one contiguous row an axis: (3, ...)."""
        return _rows(self.index_from_world, points_mm)

    def corners_mm(self) -> FloatArray:
        """The eight outer corners (voxel edges, not centres), (8, 3) world mm."""
        ends = [(-0.5, n - 0.5) for n in self.shape]
        return self.world(np.array(list(product(*ends))))

    @property
    def centre_mm(self) -> FloatArray:
        """Middle of the field of view, (3,) world mm."""
        return self.world((np.array(self.shape) - 1) / 2)

    def covers(self, points_mm: ArrayLike, *, margin_mm: float = 0.0) -> NDArray[np.bool_]:
        """Whether points lie inside the field of view.

        Parameters
        ----------
        points_mm : (..., 3) array, world mm
        margin_mm : float
            Least distance to the faces (negative: how far outside is still allowed), measured
            at right angles to each face.

        Returns
        -------
        (...) array of bool; a point that is not finite is not covered.
        """
        index = self.index(points_mm)
        # One voxel step along axis a moves 1 / |row a of the inverse| mm at right angles to
        # that axis's faces, which is less than the voxel's edge when the grid is sheared.
        margin = margin_mm * np.linalg.norm(self.index_from_world[:3, :3], axis=1)
        inside = (index >= -0.5 + margin) & (index <= np.array(self.shape) - 0.5 - margin)
        return np.asarray(inside.all(axis=-1), dtype=np.bool_)

    def block(self, lo: Index3, hi: Index3) -> Grid:
        """The grid of the voxels ``lo`` (included) to ``hi`` (not included)."""
        shape = (hi[0] - lo[0], hi[1] - lo[1], hi[2] - lo[2])
        matrix = self.world_from_index.copy()
        matrix[:3, 3] = self.world(lo)
        return Grid(shape=shape, world_from_index=matrix)

    def blocks_of(self, step: Index3) -> Grid:
        """The grid of whole blocks of ``step`` voxels; a rest at the far ends is left out."""
        shape = (self.shape[0] // step[0], self.shape[1] // step[1], self.shape[2] // step[2])
        matrix = self.world_from_index.copy()
        matrix[:3, :3] *= np.array(step)
        matrix[:3, 3] = self.world((np.array(step) - 1) / 2)
        return Grid(shape=shape, world_from_index=matrix)

    def canonical_axes(self) -> tuple[Index3, tuple[bool, bool, bool]]:
        """Which axis, and which way, comes closest to right, anterior and superior.

        All 48 axis orders and flips of the same voxels give the same result after it is applied,
        also when two choices are equally close (a grid turned by 45 degrees): the choice looks
        only at the resulting matrix, never at the order in which the axes were stored.

        Returns
        -------
        permutation : (3,) ints
            New axis ``a`` is stored axis ``permutation[a]``.
        flips : (3,) bools
            Whether new axis ``a`` runs against the stored one.
        """
        columns = self.world_from_index[:3, :3] / np.array(self.voxel_mm)
        cosines = columns.tolist()

        def key(choice: tuple[Index3, tuple[bool, bool, bool]]) -> tuple[float, ...]:
            order, flips = choice
            rows = [
                [-row[order[c]] if flips[c] else row[order[c]] for c in range(3)] for row in cosines
            ]
            return (rows[0][0] + rows[1][1] + rows[2][2], *(x for row in rows for x in row))

        return max(_CHOICES, key=key)

    def reordered(self, permutation: Index3, flips: tuple[bool, bool, bool]) -> Grid:
        """The grid of the same voxels with axes permuted, then flipped.

        Parameters
        ----------
        permutation, flips
            As :meth:`canonical_axes` returns them.
        """
        shape = (
            self.shape[permutation[0]],
            self.shape[permutation[1]],
            self.shape[permutation[2]],
        )
        matrix = self.world_from_index.copy()
        matrix[:3, :3] = self.world_from_index[:3, list(permutation)]
        for axis, flip in enumerate(flips):
            if flip:
                matrix[:3, 3] += matrix[:3, axis] * (shape[axis] - 1)
                matrix[:3, axis] = -matrix[:3, axis]
        return Grid(shape=shape, world_from_index=matrix)


def _rows(matrix: FloatArray, points: ArrayLike) -> FloatArray:
    """Apply an affine matrix to (..., 3) points; the result has its axis first, (3, ...).

    Written out, because a matrix product may round differently with the number of threads.
    """
    given = np.asarray(points, dtype=np.float64)
    x, y, z = given[..., 0], given[..., 1], given[..., 2]
    rows = np.empty((3, *given.shape[:-1]))
    for axis, (a, b, c, shift) in enumerate(matrix[:3].tolist()):
        rows[axis] = a * x + b * y + c * z + shift
    return rows
