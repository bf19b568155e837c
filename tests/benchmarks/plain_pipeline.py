"""The pipeline that a user would write first: float voxels, two full surfaces, rays on meshes.

No landmark is found here: the place and direction of one ray are handed in, so that only
reading, surfaces and the ray are timed.
"""

from __future__ import annotations

import sys

import nibabel as nib
import numpy as np
import pyvista as pv


def main(path: str) -> None:
    """Load, extract skin and bone, cast one ray from outside towards the middle."""
    image = nib.load(path)
    voxels = image.get_fdata(dtype=np.float32)
    grid = pv.ImageData(dimensions=voxels.shape)
    grid.point_data["hu"] = voxels.ravel(order="F")
    skin = grid.contour([-400.0], scalars="hu")
    bone = grid.contour([400.0], scalars="hu")
    middle = 0.5 * np.array(voxels.shape)
    start = middle + np.array([0.0, 0.0, voxels.shape[2]])
    for surface in (skin, bone):
        points, _ = surface.ray_trace(start, middle)
        print(len(points), "crossings,", surface.n_points, "points")


if __name__ == "__main__":
    main(sys.argv[1])
