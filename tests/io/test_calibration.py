"""Whether values are HU: made-up heads in every storage that scanners and converters leave."""

from __future__ import annotations

import numpy as np
import pytest

from entrypoint.errors import FileRefused
from entrypoint.io.nifti import read_nifti
from tests.io.make import head_hu, nifti1, write

SHAPE = (60, 70, 56)
MATRIX = np.diag([3.2, 3.2, 3.5, 1.0])


def facts_of(tmp_path, hu, **options):
    loaded = read_nifti(write(tmp_path / "a.nii", nifti1(hu, MATRIX, **options)))
    return loaded.facts, loaded.volume


@pytest.mark.parametrize("noise_hu", [1.0, 20.0, 40.0])
@pytest.mark.parametrize("air", [-1000.0, -970.0])
def test_a_head_is_taken_as_it_is(tmp_path, noise_hu, air):
    facts, volume = facts_of(tmp_path, head_hu(SHAPE, noise_hu=noise_hu, air=air))
    assert facts.offset_applied_hu is None
    assert (volume.slope, volume.inter) == (1.0, 0.0)
    assert facts.air_hu == pytest.approx(air, abs=20)
    assert facts.soft_hu == pytest.approx(37.0, abs=12)


@pytest.mark.parametrize("offset", [1024.0, 1000.0])
def test_unsigned_storage_without_its_intercept_is_put_right(tmp_path, offset):
    stored = np.maximum(head_hu(SHAPE) + offset, 0.0)
    facts, volume = facts_of(tmp_path, stored, kind="u2")
    assert facts.offset_applied_hu == -offset
    assert volume.inter == -offset
    assert facts.soft_hu == pytest.approx(37.0, abs=12)


@pytest.mark.parametrize("low", [-1000.0, -1024.0, -500.0, -200.0, 0.0])
def test_clipped_ranges_are_taken_and_said(tmp_path, low):
    facts, _ = facts_of(tmp_path, np.clip(head_hu(SHAPE), low, 1200.0))
    assert facts.offset_applied_hu is None
    if low > -1024:
        assert facts.clipped_low_hu == low
    assert (facts.air_hu is None) == (low > -850)


def test_high_end_clipped(tmp_path):
    facts, _ = facts_of(tmp_path, np.clip(head_hu(SHAPE), -1024.0, 1000.0))
    assert facts.clipped_high_hu == 1000.0


@pytest.mark.parametrize("padding", [-2000.0, -3024.0, 0.0])
def test_fill_values_outside_the_round_field(tmp_path, padding):
    hu = head_hu(SHAPE)
    x, y = np.meshgrid(np.linspace(-1, 1, 60), np.linspace(-1, 1, 70), indexing="ij")
    hu[x**2 + y**2 > 1.02] = padding
    facts, volume = facts_of(tmp_path, hu)
    assert facts.padding_hu == padding
    assert facts.air_hu == pytest.approx(-1000.0, abs=20)
    if padding < -1500:
        assert volume.block_means(4.0).stored.min() > -1600


def test_what_is_no_ct_is_refused(tmp_path):
    rng = np.random.default_rng(5)
    head = head_hu(SHAPE)
    mri = np.where(head < -500, 0, np.where(head > 600, 60, 420)) * rng.uniform(0.7, 1.3, SHAPE)
    low_mri = mri / 8.0
    mask = (head > -500).astype(float)
    picture = np.clip((head + 160) / 400, 0, 1) * 255
    for name, values in {
        "mri": mri,
        "low mri": low_mri,
        "mask": mask,
        "picture": picture,
        "noise": rng.normal(0, 300, SHAPE),
        "air only": rng.normal(-1000, 10, SHAPE),
    }.items():
        with pytest.raises(FileRefused, match=r"not HU|same value"):
            facts_of(tmp_path, values, kind="f4")
        assert name
    with pytest.raises(FileRefused, match="same value"):
        facts_of(tmp_path, np.full(SHAPE, 40.0))
