"""Triangle meshes: closed or not, finer and raised without opening."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from entrypoint.errors import GeometryError
from entrypoint.geometry.triangles import (
    Triangles,
    check_closed,
    finer_near,
    is_closed,
    mended,
    raised,
)


def ball(radius_mm=40.0, subdivisions=4):
    made = trimesh.creation.icosphere(subdivisions=subdivisions, radius=radius_mm)
    return Triangles(points=np.array(made.vertices), faces=np.array(made.faces, dtype=np.int64))


def of_trimesh(mesh):
    return trimesh.Trimesh(mesh.points, mesh.faces, process=False)


def arc(radius_mm=40.0, step_deg=0.4):
    t = np.radians(np.arange(10.0, 80.0, step_deg))
    return radius_mm * np.stack([np.cos(t), np.zeros_like(t), np.sin(t)], axis=1)


def test_what_is_closed_and_what_is_not():
    mesh = ball()
    assert is_closed(mesh)
    check_closed(mesh, "ball")
    one_less = Triangles(points=mesh.points, faces=mesh.faces[1:])
    turned = Triangles(points=mesh.points, faces=mesh.faces.copy())
    turned.faces[0] = turned.faces[0, ::-1]
    twice = Triangles(points=mesh.points, faces=np.vstack([mesh.faces, mesh.faces]))
    nothing = Triangles(points=mesh.points, faces=mesh.faces[:0])
    for broken in (one_less, turned, twice, nothing):
        assert not is_closed(broken)
        with pytest.raises(GeometryError, match="watertight"):
            check_closed(broken, "ball")
    with pytest.raises(GeometryError, match="no volume"):
        check_closed(mesh.inside_out(), "ball")


def test_volume_size_and_normals_agree_with_another_library():
    mesh = ball()
    assert mesh.volume_mm3() == pytest.approx(of_trimesh(mesh).volume, rel=1e-12)
    assert mesh.inside_out().volume_mm3() == pytest.approx(-mesh.volume_mm3())
    np.testing.assert_allclose(mesh.extent_mm(), 80.0, atol=0.01)
    np.testing.assert_allclose(mesh.unit_normals(), mesh.points / 40.0, atol=0.01)


def test_finer_near_a_line_moves_nothing_and_opens_nothing():
    mesh = ball()
    finer = finer_near(mesh, arc(), within_mm=2.0, edge_mm=0.7, rounds=4)
    assert is_closed(finer)
    assert of_trimesh(finer).is_watertight
    assert len(finer.faces) > 1.3 * len(mesh.faces)
    assert finer.volume_mm3() == pytest.approx(mesh.volume_mm3(), rel=1e-9)
    np.testing.assert_array_equal(finer.points[: len(mesh.points)], mesh.points)


@pytest.mark.parametrize("height_mm", [0.8, -0.8])
def test_a_ridge_has_its_height_and_its_width_and_no_more(height_mm):
    made = raised(ball(), [(arc(), 2.0)], height_mm=height_mm, flank_mm=0.5, step_mm=0.5)
    assert is_closed(made)
    found = of_trimesh(made)
    assert found.is_watertight
    assert found.is_winding_consistent
    rise = np.linalg.norm(made.points, axis=1) - 40.0
    aside = np.abs(made.points[:, 1])
    angle = np.degrees(np.arctan2(made.points[:, 2], made.points[:, 0]))
    along = (angle > 15.0) & (angle < 75.0)
    np.testing.assert_allclose(rise[along & (aside < 0.95)], height_mm, atol=0.06)
    assert np.abs(rise[aside > 1.6]).max() < 0.06


def test_two_balls_that_share_an_edge_are_parted():
    mesh = ball(subdivisions=2)
    n = len(mesh.points)
    a, b = mesh.faces[0, :2]
    # The same ball turned half round about one of its edges: both share it, each on its own side.
    along = mesh.points[b] - mesh.points[a]
    along = along / np.linalg.norm(along)
    on_axis = mesh.points[a] + ((mesh.points - mesh.points[a]) @ along)[:, None] * along
    other = 2.0 * on_axis - mesh.points
    number = np.arange(n, 2 * n)
    number[a], number[b] = a, b
    both = Triangles(
        points=np.vstack([mesh.points, other]), faces=np.vstack([mesh.faces, number[mesh.faces]])
    )
    assert not is_closed(both)
    made = mended(both)
    assert is_closed(made)
    assert of_trimesh(made).body_count == 2
    assert made.volume_mm3() == pytest.approx(2.0 * mesh.volume_mm3(), rel=0.03)
    assert mended(mesh) is mesh
