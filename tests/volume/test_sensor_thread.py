"""A thread below a bolt, in a small block: whole, in part, bent, thick slices, and none."""

from __future__ import annotations

import numpy as np
import pytest

from entrypoint.volume.bolt import FoundBolt
from entrypoint.volume.bone import BonePatch
from entrypoint.volume.grid import Grid
from entrypoint.volume.sensor_thread import follow_sensor
from entrypoint.volume.volume import Volume
from tests.volume.metal_made import painted, rod

INWARD = np.array([0.38, 0.52, -0.765])
INWARD = INWARD / np.linalg.norm(INWARD)
FOOT = np.array([18.0, 14.0, 46.0])
END_MM, SIDE = 6.0, np.array([0.0, 1.0, 0.0])


def brain(slice_mm=1.0, noise_hu=18.0, seed=3):
    shape = (56, 56, round(60 / slice_mm))
    hu = 32.0 + np.random.default_rng(seed).normal(0.0, noise_hu, shape)
    matrix = np.diag([1.0, 1.0, slice_mm, 1.0])
    stored = np.clip(np.rint(hu), -1024, 3071).astype(np.int16)
    return Volume(grid=Grid(shape=shape, world_from_index=matrix), stored=stored)


def bolt():
    nothing = np.zeros((3, 3))
    patch = BonePatch(
        origin_mm=FOOT, unit_u=SIDE, unit_v=SIDE, unit_inward=INWARD, offsets_mm=np.arange(3.0),
        depth_mm=nothing, skin_depth_mm=nothing, thickness_mm=nothing, peak_hu=nothing,
        inner_peak_hu=nothing, missing=nothing > 0,
    )  # fmt: skip
    return FoundBolt(
        foot_mm=FOOT, unit_inward=INWARD, unit_square=INWARD, top_mm=-20.0, end_mm=END_MM,
        radius_mm=2.5, sd_mm=0.1, sd_deg=0.3, patch=patch, sections=30,
    )  # fmt: skip


def at(depth_mm, aside_mm=0.0):
    aside = np.cross(INWARD, [0.0, 0.0, 1.0])
    return FOOT + depth_mm * INWARD + aside_mm * aside / np.linalg.norm(aside)


SHAFT = (rod(at(-14.0), at(END_MM), 2.5), 9000.0)


def followed(*things, **how):
    return follow_sensor(painted(brain(**how), [*things, SHAFT], streak_hu=90.0), bolt(), SIDE)


@pytest.mark.parametrize(
    ("slice_mm", "tip_mm", "allowed_mm"),
    [(1.0, 21.3, 0.5), (1.0, 33.8, 0.5), (2.5, 24.0, 1.2)],
)
def test_a_whole_thread(slice_mm, tip_mm, allowed_mm):
    seen = followed((rod(at(4.0), at(tip_mm), 0.55), 3500.0), slice_mm=slice_mm)
    assert seen is not None
    assert seen.tip_depth_mm == pytest.approx(tip_mm, abs=allowed_mm)
    assert abs(seen.tip_depth_mm - tip_mm) < 2.5 * seen.sd_mm
    assert np.linalg.norm(seen.tip_mm - at(tip_mm)) < allowed_mm + 0.3
    assert seen.share > 0.8
    assert seen.off_axis_mm < 0.6


def test_a_bright_end_beyond_a_part_that_is_not_seen():
    seen = followed((rod(at(22.0), at(27.0), 0.6), 4000.0))
    assert seen is not None
    assert seen.tip_depth_mm == pytest.approx(27.0, abs=0.6)
    assert seen.share < 0.5
    assert seen.first_mm > 18.0


def test_a_bent_thread_is_followed_off_the_axis():
    bent = [(rod(at(5.0 + k, 0.16 * k), at(6.0 + k, 0.16 * (k + 1)), 0.55), 3500.0)
            for k in range(20)]  # fmt: skip
    seen = followed(*bent)
    assert seen is not None
    assert seen.off_axis_mm == pytest.approx(3.2, abs=0.7)
    assert np.linalg.norm(seen.tip_mm - at(25.0, 3.2)) < 1.0


def test_no_thread_is_none_and_noise_makes_none():
    for seed in (3, 8):
        assert followed(seed=seed) is None
        assert followed(seed=seed, noise_hu=28.0, slice_mm=2.5) is None


def test_something_bright_far_from_the_axis_is_no_sensor():
    assert followed((rod(at(14.0, 6.5), at(22.0, 6.5), 1.2), 900.0)) is None
