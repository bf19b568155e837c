"""The deepest point of a hollow whose deepest point is known in closed form, in any pose."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy.optimize import minimize_scalar
from scipy.spatial.transform import Rotation

from entrypoint.anatomy.nasion import find_nasion
from entrypoint.errors import MeasurementError

RIGHT = np.array([1.0, 0.0, 0.0])


def place(yz, seed=None, step=0.4):
    """A profile (anterior, superior) as world points, turned and shifted by chance."""
    flat = np.column_stack([np.zeros(len(yz)), yz])
    arc = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(flat, axis=0), axis=1))])
    s = np.arange(0.0, arc[-1], step)
    flat = np.column_stack([np.interp(s, arc, flat[:, k]) for k in range(3)])
    if seed is None:
        return flat, RIGHT, lambda p: p
    rng = np.random.default_rng(seed)
    turn, shift = Rotation.random(random_state=rng), rng.uniform(-300, 300, 3)
    return (
        turn.apply(flat) + shift, turn.apply(RIGHT), lambda p: turn.inv().apply(p - shift)
    )  # fmt: skip


def arc_points(centre, radius, start_deg, stop_deg, n=400):
    a = np.radians(np.linspace(start_deg, stop_deg, n))
    return np.column_stack([centre[0] + radius * np.cos(a), centre[1] + radius * np.sin(a)])


def vault_to(point, slope_deg):
    """A forehead of radius 80 that arrives at a point, so many degrees off straight down."""
    # On a circle traversed from above, the tangent at angle t (from anterior) heads t off down.
    centre = point - 80.0 * np.array([np.cos(np.radians(slope_deg)), np.sin(np.radians(slope_deg))])
    return arc_points(centre, 80.0, 75.0, slope_deg)


def nose_from(point, run=(0.45, -1.0), length=24.0):
    """A straight bridge down to a tip, then back under the nose to the lip."""
    way = np.array(run) / np.hypot(*run)
    tip = point + length * way
    under = tip + np.array([[-3.0, -3.0], [-10.0, -6.0], [-16.0, -8.0], [-15.0, -24.0]])
    return np.vstack([point + np.linspace(0, 1, 60)[:, None] * (tip - point), under])


def two_arcs(brow_mm, hollow_mm):
    """Brow arc, hollow arc, straight bridge; the deepest point in closed form.

    The brow's circle and the hollow's circle touch. The bridging line touches the brow's circle
    and passes through the bridge; the deepest point of the hollow's circle is where its tangent
    is parallel to that line: its centre plus its radius against the line's outward normal.
    """
    hollow_centre = np.array([85.0 + hollow_mm, -20.0])
    up = np.radians(150.0)  # from the hollow's centre to where both circles touch
    touch = hollow_centre + hollow_mm * np.array([np.cos(up), np.sin(up)])
    brow_centre = touch + brow_mm * np.array([np.cos(up), np.sin(up)])
    down = np.radians(215.0)  # where the hollow goes over into the bridge, along its tangent
    low = hollow_centre + hollow_mm * np.array([np.cos(down), np.sin(down)])
    bridge_way = np.array([-np.sin(down), np.cos(down)])
    brow = arc_points(brow_centre, brow_mm, 12.0, -30.0, 200)
    hollow = arc_points(hollow_centre, hollow_mm, 150.0, 215.0, 400)
    bridge_end = low + 9.0 * bridge_way
    tip = bridge_end + np.array([0.6, -2.0])
    under = tip + np.array([[-4.0, -3.0], [-14.0, -5.0], [-16.0, -8.0], [-15.0, -26.0]])
    top = vault_to(brow[0], 12.0)
    bridge = np.linspace(low, bridge_end, 60)
    line = np.vstack([top, brow[1:], hollow[1:], bridge[1:], [tip], under])
    # Tangent from the bridge's own outermost point to the brow's circle.
    lower = tip
    away = brow_centre - lower
    half = np.arcsin(brow_mm / np.linalg.norm(away))
    heading = np.arctan2(away[1], away[0]) - half
    way = np.array([np.cos(heading), np.sin(heading)])
    out = np.array([way[1], -way[0]])
    out = out if out[0] > 0 else -out
    deepest = hollow_centre - hollow_mm * out
    touch_angle = np.degrees(np.arctan2(out[1], out[0]))  # on the brow's circle
    assert -30.0 < touch_angle < 12.0
    along = np.radians(touch_angle + 30.0) * brow_mm + np.radians(65.0) * hollow_mm + 9.0 + 2.1
    assert along < 39.0  # the definition looks at 40 mm of profile below the upper contact
    return line, deepest, float((lower - deepest) @ out)


@pytest.mark.parametrize("seed", [None, 1, 2, 3, 4, 5])
@pytest.mark.parametrize(("brow", "hollow"), [(20.0, 9.0), (26.0, 8.0), (16.0, 11.0)])
def test_two_arcs_and_a_straight_bridge(brow, hollow, seed):
    line, deepest, depth = two_arcs(brow, hollow)
    profile, right, back = place(line, seed)
    found, sd = find_nasion(profile, right)
    got = back(found.position_mm[None])[0]
    assert abs(got[0]) < 1e-6
    # The profile is smoothed with sigma 1 mm: a hollow of radius r fills by about 1 / (2 r) mm.
    assert np.linalg.norm(got[1:] - deepest) < 0.5
    assert found.depth_mm == pytest.approx(depth, abs=0.5)
    assert not found.shallow
    assert 0.0 < sd < 2.5


def test_the_pose_of_the_head_changes_nothing():
    line, _, _ = two_arcs(20.0, 9.0)
    plain, sd = find_nasion(*place(line)[:2])
    for seed in range(10, 30):
        profile, right, back = place(line, seed)
        found, its_sd = find_nasion(profile, right)
        np.testing.assert_allclose(
            back(found.position_mm[None])[0], plain.position_mm, atol=1e-6
        )
        assert found.depth_mm == pytest.approx(plain.depth_mm, abs=1e-9)
        assert its_sd == pytest.approx(sd, abs=1e-9)


def wave(depth, width, base=6.0):
    """A forehead and a bridge on one straight line with a cosine hollow in it, then the nose."""
    z = np.linspace(46.0, -26.0, 900)
    y = 80.0 - depth * np.where(np.abs(z) < width, np.cos(np.pi * z / 2 / width) ** 2, 0.0)
    y = y - 0.003 * np.where(z > width, (z - width) ** 2, 0.0)
    nose = np.array([[80.0 + base, -34.0], [76.0, -37.0], [68.0, -39.0], [69.0, -56.0]])
    return np.vstack([vault_to(np.array([y[0], z[0]]), 10.0)[:-1], np.column_stack([y, z]), nose])


@pytest.mark.parametrize("depth", [2.0, 4.0, 7.0])
@pytest.mark.parametrize("seed", [None, 7])
def test_deepest_below_the_line_that_touches_both_not_below_a_level(depth, seed):
    """The bridge leans forward, so that the deepest point lies above the hollow's own lowest."""
    line = wave(depth, 14.0)
    profile, right, back = place(line, seed)
    found, _ = find_nasion(profile, right)
    got = back(found.position_mm[None])[0][1:]
    upper, lower = (back(p[None])[0][1:] for p in (found.upper_contact_mm, found.lower_contact_mm))
    way = (lower - upper) / np.linalg.norm(lower - upper)
    out = np.array([-way[1], way[0]])

    def height(z):
        y = 80.0 - depth * np.cos(np.pi * z / 28.0) ** 2
        return float((np.array([y, z]) - upper) @ out)

    best = minimize_scalar(height, bounds=(-12.0, 12.0), method="bounded")
    assert got[1] == pytest.approx(best.x, abs=0.6)
    assert found.depth_mm == pytest.approx(-best.fun, abs=0.25)
    assert upper[1] > 10.0
    assert lower[1] < -10.0
    # Nothing of the profile lies outside the bridging line between its contacts.
    flat = back(profile)[:, 1:]
    between = (flat - upper) @ way
    between = (between > 0) & (between < np.linalg.norm(lower - upper))
    assert ((flat - upper) @ out)[between].max() < 0.15


def test_a_flatter_root_is_less_sharp():
    sds = [find_nasion(*place(wave(5.0, width))[:2])[1] for width in (8.0, 12.0, 16.0, 19.0)]
    assert all(a < b for a, b in itertools.pairwise(sds))


def test_a_long_flat_root_has_a_larger_error_than_a_sharp_one():
    """A root with 12 mm of straight bottom: anywhere on it is as deep."""
    z = np.linspace(46.0, -30.0, 1200)
    dip = np.clip((14.0 - np.abs(z)) / 8.0, 0.0, 1.0)
    nose = np.array([[87.0, -38.0], [77.0, -41.0], [69.0, -43.0], [70.0, -60.0]])
    line = np.vstack([vault_to(np.array([80.0, 46.0]), 5.0)[:-1],
                      np.column_stack([80.0 - 4.0 * dip, z]), nose])  # fmt: skip
    _, flat_sd = find_nasion(*place(line)[:2])
    _, sharp_sd = find_nasion(*place(wave(4.0, 10.0))[:2])
    assert flat_sd > 1.3 * sharp_sd


def test_a_shallow_root_is_told_and_its_error_grows():
    shallow, shallow_sd = find_nasion(*place(wave(0.5, 14.0, base=3.0))[:2])
    deep, deep_sd = find_nasion(*place(wave(5.0, 14.0))[:2])
    assert shallow.shallow == (shallow.depth_mm < 1.0)
    assert not deep.shallow
    if shallow.shallow:
        assert shallow_sd > deep_sd


def test_a_face_without_a_hollow_is_refused():
    line = arc_points(np.zeros(2), 82.0, 75.0, -50.0)
    with pytest.raises(MeasurementError, match="no hollow"):
        find_nasion(*place(line)[:2])


def test_a_straight_forehead_that_ends_above_the_root_is_refused():
    line = arc_points(np.zeros(2), 82.0, 75.0, 10.0)
    with pytest.raises(MeasurementError):
        find_nasion(*place(line, 3)[:2])


def test_a_profile_too_short_to_judge_is_refused():
    line, _, _ = two_arcs(20.0, 9.0)
    with pytest.raises(MeasurementError, match="too short"):
        find_nasion(*place(line[200:230])[:2])


@pytest.mark.parametrize("end", ["at the tip", "under the nose"])
def test_where_the_profile_ends_below_the_bridge_does_not_matter(end):
    line, deepest, _ = two_arcs(20.0, 9.0)
    whole, _ = find_nasion(*place(line)[:2])
    cut = line[: -4 if end == "at the tip" else -1]
    found, _ = find_nasion(*place(cut)[:2])
    np.testing.assert_allclose(found.position_mm, whole.position_mm, atol=0.35)
    assert np.linalg.norm(found.position_mm[1:] - deepest) < 0.6


def test_the_hollow_under_the_nose_is_not_the_nasion():
    """Between nose and lip the profile is hollower than at the root."""
    line = wave(3.0, 13.0, base=14.0)
    found, _ = find_nasion(*place(line)[:2])
    assert abs(found.position_mm[2]) < 12.0


@pytest.mark.parametrize("seed", range(6))
def test_noise_of_the_surface_moves_it_within_its_error(seed):
    rng = np.random.default_rng(seed)
    profile, right, _ = place(wave(4.0, 13.0))
    clean, _ = find_nasion(profile, right)
    rough = profile + np.column_stack(
        [np.zeros(len(profile)), rng.normal(0.0, 0.15, (len(profile), 2))]
    )
    found, sd = find_nasion(rough, right)
    assert np.linalg.norm(found.position_mm - clean.position_mm) < 3.0 * sd + 0.3


@pytest.mark.parametrize(("up", "thick", "edge"), [(28.0, 5.0, 4.0), (32.0, 5.0, 4.0),
                                                   (50.0, 3.0, 2.0)])  # fmt: skip
def test_a_strap_on_the_forehead_makes_no_nasal_root(up, thick, edge):
    """Its lower edge makes a hollow of its own; it stands out of the line over brow and nose."""
    line, _, _ = two_arcs(20.0, 9.0)
    bare, right, _ = place(line)
    expected, _ = find_nasion(bare, right)
    above = np.clip((bare[:, 2] - expected.position_mm[2] - up) / edge, 0.0, 1.0)
    strapped = bare + thick * above[:, None] * np.array([0.0, 1.0, 0.0])
    found, _ = find_nasion(strapped, right)
    assert np.linalg.norm(found.position_mm - expected.position_mm) < 0.2
