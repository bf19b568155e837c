"""Which of a file's transforms gives the world, in millimetres.

The transform with orientation in full (sform) if its code is above 0 and it is finite and
invertible, otherwise the one of quaternion and offset (qform). A file that states neither is
refused: left and right would be a guess. Source of the rules: NIfTI-1 header text (check row 6.1).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import GeometryError, OrientationRefused, UnitRefused
from entrypoint.io.nifti_header import NiftiHeader
from entrypoint.volume.grid import Grid

FloatArray = NDArray[np.float64]

MM_PER = {"mm": 1.0, "m": 1000.0, "um": 0.001, "unknown": 1.0}
_UNIT_WORDS = {"mm": "millimetres", "m": "metres", "um": "micrometres", "unknown": "no unit"}
TRANSFORMS_AGREE_MM = 0.5
# A scan of a head, with a wide margin: judgement, no source.
_VOXEL_RANGE_MM = (0.05, 12.0)
_LONGEST_AXIS_RANGE_MM = (60.0, 2000.0)
_SHORTEST_AXIS_MM = 8.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """A grid, and how it was found."""

    grid: Grid
    source: str  # "sform", "qform" or "dicom"
    differ_mm: float | None
    unusable: str | None
    sizes_disagree: bool
    shear_deg: float


def place(header: NiftiHeader) -> Placed:
    """The grid of a file, in world RAS mm.

    Parameters
    ----------
    header : NiftiHeader

    Raises
    ------
    OrientationRefused
        When no transform is stated, none can be used, or the two differ in handedness.
    UnitRefused
        When the size of the field of view is not that of a head scan.
    """
    scale = MM_PER[header.unit]
    stated = {
        "sform": _sform(header) if header.sform_code > 0 else None,
        "qform": _qform(header) if header.qform_code > 0 else None,
    }
    if header.sform_code <= 0 and header.qform_code <= 0:
        raise OrientationRefused(
            found="the file states no orientation (qform and sform codes are both 0)",
            expected="a file that says which way is right, front and up",
            next_step="export the scan again from its original, keeping the orientation",
        )
    grids: dict[str, Grid] = {}
    unusable = None
    for name, matrix in stated.items():
        if matrix is None:
            continue
        grid = _grid(header.shape, matrix, scale)
        if grid is None:
            unusable = name
        else:
            grids[name] = grid
    if not grids:
        raise OrientationRefused(
            found="the transform that the file states has no inverse or is not finite",
            expected="three axes that span a volume",
            next_step="export the scan again from its original",
        )
    source = "sform" if "sform" in grids else "qform"
    grid = grids[source]
    differ_mm = None
    if len(grids) == 2:
        other = grids["qform"]
        if grid.right_handed != other.right_handed:
            raise OrientationRefused(
                found="the file's two transforms (sform and qform) differ in handedness, "
                "so that right and left cannot be told",
                expected="two transforms that agree",
                next_step="export the scan again from its original",
            )
        gap_mm = np.linalg.norm(grid.corners_mm() - other.corners_mm(), axis=1).max()
        differ_mm = float(gap_mm) if gap_mm > TRANSFORMS_AGREE_MM else None
    check_size(grid, header.unit)
    sizes = np.abs(np.array(header.pixdim[1:4])) * scale
    ratio = sizes / np.array(grid.voxel_mm)
    return Placed(
        grid=grid,
        source=source,
        differ_mm=differ_mm,
        unusable=unusable,
        sizes_disagree=not bool(np.all(np.abs(ratio - 1.0) < 0.02)),
        shear_deg=shear_deg(grid),
    )


def _sform(header: NiftiHeader) -> FloatArray:
    return np.vstack([header.srow, [0.0, 0.0, 0.0, 1.0]])


def _qform(header: NiftiHeader) -> FloatArray:
    b, c, d = header.quatern
    sizes = header.pixdim[1:4]
    bad = np.full((4, 4), np.nan)
    values = (b, c, d, *sizes, *header.qoffset)
    if not all(math.isfinite(x) for x in values) or min(sizes) <= 0:
        return bad
    rest = 1.0 - (b * b + c * c + d * d)
    if rest < -1e-4:
        return bad
    if rest < 1e-7:
        # The header text: a half turn; b, c, d are then brought to unit length.
        norm = math.sqrt(b * b + c * c + d * d)
        a, b, c, d = 0.0, b / norm, c / norm, d / norm
    else:
        a = math.sqrt(rest)
    turn = np.array(
        [
            [a * a + b * b - c * c - d * d, 2 * (b * c - a * d), 2 * (b * d + a * c)],
            [2 * (b * c + a * d), a * a + c * c - b * b - d * d, 2 * (c * d - a * b)],
            [2 * (b * d - a * c), 2 * (c * d + a * b), a * a + d * d - b * b - c * c],
        ]
    )
    # The sign of the third axis; 0 (and any other value that is not negative) stands for 1.
    third = -1.0 if header.pixdim[0] < 0 else 1.0
    matrix = np.eye(4)
    matrix[:3, :3] = turn * np.array([sizes[0], sizes[1], sizes[2] * third])
    matrix[:3, 3] = header.qoffset
    return matrix


def _grid(shape: tuple[int, int, int], matrix: FloatArray, scale: float) -> Grid | None:
    if not np.isfinite(matrix).all() or np.abs(matrix).max() > 1e9:
        return None
    scaled = matrix.copy()
    scaled[:3] *= scale
    try:
        return Grid(shape=shape, world_from_index=scaled)
    except (GeometryError, np.linalg.LinAlgError):
        return None


def check_size(grid: Grid, unit: str) -> None:
    """Refuse a grid that is not the size of a head scan.

    Raises
    ------
    UnitRefused
    """
    voxel, extent = grid.voxel_mm, grid.extent_mm
    fits = (
        min(voxel) >= _VOXEL_RANGE_MM[0]
        and max(voxel) <= _VOXEL_RANGE_MM[1]
        and _LONGEST_AXIS_RANGE_MM[0] <= max(extent) <= _LONGEST_AXIS_RANGE_MM[1]
        and min(extent) >= _SHORTEST_AXIS_MM
    )
    if fits:
        return
    size = " x ".join(f"{x:.4g}" for x in extent)
    raise UnitRefused(
        found=f"read as the file states ({_UNIT_WORDS[unit]}), the field of view is {size} mm",
        expected="the size of a head scan, in a stated unit (metres, millimetres or micrometres)",
        next_step="correct the unit or the voxel size in the file's header",
    )


def shear_deg(grid: Grid) -> float:
    """Largest departure of two axes from a right angle."""
    axes = grid.world_from_index[:3, :3] / np.array(grid.voxel_mm)
    cosines = np.abs([axes[:, 0] @ axes[:, 1], axes[:, 0] @ axes[:, 2], axes[:, 1] @ axes[:, 2]])
    return float(np.degrees(np.arcsin(min(1.0, float(cosines.max())))))
