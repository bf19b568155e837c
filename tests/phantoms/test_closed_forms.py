"""The tools that make exact answers, on bodies whose answers are known in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from entrypoint.phantoms import GridSpec, profile, site
from entrypoint.phantoms.simple import Shell, simple_volume


def _arc(radius: float, degrees: float, n: int = 4001) -> np.ndarray:
    a = np.deg2rad(np.linspace(0.0, degrees, n))
    return np.stack([0 * a, radius * np.cos(a), radius * np.sin(a)], axis=-1)


X = np.array([1.0, 0.0, 0.0])
UP = np.array([0.0, 0.0, 1.0])


@pytest.mark.parametrize("radius", [79.0, 83.0, 87.0])
@pytest.mark.parametrize("arc", [25.0, 110.0])
def test_arc_and_chord_on_a_circle(radius: float, arc: float) -> None:
    # chord of an arc: 2 R sin(s / 2R)
    line = _arc(radius, 230.0)
    p, along, surface = site.on_tape(line, X, UP, arc)
    assert np.linalg.norm(p - line[0]) == pytest.approx(
        2 * radius * np.sin(arc / (2 * radius)), abs=0.002
    )
    assert surface == pytest.approx(arc, abs=0.002)
    a = arc / radius
    assert along == pytest.approx([0.0, -np.sin(a), np.cos(a)], abs=2e-4)


def test_tape_bridges_a_dent_and_its_point_drops_into_it() -> None:
    radius = 90.0
    a = np.deg2rad(np.linspace(0.0, 200.0, 8001))
    dent = 6.0 * np.exp(-(((a - 1.2) / 0.12) ** 2))
    line = np.stack([0 * a, (radius - dent) * np.cos(a), (radius - dent) * np.sin(a)], axis=-1)
    touch = profile.taut(line, X, UP)
    tape = profile.lengths(line[touch])[-1]
    whole = profile.lengths(line)[-1]
    assert tape < whole - 0.3
    # the bridging line touches the circle: the tape is the circle with one flat span
    span = int(np.argmax(np.diff(touch)))
    p, q = line[touch[span]], line[touch[span + 1]]
    middle = 0.5 * (profile.lengths(line[touch])[span] + profile.lengths(line[touch])[span + 1])
    point, _, _ = site.on_tape(line, X, UP, float(middle))
    foot = 0.5 * (p + q)
    chord = (q - p) / np.linalg.norm(q - p)
    assert abs((point - foot) @ chord) < 0.01
    assert 3.5 < np.linalg.norm(point - foot) < 4.5
    assert np.linalg.norm(point) < radius - 5.0


def test_tape_wraps_more_than_half_a_turn() -> None:
    line = _arc(90.0, 225.0)
    touch = profile.taut(line, X, UP)
    assert profile.lengths(line[touch])[-1] == pytest.approx(90.0 * np.deg2rad(225.0), abs=0.01)


def test_mean_normal_on_a_ball_and_across_a_ridge() -> None:
    def ball(xyz: np.ndarray) -> np.ndarray:
        return np.linalg.norm(xyz, axis=-1) - 85.0

    foot = 85.0 * np.array([0.3, 0.5, np.sqrt(1 - 0.34)])
    assert site.bone_normal(ball, foot, 10.0) == pytest.approx(foot / 85.0, abs=1e-6)

    def roof(xyz: np.ndarray) -> np.ndarray:
        # two planes meeting at x = 4, one level, one falling away at 0.5
        return xyz[..., 2] + 0.5 * np.maximum(xyz[..., 0] - 4.0, 0.0)

    # vector area of each part over the disc within 10 mm straight distance, by brute force
    x, y = np.meshgrid(np.arange(-10, 10, 0.01), np.arange(-10, 10, 0.02), indexing="ij")
    z = -0.5 * np.maximum(x - 4.0, 0.0)
    inside = x**2 + y**2 + z**2 < 100.0
    steep = inside & (x > 4.0)
    want = np.array([0.5 * steep.sum(), 0.0, inside.sum()], dtype=float)
    want /= np.linalg.norm(want)
    got = site.bone_normal(roof, np.zeros(3), 10.0, n=2000)
    assert got == pytest.approx(want, abs=1e-3)


def test_nasion_is_found_on_a_drawn_profile_whatever_its_tilt() -> None:
    # circular hollow of 12 mm radius between two straight flanks: its deepest point under the
    # touching line is the middle of the arc when both flanks are alike
    s = np.linspace(-34.0, 90.0, 6001)
    depth = 5.0 * np.exp(-((s / 8.0) ** 2))
    y = 95.0 - depth - 0.004 * np.maximum(s - 20.0, 0.0) ** 2 + 0.12 * np.maximum(-s - 12.0, 0.0)
    z = s - 25.0
    line = np.stack([0 * s, y, z], axis=-1)
    point, at, deep = profile.nasion(line)
    assert point[2] == pytest.approx(-25.0, abs=2.0)
    assert 3.5 < deep < 5.5
    assert at == pytest.approx(profile.lengths(line)[np.argmin(np.abs(z - point[2]))], abs=0.05)


def test_simple_ball_has_its_volume_and_border() -> None:
    grid = GridSpec.around((-30.0,) * 3, (30.0,) * 3, voxel_mm=1.0, slice_mm=1.5)
    hu, world = simple_volume(grid, [Shell(semi_mm=(25.0, 25.0, 25.0), hu=1000.0)])
    share = (hu.astype(float) + 1000.0) / 2000.0
    volume = share.sum() * abs(np.linalg.det(world[:3, :3]))
    assert volume == pytest.approx(4 / 3 * np.pi * 25.0**3, rel=5e-4)


def test_simple_shell_has_its_mass() -> None:
    grid = GridSpec.around((-32.0,) * 3, (32.0,) * 3, voxel_mm=0.8, slice_mm=0.8, axes="RAS")
    shells = [
        Shell(semi_mm=(28.0, 30.0, 26.0), hu=1000.0),
        Shell(semi_mm=(24.0, 26.0, 22.0), hu=0.0),
    ]
    hu, world = simple_volume(grid, shells)
    mass = (hu.astype(float) + 1000.0).sum() * abs(np.linalg.det(world[:3, :3]))
    want = 4 / 3 * np.pi * (2000.0 * 28 * 30 * 26 - 1000.0 * 24 * 26 * 22)
    assert mass == pytest.approx(want, rel=1e-3)
