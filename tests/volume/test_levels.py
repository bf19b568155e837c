"""Levels of air, soft tissue and bone from histograms made for the purpose."""

from __future__ import annotations

import numpy as np
import pytest

from entrypoint.errors import FileRefused
from entrypoint.volume.levels import Levels, read_levels


def head_like(
    *,
    soft=36.0,
    bone=(900.0, 260.0),
    bone_share=0.06,
    air=-1000.0,
    fat_share=0.08,
    metal_share=0.0,
    soft_share=0.38,
    noise=9.0,
    seed=0,
    n=200_000,
):
    """Readings of block means: air, fat, soft tissue, blocks half in bone, bone, metal."""
    rng = np.random.default_rng(seed)
    k = [int(n * s) for s in (soft_share, fat_share, bone_share, 0.04, metal_share)]
    parts = [
        rng.normal(soft, noise, k[0]),
        rng.normal(-90.0, 18.0, k[1]),
        rng.normal(*bone, k[2]),
        rng.uniform(soft, bone[0], k[3]),
        np.full(k[4], 3071.0),
        rng.normal(air, noise, n - sum(k)),
    ]
    return np.concatenate(parts).astype(np.float32)


@pytest.mark.parametrize("soft", [12.0, 36.0, 55.0])
@pytest.mark.parametrize("air", [-1000.0, -1024.0, -990.0])
def test_air_and_soft_tissue_to_three_hu(soft, air):
    levels = read_levels(head_like(soft=soft, air=air))
    assert levels.air_hu == pytest.approx(air, abs=3.0)
    assert levels.soft_hu == pytest.approx(soft, abs=3.0)
    assert levels.skin_hu == pytest.approx((air + soft) / 2, abs=3.0)


def test_range_clipped_to_minus_200_and_1200():
    clipped = np.clip(head_like(bone=(1100.0, 350.0)), -200.0, 1200.0)
    levels = read_levels(clipped)
    assert levels.air_hu == pytest.approx(-200.0, abs=1.0)
    assert levels.soft_hu == pytest.approx(36.0, abs=3.0)
    assert -160.0 < levels.skin_hu < 0.0
    assert 300.0 < levels.bone_hu <= 1200.0


@pytest.mark.parametrize("top", [1000.0, 3071.0])
def test_other_clipped_ranges(top):
    levels = read_levels(np.clip(head_like(), -1000.0, top))
    assert levels.soft_hu == pytest.approx(36.0, abs=3.0)
    assert levels.air_hu == pytest.approx(-1000.0, abs=3.0)


@pytest.mark.parametrize("peak", [420.0, 560.0, 900.0, 1500.0])
def test_bone_level_follows_the_bone_of_this_head(peak):
    """Old bone: coarse blocks of a skull that peaks at 629 HU read about 400 to 500."""
    levels = read_levels(head_like(bone=(peak, 0.15 * peak)))
    assert 0.6 * peak < levels.bone_hu < 1.25 * peak
    # The edge lies between soft tissue and this head's own bone, well off both.
    assert levels.soft_hu + 60 < levels.bone_edge_hu < 0.75 * peak


def test_a_little_metal_does_not_move_the_bone_level():
    plain, metal = (read_levels(head_like(metal_share=s)) for s in (0.0, 0.002))
    assert metal.bone_hu == pytest.approx(plain.bone_hu, rel=0.05)


def test_values_that_are_not_finite_are_left_out():
    hu = head_like()
    holed = hu.copy()
    holed[:500] = np.nan
    assert read_levels(holed).soft_hu == pytest.approx(read_levels(hu).soft_hu, abs=0.5)


def test_order_and_shape_do_not_matter():
    hu = head_like()[:199_920]
    again = np.random.default_rng(1).permutation(hu).reshape(34, 60, 98)
    assert read_levels(again) == read_levels(hu)


@pytest.mark.parametrize(
    ("what", "hu"),
    [
        ("magnetic resonance", np.abs(np.random.default_rng(0).normal(300, 180, 50_000)) + 1),
        ("magnetic resonance with dark air", np.concatenate([
            np.abs(np.random.default_rng(0).normal(0, 12, 30_000)),
            np.random.default_rng(1).normal(420, 90, 30_000)])),
        ("stored with 1024 added", head_like() + 1024.0),
        ("air only", np.full(10_000, -1000.0)),
        ("zeros", np.zeros(10_000)),
        ("labels", np.random.default_rng(0).integers(0, 5, 10_000)),
        ("cropped inside the head", np.random.default_rng(0).normal(36, 9, 10_000)),
        ("soft tissue and air without bone", head_like(bone=(70.0, 10.0))),
    ],
)  # fmt: skip
def test_what_is_not_a_head_ct_is_refused_by_name(what, hu):
    with pytest.raises(FileRefused, match="expected a head CT in Hounsfield units"):
        read_levels(np.asarray(hu, dtype=np.float32))


def test_edges_between_levels():
    levels = Levels(air_hu=-1000.0, soft_hu=40.0, bone_hu=1040.0)
    assert levels.skin_hu == -480.0
    assert levels.bone_edge_hu == pytest.approx(440.0)
