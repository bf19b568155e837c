"""A CT volume: a grid and its voxels as they are stored, scaled to HU only where they are used.

The voxels are never copied as a whole: an axis order, a flip or a block is a view, and a block's
HU are computed when that block is asked for. So a scan of 160 MB costs 160 MB, also when it is
stored unsigned with an offset or with a slope that is not a whole number.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from entrypoint.errors import GeometryError
from entrypoint.volume.grid import Grid, Index3

# Scanners fill what lies outside their round field with values such as -2000 or -3024, which no
# noise reaches from air at -1000; such voxels are read as air. Common practice, no source.
PADDING_BELOW_HU = -1500.0
AIR_HU = -1000.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Volume:
    """Stored voxels on a grid; ``hu = slope * stored + inter``.

    Parameters
    ----------
    grid : Grid
    stored : (ni, nj, nk) array
        Voxels as stored (any integer or float type, any strides); not to be written to.
    slope, inter : float
        Scaling to HU.

    Raises
    ------
    GeometryError
        When the array and the grid differ in shape.
    """

    grid: Grid
    stored: NDArray[Any]
    slope: float = 1.0
    inter: float = 0.0

    def __post_init__(self) -> None:
        """Refuse an array that does not fit the grid."""
        if self.stored.shape != self.grid.shape:
            raise GeometryError(
                found=f"an array of shape {self.stored.shape} on a grid of shape {self.grid.shape}",
                expected="the same shape",
                next_step="check the file",
            )

    @property
    def shape(self) -> Index3:
        """Number of voxels along each axis."""
        return self.grid.shape

    def canonical(self) -> Volume:
        """The same voxels with axes closest to right, anterior, superior: a view, no copy."""
        permutation, flips = self.grid.canonical_axes()
        view = self.stored.transpose(permutation)
        view = view[tuple(slice(None, None, -1) if flip else slice(None) for flip in flips)]
        return Volume(
            grid=self.grid.reordered(permutation, flips),
            stored=view,
            slope=self.slope,
            inter=self.inter,
        )

    def to_hu(self, stored: NDArray[Any]) -> NDArray[np.float32]:
        """Scale stored values to HU (a new array); padding becomes air."""
        # Straight to float32 where it holds the stored values exactly: half the memory.
        exact = stored.dtype.itemsize <= 2 or stored.dtype == np.float32
        values: NDArray[Any] = stored.astype(np.float32 if exact else np.float64)
        np.multiply(values, self.slope, out=values)
        np.add(values, self.inter, out=values)
        hu: NDArray[np.float32] = values.astype(np.float32, copy=False)
        if hu.size and float(hu.min()) < PADDING_BELOW_HU:
            hu[hu < PADDING_BELOW_HU] = AIR_HU
        return hu

    def block(self, lo: Index3, hi: Index3) -> Volume:
        """The voxels ``lo`` (included) to ``hi`` (not included), cut to the field: a view."""
        low, high = self._clamp(lo, hi)
        cut = tuple(slice(a, b) for a, b in zip(low, high, strict=True))
        return Volume(
            grid=self.grid.block(low, high),
            stored=self.stored[cut],
            slope=self.slope,
            inter=self.inter,
        )

    def block_hu(self, lo: Index3, hi: Index3) -> tuple[NDArray[np.float32], Grid]:
        """HU of one block, with that block's own grid.

        Parameters
        ----------
        lo, hi : (3,) ints
            First voxel, and one past the last, along each axis; cut to the field.

        Returns
        -------
        (bi, bj, bk) float32 array, HU, and its Grid.

        Raises
        ------
        GeometryError
            When nothing of the block lies in the field.
        """
        part = self.block(lo, hi)
        return self.to_hu(part.stored), part.grid

    def block_around(self, points_mm: ArrayLike, *, margin_mm: float) -> Volume:
        """The smallest block that holds the points and a margin round them: a view.

        Parameters
        ----------
        points_mm : (n, 3) array, world mm
        margin_mm : float
        """
        reach = margin_mm * np.linalg.norm(self.grid.index_from_world[:3, :3], axis=1)
        index = self.grid.index(points_mm).reshape(-1, 3)
        lo = np.floor(index.min(axis=0) - reach).astype(int).tolist()
        hi = (np.ceil(index.max(axis=0) + reach).astype(int) + 1).tolist()
        return self.block((lo[0], lo[1], lo[2]), (hi[0], hi[1], hi[2]))

    def block_means(self, target_mm: float) -> Volume:
        """Means of whole blocks of voxels of about ``target_mm``, as a volume of its own in HU.

        Axes coarser than the target keep their voxels. A rest of less than one block at the far
        end of an axis is left out.

        Parameters
        ----------
        target_mm : float
            Wanted edge of a block.

        Returns
        -------
        Volume
            float32, slope 1, inter 0.
        """
        step = tuple(
            min(n, max(1, round(target_mm / size)))
            for n, size in zip(self.shape, self.grid.voxel_mm, strict=True)
        )
        return self.block_means_by((step[0], step[1], step[2]))

    def block_means_by(self, step: Index3) -> Volume:
        """Means of whole blocks of ``step`` voxels (see :meth:`block_means`)."""
        whole = tuple(slice(0, n // s * s) for n, s in zip(self.shape, step, strict=True))
        part = self.stored[whole]
        # Work in the order of the memory, slowest axis first and every axis running forwards:
        # sums over the slow axes are then long, contiguous additions.
        backwards = tuple(stride < 0 for stride in part.strides)
        turn = tuple(slice(None, None, -1) if b else slice(None) for b in backwards)
        order = sorted(range(3), key=lambda axis: -abs(part.strides[axis]))
        sums = _block_sums(
            part[turn].transpose(order), (step[order[0]], step[order[1]], step[order[2]])
        )
        sums = sums.transpose(np.argsort(order))[turn]
        means = Volume(
            grid=self.grid.blocks_of(step),
            stored=sums,
            slope=self.slope / math.prod(step),
            inter=self.inter,
        )
        return Volume(grid=means.grid, stored=np.ascontiguousarray(means.to_hu(sums)))

    def sample_hu(self, points_mm: ArrayLike, *, order: int = 1) -> NDArray[np.float64]:
        """HU at world points, interpolated; NaN outside the field of view.

        In the outer half voxel of the field the value of the nearest voxel plane is used.

        Parameters
        ----------
        points_mm : (..., 3) array, world mm
        order : int
            1 for linear interpolation, 3 for a cubic spline on the block that holds the points.

        Returns
        -------
        (...) array, HU.
        """
        points = np.asarray(points_mm, dtype=np.float64)
        # One row an axis: long, contiguous rows are what every step below is quickest on.
        index = self.grid.index_rows(points.reshape(-1, 3))
        top = np.array(self.shape, dtype=np.float64)[:, None] - 0.5
        # Written so that a point that is not finite counts as outside.
        inside = (index[0] >= -0.5) & (index[0] <= top[0])
        for axis in (1, 2):
            inside &= (index[axis] >= -0.5) & (index[axis] <= top[axis])
        all_inside = bool(inside.all())
        if not all_inside:
            index[:, ~inside] = 0.0
        values = _linear(self.stored, index) if order == 1 else self._spline(index, order)
        values *= self.slope
        values += self.inter
        if values.size and float(values.min()) < PADDING_BELOW_HU:
            values[values < PADDING_BELOW_HU] = AIR_HU
        if not all_inside:
            values[~inside] = np.nan
        return values.reshape(points.shape[:-1])

    def _spline(self, index: NDArray[np.float64], order: int) -> NDArray[np.float64]:
        from scipy import ndimage  # late: a third of a second that linear samples do not need

        if not index.size:
            return np.empty(0)
        lo = np.maximum(np.floor(index.min(axis=1)).astype(int) - 12, 0)
        hi = np.minimum(np.ceil(index.max(axis=1)).astype(int) + 13, self.shape)
        cut = tuple(slice(int(a), int(b)) for a, b in zip(lo, hi, strict=True))
        values = ndimage.map_coordinates(
            self.stored[cut].astype(np.float32), index - lo[:, None], order=order, mode="nearest"
        )
        return np.asarray(values, dtype=np.float64)

    def _clamp(self, lo: Index3, hi: Index3) -> tuple[Index3, Index3]:
        low = tuple(max(0, int(a)) for a in lo)
        high = tuple(min(n, int(b)) for n, b in zip(self.shape, hi, strict=True))
        if any(a >= b for a, b in zip(low, high, strict=True)):
            raise GeometryError(
                found=f"a block from {tuple(lo)} to {tuple(hi)} in a volume of {self.shape}",
                expected="a block that meets the field of view",
                next_step="check that the field of view holds the site",
            )
        return (low[0], low[1], low[2]), (high[0], high[1], high[2])


def _block_sums(array: NDArray[Any], step: Index3) -> NDArray[Any]:
    """Sums over blocks; ``array`` in memory order, its sizes whole multiples of ``step``."""
    count = math.prod(step)
    small = array.dtype.kind in "iu" and array.dtype.itemsize <= 2 and count <= 2**14
    kind = np.int32 if small else np.float64
    sizes = [n // s for n, s in zip(array.shape, step, strict=True)]
    sums = np.empty(sizes, dtype=kind)
    slab = np.empty(array.shape[1:], dtype=kind)
    for at in range(sizes[0]):
        slab[...] = array[at * step[0]]
        for plane in array[at * step[0] + 1 : (at + 1) * step[0]]:
            slab += plane
        rows = slab.reshape(sizes[1], step[1], -1)
        line = rows[:, 0].copy()
        for q in range(1, step[1]):
            line += rows[:, q]
        sums[at] = line[:, 0 :: step[2]]
        for q in range(1, step[2]):
            sums[at] += line[:, q :: step[2]]
    return sums


def _linear(stored: NDArray[Any], index: NDArray[np.float64]) -> NDArray[np.float64]:
    """Linear interpolation of stored values at indices (3, n), held at the outer voxels."""
    from scipy import ndimage  # late: the command line answers without it

    return np.asarray(
        ndimage.map_coordinates(stored, index, order=1, output=np.float64, mode="nearest")
    )
