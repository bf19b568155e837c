"""Straps over the skin are taken off; what belongs to the head is left."""

from __future__ import annotations

import numpy as np
import pytest

from entrypoint.volume.straps import under_straps

ANGLES = np.arange(-40.0, 120.0, 0.4)
TURN = np.radians(ANGLES)


def head(noise_mm=0.06, seed=1):
    """Radii of a profile, and of where it reads as scalp does."""
    rng = np.random.default_rng(seed)
    skin = 1.0 / np.hypot(np.cos(TURN) / 95.0, np.sin(TURN) / 84.0)
    skin = skin + rng.normal(0.0, noise_mm, len(skin))
    return skin, skin - 0.6 - rng.normal(0.0, noise_mm, len(skin))


def over(start_deg, end_deg):
    middle, half = 0.5 * (start_deg + end_deg), 0.5 * (end_deg - start_deg)
    return np.abs(ANGLES - middle) <= half + 1e-6


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("start", "end", "thick"), [
    (20.0, 38.0, 1.8), (-12.0, 10.0, 1.0), (5.0, 11.0, 2.5), (60.0, 110.0, 3.0),
])  # fmt: skip
def test_a_strap_is_taken_off(start, end, thick, seed):
    skin, dense = head(seed=seed)
    strapped = skin + thick * over(start, end)
    bare = under_straps(strapped, dense, ANGLES)
    assert np.abs(bare - skin).max() < 0.5
    assert np.sqrt(np.mean(np.square(bare - skin))) < 0.12


def test_two_straps_and_rows_that_are_not_seen():
    skin, dense = head(seed=9)
    strapped = skin + 2.0 * over(10.0, 20.0) + 1.5 * over(50.0, 70.0)
    strapped[over(14.0, 15.0)] = np.nan
    bare = under_straps(strapped, dense, ANGLES)
    assert np.array_equal(np.isnan(bare), np.isnan(strapped))
    assert np.nanmax(np.abs(bare - skin)) < 0.5


def swollen():
    skin, dense = head()
    dome = 8.0 * np.exp(-np.square((ANGLES - 50.0) / 12.0))
    return skin + dome, dense + dome


def sharp_edged():
    """A flap of scalp, dense to its surface."""
    skin, dense = head()
    return skin + 3.0 * over(30.0, 60.0), dense + 3.0 * over(30.0, 60.0)


def fat():
    """Fat close under the skin: the reading rises late, and the skin has no step."""
    skin, dense = head()
    return skin, dense - 2.0 * over(20.0, 60.0)


def all_over():
    skin, dense = head()
    return skin + 2.0, dense


def strand():
    skin, dense = head()
    return skin + 2.0 * over(30.0, 32.0), dense


@pytest.mark.parametrize("made", [head, swollen, sharp_edged, fat, all_over, strand])
def test_what_is_no_strap_is_left(made):
    skin, dense = made()
    assert np.array_equal(under_straps(skin, dense, ANGLES), skin)


def test_a_section_that_shows_nothing():
    nothing = np.full(len(ANGLES), np.nan)
    assert np.isnan(under_straps(nothing, nothing, ANGLES)).all()
