"""Votes for the midline: planted features are heard, flat strips are silent, liars are outvoted."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from entrypoint.anatomy.midline import MidlinePlace, even_about, loosened, odd_about, vote

LATERAL = np.arange(-22.0, 22.01, 1.0)
CAP = 4.0


def line_at(at, depth=8.0, width=1.6):
    """A dark line (a suture) of so many units."""
    return -depth * np.exp(-0.5 * ((LATERAL - at) / width) ** 2)


@pytest.mark.parametrize("at", [-7.5, -3.0, 0.0, 2.5, 6.0])
@pytest.mark.parametrize("trend", [0.0, 0.15])
def test_even_about_finds_a_line_on_a_slope(at, trend):
    strip = 30.0 + trend * LATERAL + 0.01 * LATERAL**2 + line_at(at)
    shifts, against = even_about(strip, LATERAL, half_mm=8.0, reach_mm=10.0)
    assert shifts[np.argmin(against)] == pytest.approx(at, abs=0.5)
    assert against.min() < 0.1 * CAP
    assert against.max() <= CAP


@pytest.mark.parametrize("strip", [np.full(45, 12.0), 0.4 * LATERAL, 0.02 * LATERAL**2])
def test_a_strip_without_a_feature_says_nothing(strip):
    _, against = even_about(strip, LATERAL, half_mm=8.0, reach_mm=10.0)
    assert np.ptp(against) < 0.15 * CAP


def test_texture_of_the_size_of_chance_says_little():
    """One unit is what differs between sides by chance: such strips must not decide."""
    said = []
    for seed in range(40):
        strip = np.random.default_rng(seed).normal(0.0, 1.0, len(LATERAL))
        said.append(float(even_about(strip, LATERAL, half_mm=8.0, reach_mm=10.0)[1].min()))
    assert np.median(said) > 0.25 * CAP


def test_a_mirrored_strip_mirrors_its_vote():
    strip = line_at(3.0) + 0.5 * np.sin(LATERAL / 2.0)
    shifts, against = even_about(strip, LATERAL, half_mm=8.0, reach_mm=10.0)
    back_shifts, back = even_about(strip[::-1], LATERAL, half_mm=8.0, reach_mm=10.0)
    np.testing.assert_allclose(back_shifts, shifts)
    np.testing.assert_allclose(back[::-1], against, atol=1e-9)


def test_too_little_seen_is_no_vote():
    strip = line_at(0.0)
    strip[:12] = np.nan
    assert even_about(strip, LATERAL, half_mm=8.0, reach_mm=10.0) is None
    rows = np.tile(strip, (4, 1))
    rows[:, :30] = np.nan
    assert odd_about(rows, LATERAL, half_mm=12.0, reach_mm=10.0, independent=4.0) is None


@pytest.mark.parametrize("at", [-6.0, -1.5, 0.0, 4.0])
@pytest.mark.parametrize("slope", [0.0, 0.2])
def test_odd_about_finds_the_ridge_of_a_nose(at, slope):
    """A ridge, the strip as a whole tilted (the plane searched about is turned)."""
    x = LATERAL - at
    rows = np.stack([-h * np.exp(-0.5 * (x / w) ** 2) / 0.5 + slope * LATERAL / 0.5
                     for h, w in ((6, 5), (9, 6), (12, 7), (14, 7.5))])  # fmt: skip
    rows = rows + np.random.default_rng(1).normal(0, 0.4, rows.shape)
    shifts, against = odd_about(rows, LATERAL, half_mm=12.0, reach_mm=10.0, independent=4.0)
    assert shifts[np.argmin(against)] == pytest.approx(at, abs=0.8)
    beside = (np.abs(shifts - at) > 4.0) & (np.abs(shifts - at) < 8.0)
    assert against[beside].min() > 0.8 * CAP


def test_loosened_by_the_definition_written_out():
    shifts = np.arange(-5.0, 5.01, 0.5)
    against = np.minimum(2.0 * (shifts - 1.0) ** 2, CAP)
    found = loosened(shifts, against, 0.8)
    for k, s in enumerate(shifts):
        wanted = min(
            min(a + 0.5 * ((s - t) / 0.8) ** 2 for t, a in zip(shifts, against, strict=True)), CAP
        )
        assert found[k] == pytest.approx(wanted)
    assert (found <= against + 1e-12).all()
    assert found[np.argmin(against)] == pytest.approx(against.min())


ANTERIOR, SUPERIOR = np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0])
SHIFTS = np.arange(-10.0, 10.01, 0.5)
PRIOR = {"prior_sd_mm": 1.5, "prior_sd_rad": 0.035}


def places(true, *, n=24, liars=0.0, noise=0.0, width=0.8, seed=0, turn=None):
    """Places over the vault, most of which speak for the plane ``true`` (mm, per mm, per mm)."""
    rng = np.random.default_rng(seed)
    turn = turn or Rotation.identity()
    out = []
    for k, angle in enumerate(np.radians(np.linspace(-15, 195, n))):
        q = np.array([0.0, 90.0 * np.cos(angle), 85.0 * np.sin(angle)])
        at = true[0] + true[1] * q[1] + true[2] * q[2] + rng.normal(0, noise)
        if liars and k % round(1 / liars) == 1:
            at = rng.uniform(-9, 9)
        against = CAP * (1 - np.exp(-0.5 * np.square((SHIFTS - at) / width) / 2))
        out.append(MidlinePlace(position_mm=turn.apply(q), shifts_mm=SHIFTS, against=against,
                                kind="planted"))  # fmt: skip
    order = rng.permutation(n)
    return [out[i] for i in order]


def told(true, found):
    """Largest distance of two planes over the vault, mm."""
    a = np.radians(np.linspace(-15, 195, 50))
    lever = np.stack([np.ones(50), 90 * np.cos(a), 85 * np.sin(a)])
    return float(np.abs((np.array(true) - found) @ lever).max())


TRUE = [(0.0, 0.0, 0.0), (1.8, 0.02, -0.015), (-2.5, -0.03, 0.02), (0.5, 0.04, 0.03)]


@pytest.mark.parametrize("true", TRUE)
@pytest.mark.parametrize("seed", range(3))
def test_the_planted_plane_is_found(true, seed):
    x, cov, agreeing = vote(places(true, seed=seed), np.zeros(3), ANTERIOR, SUPERIOR, **PRIOR)
    assert told(true, x) < 0.35
    assert agreeing > 0.95
    assert (np.linalg.eigvalsh(cov) > 0).all()


@pytest.mark.parametrize("true", TRUE)
@pytest.mark.parametrize("seed", range(3))
def test_a_third_of_liars_does_not_carry_it(true, seed):
    said = places(true, liars=1 / 3, noise=0.3, seed=seed)
    x, _, agreeing = vote(said, np.zeros(3), ANTERIOR, SUPERIOR, **PRIOR)
    assert told(true, x) < 1.0
    assert 0.5 < agreeing < 0.9


def test_spread_of_the_plane_covers_its_error():
    inside = []
    for seed in range(40):
        rng = np.random.default_rng(500 + seed)
        true = rng.normal(0.0, [1.5, 0.035, 0.035])
        said = places(true, n=14, noise=0.8, width=1.0, seed=seed)
        x, cov, _ = vote(said, np.zeros(3), ANTERIOR, SUPERIOR, **PRIOR)
        lever = np.array([1.0, 60.0, 62.0])
        inside.append(abs((x - true) @ lever) < 1.96 * np.sqrt(lever @ cov @ lever))
    assert np.mean(inside) >= 0.85


def test_nothing_said_leaves_what_was_known_before():
    x, cov, agreeing = vote([], np.zeros(3), ANTERIOR, SUPERIOR, **PRIOR)
    np.testing.assert_array_equal(x, 0.0)
    np.testing.assert_allclose(np.sqrt(np.diag(cov)), [1.5, 0.035, 0.035])
    assert agreeing == 0.0
    flat = [MidlinePlace(position_mm=np.zeros(3), shifts_mm=SHIFTS, against=np.full(41, CAP),
                         kind="silent")]  # fmt: skip
    x, cov, _ = vote(flat, np.zeros(3), ANTERIOR, SUPERIOR, **PRIOR)
    assert np.abs(x / [1.5, 0.035, 0.035]).max() < 0.1
    assert np.sqrt(np.diag(cov)) == pytest.approx([1.5, 0.035, 0.035], rel=0.25)


def test_order_and_pose_do_not_matter():
    true = (1.2, 0.02, -0.01)
    plain = vote(places(true, noise=0.4), np.zeros(3), ANTERIOR, SUPERIOR, **PRIOR)
    again = vote(places(true, noise=0.4)[::-1], np.zeros(3), ANTERIOR, SUPERIOR, **PRIOR)
    np.testing.assert_allclose(again[0], plain[0], atol=1e-9)
    turn = Rotation.from_euler("zxy", [70, -30, 20], degrees=True)
    turned = vote(
        places(true, noise=0.4, turn=turn), np.zeros(3), turn.apply(ANTERIOR),
        turn.apply(SUPERIOR), **PRIOR,
    )  # fmt: skip
    np.testing.assert_allclose(turned[0], plain[0], atol=1e-9)
