"""A plan on a real average scalp.

Authority: fsaverage-head.fif (2033 vertices) and its fiducials, shipped by the package mne
(BSD-3): nasion (1.5, 85.1, -34.8) mm. The inion and the vertex are read off the surface here.
Expected values come from an independent way: the triangles' own edges cut by the plane, put in
order by angle, measured with numpy alone.
"""

from __future__ import annotations

from pathlib import Path

import mne
import numpy as np
import pytest

from entrypoint.planning.landmark_head import plan_from_landmarks
from entrypoint.planning.model import Side
from entrypoint.planning.surface_head import plan_from_scalp
from entrypoint.reference import value

NASION_MM = (1.5, 85.1, -34.8)
VERTICES = 2033
TOLERANCE_MM = 0.3


@pytest.fixture(scope="module")
def scalp():
    folder = Path(mne.__file__).parent / "data" / "fsaverage"
    surface = mne.read_bem_surfaces(str(folder / "fsaverage-head.fif"), verbose="error")[0]
    fiducials, _ = mne.io.read_fiducials(str(folder / "fsaverage-fiducials.fif"))
    by_kind = {int(f["ident"]): 1000.0 * np.asarray(f["r"], dtype=float) for f in fiducials}
    vertices = 1000.0 * surface["rr"]
    top = vertices[np.argmax(vertices[:, 2] - 0.3 * np.abs(vertices[:, 0]))]
    points = {
        "left_preauricular": by_kind[1],
        "nasion": by_kind[2],
        "right_preauricular": by_kind[3],
        "inion": np.array([1.0, -118.0, -23.0]),
        "vertex": top,
    }
    return vertices, surface["tris"], points


@pytest.fixture(scope="module")
def plan(scalp):
    return plan_from_scalp(*scalp)


def edge_cuts(vertices, faces, point, normal):
    """Where the mesh's edges cross a plane, one point an edge."""
    edges = np.unique(
        np.sort(np.vstack([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])), axis=0
    )
    away = (vertices - point) @ normal
    a, b = away[edges[:, 0]], away[edges[:, 1]]
    cut = (a < 0) != (b < 0)
    t = (a[cut] / (a[cut] - b[cut]))[:, None]
    return vertices[edges[cut, 0]] * (1 - t) + vertices[edges[cut, 1]] * t


def test_the_surface_is_the_one_quoted(scalp):
    vertices, _, points = scalp
    assert len(vertices) == VERTICES
    np.testing.assert_allclose(points["nasion"], NASION_MM, atol=0.05)


def test_midline_arc_against_the_edges_of_the_mesh(scalp, plan):
    vertices, faces, _ = scalp
    plane = plan.midsagittal_plane
    nasion = plan.landmarks["nasion_skin"].position_mm
    cuts = edge_cuts(vertices, faces, plane.point_mm, plane.unit_normal)
    start = nasion - ((nasion - plane.point_mm) @ plane.unit_normal) * plane.unit_normal
    back = np.cross(plane.unit_normal, [0.0, 0.0, 1.0])
    back = back if back[1] < 0 else -back
    flat = np.column_stack([(cuts - start) @ back, (cuts - start)[:, 2]])
    centre = np.array([95.0, 20.0])
    turn = np.degrees(np.arctan2(flat[:, 1] - centre[1], centre[0] - flat[:, 0]))
    first = np.degrees(np.arctan2(-centre[1], centre[0]))
    keep = (turn > first + 0.01) & (turn < 150.0)
    path = np.vstack([[0.0, 0.0], flat[keep][np.argsort(turn[keep])]])
    arcs = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    at = np.array([np.interp(110.0, arcs, path[:, k]) for k in range(2)])
    for side in plan.sides.values():
        # the lateral plane holds the midline point: the entry is square to the tape from there
        assert side.tapes.midline_chord_mm == pytest.approx(
            float(np.linalg.norm(at)), abs=TOLERANCE_MM
        )
        assert side.tapes.midline_surface_mm == pytest.approx(110.0, abs=TOLERANCE_MM)


def test_both_sides_of_an_average_head_agree(plan):
    right, left = plan.sides[Side.RIGHT], plan.sides[Side.LEFT]
    normal = plan.midsagittal_plane.unit_normal
    assert right.clearance.midline_scalp_mm > 25.0
    assert left.clearance.midline_scalp_mm > 25.0
    assert float((right.scalp_entry_mm - left.scalp_entry_mm) @ normal) > 50.0
    assert right.clearance.midline_scalp_mm == pytest.approx(
        left.clearance.midline_scalp_mm, abs=2.0
    )


def test_nothing_about_bone_is_invented(plan):
    for side in plan.sides.values():
        assert side.thickness.skull_mm is None
        assert side.drill_stop.start_on_bone_mm is None
        assert side.clearance.sinus_mm is None
        assert side.sensor_tip_mm is None
        assert side.sensor.from_outer_table_mm is None


def test_modelled_scalp_lies_within_its_own_error(plan):
    points = {
        "nasion" if name == "nasion_skin" else name: mark.position_mm
        for name, mark in plan.landmarks.items()
        if name != "bregma"
    }
    modelled = plan_from_landmarks(points)
    for name, side in modelled.sides.items():
        error = float(np.linalg.norm(side.scalp_entry_mm - plan.sides[name].scalp_entry_mm))
        assert error < 1.96 * side.scalp_entry_sd_along_mm
        assert side.scalp_entry_sd_along_mm >= value("landmark_model_along")
