"""Draws a scene in three dimensions without a window, in a process of its own.

Where no OpenGL library is installed, VTK ends its process with a segmentation fault at the first
drawing. So the drawing happens in a child: the caller's process never loads VTK and can say what
is missing. Run as ``python -m entrypoint.figures.offscreen SCENE.npz PICTURE.npy``.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import MissingExtra

__all__ = ["draw", "fill", "surface_in"]

# As VTK finds it; without X11; all in software.
WINDOWS = ("", "vtkEGLRenderWindow", "vtkOSOpenGLRenderWindow")
_SECONDS = 120.0


def draw(scene: dict[str, NDArray[Any]], *, windows: tuple[str, ...] = WINDOWS) -> NDArray[Any]:
    """Draw a scene in a child process.

    Parameters
    ----------
    scene : mapping
        ``hu_<name>`` (ni, nj, nk) on the grid ``world_from_index`` (4, 4), of which the surface
        at ``level_<name>`` is drawn, in ``colour_<name>`` and with ``opacity_<name>``;
        ``tube_<name>`` (k, 3) polylines with ``radius_tube_<name>``, ``ball_<name>`` (4,) centre
        and radius, each with its ``colour_<that name>``; ``background``; ``eye_mm``,
        ``focus_mm``, ``unit_up`` (3,); ``half_height_mm``; ``size_px`` (2,).
    windows : tuple of str
        Kinds of window to try in turn.

    Returns
    -------
    (rows, columns, 3) uint8 array

    Raises
    ------
    MissingExtra
        When no kind of window can be drawn in.
    """
    with tempfile.TemporaryDirectory() as folder:
        given, drawn = Path(folder) / "scene.npz", Path(folder) / "picture.npy"
        with given.open("wb") as file:
            np.savez(file, **scene)  # type: ignore[arg-type]
        for window in windows:
            environment = dict(os.environ)
            if window:
                environment["VTK_DEFAULT_OPENGL_WINDOW"] = window
            command = [sys.executable, "-m", "entrypoint.figures.offscreen", str(given), str(drawn)]
            try:
                done = subprocess.run(
                    command, env=environment, capture_output=True, timeout=_SECONDS, check=False
                )
            except subprocess.TimeoutExpired:
                continue
            if done.returncode == 0 and drawn.exists():
                return np.asarray(np.load(drawn))
    raise MissingExtra(
        found="no system library that draws in three dimensions",
        expected="libEGL or libGL with a software driver",
        next_step="install one (on Debian: libegl1), or use a figure that needs none",
    )


def _render(scene: dict[str, NDArray[Any]]) -> NDArray[Any]:
    import pyvista

    plotter = pyvista.Plotter(off_screen=True, window_size=[int(n) for n in scene["size_px"]])
    fill(plotter, scene)
    picture = plotter.screenshot(None, return_img=True)
    plotter.close()
    return np.asarray(picture)


def fill(plotter: Any, scene: dict[str, NDArray[Any]]) -> None:
    """Put a scene (see :func:`draw`) into a plotter of pyvista, and fix its camera."""
    import pyvista

    plotter.set_background(str(scene["background"]))
    names = [name.removeprefix("hu_") for name in scene if name.startswith("hu_")]
    for name in sorted(names, key=lambda n: -float(scene[f"opacity_{n}"])):
        surface = surface_in(pyvista, scene, name)
        opacity = float(scene[f"opacity_{name}"])
        # Of a translucent surface the far side is left out: no sorting, and it reads better.
        plotter.add_mesh(
            surface, color=str(scene[f"colour_{name}"]), smooth_shading=True, ambient=0.2,
            diffuse=0.75, specular=0.08, opacity=opacity,
            culling="back" if opacity < 1.0 else False,
        )  # fmt: skip
    for name, value in scene.items():
        if name.startswith("tube_"):
            line = pyvista.lines_from_points(value)
            tube = line.tube(radius=float(scene[f"radius_{name}"]), n_sides=12, capping=True)
            plotter.add_mesh(tube, color=str(scene[f"colour_{name}"]), ambient=0.35)
        if name.startswith("ball_"):
            ball = pyvista.Sphere(radius=float(value[3]), center=value[:3])
            plotter.add_mesh(ball, color=str(scene[f"colour_{name}"]), ambient=0.35)
    # A fixed camera: one that fits itself to the scene would hide an error of size.
    plotter.enable_parallel_projection()
    plotter.camera.position = scene["eye_mm"]
    plotter.camera.focal_point = scene["focus_mm"]
    plotter.camera.up = scene["unit_up"]
    plotter.camera.parallel_scale = float(scene["half_height_mm"])
    plotter.camera.clipping_range = (1.0, 2000.0)


def surface_in(pyvista: Any, scene: dict[str, NDArray[Any]], name: str) -> Any:
    """The largest piece of a surface, in world mm, its normals outwards."""
    # Contoured in index space and moved by the grid's own matrix: pyvista's contour leaves an
    # image's direction matrix out.
    hu = scene[f"hu_{name}"]
    image = pyvista.ImageData(dimensions=hu.shape)
    image.point_data["hu"] = hu.ravel(order="F")
    found = image.contour([float(scene[f"level_{name}"])], scalars="hu", method="flying_edges")
    found = found.connectivity("largest").transform(scene["world_from_index"], inplace=False)
    found.clear_data()
    return found.compute_normals(auto_orient_normals=True, flip_normals=False)


if __name__ == "__main__":
    with np.load(sys.argv[1]) as _file:
        _scene = {name: _file[name] for name in _file.files}
    np.save(sys.argv[2], _render(_scene))
