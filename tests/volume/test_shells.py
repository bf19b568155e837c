"""Closed bodies: against balls in closed form, and against the skin that the tool finds."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from scipy.spatial import cKDTree

from entrypoint.anatomy.frame import HeadFrame
from entrypoint.figures.solid import reduced, surface_of
from entrypoint.geometry.triangles import is_closed
from entrypoint.phantoms.grid import GridSpec
from entrypoint.phantoms.simple import Shell, simple_volume
from entrypoint.planning.ct_head import find_head
from entrypoint.volume.grid import Grid
from entrypoint.volume.sections import polar_section
from entrypoint.volume.shells import head_only, scalp_body, skull_body
from entrypoint.volume.skull import coarse_head
from entrypoint.volume.volume import Volume

SCALP_MM, SKULL_MM, BRAIN_MM = 80.0, 74.0, 67.0


def frame_at(origin_mm, turned_deg=0.0):
    c, s = np.cos(np.radians(turned_deg)), np.sin(np.radians(turned_deg))
    return HeadFrame(
        origin_mm=np.asarray(origin_mm, dtype=float),
        unit_right=np.array([1.0, 0.0, 0.0]),
        unit_anterior=np.array([0.0, c, s]),
        unit_superior=np.array([0.0, -s, c]),
    )


@pytest.fixture(scope="module")
def balls():
    """Nested balls with a rod and a plate beside them, on a left-handed, turned grid."""
    turn = np.radians(12.0)
    n = (90, 96, 92)
    axes = np.array(
        [[np.cos(turn), -np.sin(turn), 0.0], [np.sin(turn), np.cos(turn), 0.0], [0.0, 0.0, 1.0]]
    ) @ np.diag([-2.0, 2.0, 2.0])
    matrix = np.eye(4)
    matrix[:3, :3] = axes
    matrix[:3, 3] = np.array([5.0, -3.0, 8.0]) - axes @ ((np.array(n) - 1) / 2.0)
    centre = (5.0, -3.0, 8.0)
    shells = [
        Shell(semi_mm=(SCALP_MM,) * 3, hu=30.0, centre_mm=centre),
        Shell(semi_mm=(SKULL_MM,) * 3, hu=900.0, centre_mm=centre),
        Shell(semi_mm=(BRAIN_MM,) * 3, hu=34.0, centre_mm=centre),
    ]
    hu, world = simple_volume(
        GridSpec(shape=n, world_from_index=matrix), shells, per_axis=2
    )
    volume = Volume(grid=Grid(shape=n, world_from_index=world), stored=hu)
    assert not volume.grid.right_handed
    return volume, np.array(centre)


def test_a_ball_has_its_volume_and_its_radius_on_a_left_handed_grid(balls):
    volume, centre = balls
    head, frame = coarse_head(volume), frame_at(balls[1])
    mesh = surface_of(scalp_body(volume, head, frame, step_mm=2.0))
    assert is_closed(mesh)
    assert mesh.volume_mm3() == pytest.approx(4.0 / 3.0 * np.pi * SCALP_MM**3, rel=0.02)
    away = np.linalg.norm(mesh.points - centre, axis=1)
    assert np.percentile(np.abs(away - SCALP_MM), 95) < 0.4
    bone = surface_of(skull_body(volume, head, frame, step_mm=2.0))
    assert is_closed(bone)
    # The outer surface alone: a hollow that nothing opens is no part of it.
    assert bone.volume_mm3() == pytest.approx(4.0 / 3.0 * np.pi * SKULL_MM**3, rel=0.02)


def test_a_cut_is_flat_and_closed_and_leaves_what_is_above(balls):
    volume, centre = balls
    frame = frame_at(centre, turned_deg=20.0)
    body = scalp_body(volume, coarse_head(volume), frame, step_mm=2.0, cut_mm=-30.0)
    mesh = surface_of(body)
    assert is_closed(mesh)
    up = frame.head_from_world(mesh.points)[:, 2]
    assert up.min() == pytest.approx(-30.0, abs=0.02)
    corners = up[mesh.faces]
    flat = (np.abs(corners + 30.0) < 0.02).all(axis=1)
    a, b, c = (mesh.points[mesh.faces[flat]][:, k] for k in range(3))
    area = 0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1).sum()
    assert area == pytest.approx(np.pi * (SCALP_MM**2 - 30.0**2), rel=0.06)
    cap = np.pi * 50.0**2 * (3 * SCALP_MM - 50.0) / 3.0
    whole = 4.0 / 3.0 * np.pi * SCALP_MM**3
    assert mesh.volume_mm3() == pytest.approx(whole - cap, rel=0.02)


def test_the_edge_of_the_scan_is_closed_flat(balls):
    volume, centre = balls
    cropped = volume.block((0, 0, 30), volume.shape)
    low = float(cropped.grid.corners_mm()[:, 2].min())
    mesh = surface_of(
        scalp_body(cropped, coarse_head(cropped), frame_at(centre), step_mm=2.0)
    )
    assert is_closed(mesh)
    assert mesh.points[:, 2].min() == pytest.approx(low, abs=0.02)
    flat = (mesh.points[mesh.faces][:, :, 2] < low + 0.02).all(axis=1)
    assert flat.sum() > 1000


def test_what_lies_on_a_head_or_beside_it_is_left_out(balls):
    volume, centre = balls
    stored = volume.stored.copy()
    at = volume.grid.world(np.moveaxis(np.indices(volume.shape), 0, -1)) - centre
    rest = (at[..., 1] < -78.5) & (np.abs(at[..., 0]) < 50.0) & (np.abs(at[..., 2]) < 60.0)
    tube = (np.hypot(at[..., 0] - 5.0, at[..., 1] - 60.0) < 4.0) & (at[..., 2] > 0.0)
    tube &= np.linalg.norm(at, axis=-1) > SCALP_MM - 2.0
    stop = (at[..., 2] > 83.0) & (at[..., 2] < 87.0)
    plain = surface_of(scalp_body(volume, coarse_head(volume), frame_at(centre), step_mm=2.0))
    for thing in (rest, tube, stop):
        assert thing.sum() > 50
        stored[thing] = np.where(stored[thing] < -500, 40, stored[thing])
    with_things = Volume(grid=volume.grid, stored=stored)
    mesh = surface_of(
        scalp_body(with_things, coarse_head(with_things), frame_at(centre), step_mm=2.0)
    )
    assert is_closed(mesh)
    away = np.linalg.norm(mesh.points - centre, axis=1)
    assert away.max() < SCALP_MM + 3.0
    assert mesh.volume_mm3() == pytest.approx(plain.volume_mm3(), rel=0.005)


def test_the_scalp_lies_on_the_skin_that_the_tool_finds(adult):
    head = find_head(adult.volume)
    own = head_only(head.coarse, head.frame)
    body = scalp_body(adult.volume, head.coarse, head.frame, step_mm=2.0, parts=own)
    mesh = surface_of(body)
    assert is_closed(mesh)
    tree, normals = cKDTree(mesh.points), mesh.unit_normals()
    off = []
    for turned_deg in (-50.0, 0.0, 35.0):
        t = np.radians(turned_deg)
        flat = np.cos(t) * head.frame.unit_anterior + np.sin(t) * head.frame.unit_right
        angles = np.arange(15.0, 195.0, 1.5)
        section = polar_section(
            adult.volume, head.coarse, head.frame.origin_mm, flat, head.frame.unit_superior, angles,
            behind=angles > 110.0,
        )  # fmt: skip
        points = section.skin_points()
        points = points[np.isfinite(points).all(axis=1)]
        near = tree.query(points)[1]
        off.append(np.einsum("ij,ij->i", mesh.points[near] - points, normals[near]))
    off_mm = np.concatenate(off)
    assert len(off_mm) > 300
    assert np.percentile(np.abs(off_mm), 95) < 0.5
    assert abs(off_mm.mean()) < 0.1
    # The head rest behind the sample is not in it.
    behind = head.frame.head_from_world(mesh.points)
    assert behind[:, 1].min() > head.frame.head_from_world(head.midline_skin_mm)[:, 1].min() - 3.0


def test_fewer_triangles_stay_closed(balls):
    volume, centre = balls
    body = scalp_body(volume, coarse_head(volume), frame_at(centre), step_mm=2.0)
    mesh = surface_of(body)
    fewer = reduced(mesh, 6000)
    assert fewer is not None
    assert len(fewer.faces) <= 6000 < len(mesh.faces)
    found = trimesh.Trimesh(fewer.points, fewer.faces, process=False)
    assert found.is_watertight
    assert found.is_winding_consistent
    assert found.volume == pytest.approx(mesh.volume_mm3(), rel=0.01)
    assert reduced(mesh, len(mesh.faces)) is mesh
