"""Volumes made for tests by convolving sharp layers: nothing of the code under test is used."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial.transform import Rotation

from entrypoint.volume.grid import Grid
from entrypoint.volume.levels import Levels
from entrypoint.volume.volume import Volume

FloatArray = NDArray[np.float64]

AIR, SOFT, BRAIN = -1000.0, 38.0, 34.0
FWHM_PER_SIGMA = 2.354820045
_FINE_MM = 0.01


def blurred_layers(
    edges_mm: Sequence[float], values: Sequence[float], fwhm_mm: float
) -> Callable[[FloatArray], FloatArray]:
    """Profile of sharp layers convolved with a Gaussian, as a function of depth."""
    z = np.arange(edges_mm[0] - 25.0, edges_mm[-1] + 60.0, _FINE_MM)
    sharp = np.array(values)[np.searchsorted(np.array(edges_mm), z)]
    soft = ndimage.gaussian_filter1d(sharp, fwhm_mm / FWHM_PER_SIGMA / _FINE_MM, truncate=6.0)
    return lambda depth: np.interp(depth, z, soft)


def noisy(hu: FloatArray, sd: float, seed: int, grain: float = 0.6) -> FloatArray:
    """Add noise of a standard deviation, correlated between neighbours as in a CT."""
    if sd == 0.0:
        return hu
    noise = ndimage.gaussian_filter(np.random.default_rng(seed).normal(size=hu.shape), grain)
    return hu + sd * noise / noise.std()


def volume_of(
    hu_at: Callable[[FloatArray], FloatArray],
    lo_mm: Sequence[float],
    hi_mm: Sequence[float],
    voxel_mm: Sequence[float],
    *,
    noise_hu: float = 0.0,
    seed: int = 0,
) -> Volume:
    """Sample a function of points (..., 3) on a grid that spans a box; stored as int16."""
    n = np.ceil((np.array(hi_mm) - lo_mm) / voxel_mm).astype(int) + 1
    matrix = np.diag([*voxel_mm, 1.0])
    matrix[:3, 3] = lo_mm
    grid = Grid(shape=(int(n[0]), int(n[1]), int(n[2])), world_from_index=matrix)
    index = np.stack(np.meshgrid(*[np.arange(k) for k in n], indexing="ij"), axis=-1)
    hu = noisy(hu_at(index * np.array(voxel_mm) + lo_mm), noise_hu, seed)
    return Volume(grid=grid, stored=np.rint(hu).astype(np.int16))


class Slab:
    """Flat scalp and skull across a block of voxels, turned as wanted.

    ``tables_mm`` are outer table, diploe and inner table. The true path is the slab's normal
    through ``entry_mm``, a point on its skin.
    """

    def __init__(
        self,
        *,
        tables_mm: tuple[float, float, float],
        scalp_mm: float = 6.0,
        table_hu: float = 1300.0,
        diploe_hu: float = 420.0,
        fwhm_mm: float = 0.9,
        voxel_mm: tuple[float, float, float] = (0.6, 0.6, 0.6),
        tilt_deg: float = 8.0,
        turn_deg: float = 30.0,
        noise_hu: float = 0.0,
        seed: int = 0,
        half_mm: float = 24.0,
    ) -> None:
        rng = np.random.default_rng(seed)
        self.tables_mm = tables_mm
        self.scalp_mm, self.skull_mm = scalp_mm, float(sum(tables_mm))
        self.voxel_mm, self.noise_hu = voxel_mm, noise_hu
        turn = Rotation.from_euler("zx", [turn_deg, tilt_deg], degrees=True)
        self.unit_inward: FloatArray = turn.apply([0.0, 0.0, -1.0])
        self.entry_mm: FloatArray = rng.uniform(-0.5, 0.5, 3) * voxel_mm
        edges = np.cumsum([0.0, scalp_mm, *tables_mm])
        profile = blurred_layers(
            edges.tolist(), [AIR, SOFT, table_hu, diploe_hu, table_hu, BRAIN], fwhm_mm
        )
        reach = half_mm * np.sin(np.radians(tilt_deg)) + 1.0
        self.volume = volume_of(
            lambda p: profile((p - self.entry_mm) @ self.unit_inward),
            [-half_mm, -half_mm, -(scalp_mm + self.skull_mm + 14.0) - reach],
            [half_mm, half_mm, 10.0 + reach],
            voxel_mm,
            noise_hu=noise_hu,
            seed=seed,
        )
        # What coarse blocks of such a skull read: the mean of its layers.
        mean = float(np.dot(tables_mm, [table_hu, diploe_hu, table_hu]) / self.skull_mm)
        self.levels = Levels(air_hu=AIR, soft_hu=SOFT, bone_hu=0.8 * mean)
