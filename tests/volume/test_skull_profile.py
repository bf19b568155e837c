"""Thickness on blurred slabs of known layers: errors against targets, spreads against errors."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from entrypoint.errors import MeasurementError
from entrypoint.volume.bone import bone_patch
from entrypoint.volume.skull_profile import read_skull_profile, skin_blur
from tests.volume.made import AIR, FWHM_PER_SIGMA, SOFT, Slab, blurred_layers

SKULL_MM, SCALP_MM = 0.5, 0.7  # targets for voxels of 1 mm or finer


def read(slab, tilt_deg=0.0):
    inward = slab.unit_inward
    if tilt_deg:
        side = np.cross(inward, [1.0, 0.0, 0.0])
        side /= np.linalg.norm(side)
        a = np.radians(tilt_deg)
        inward = np.cos(a) * inward + np.sin(a) * side
    patch = bone_patch(slab.volume, slab.levels, slab.entry_mm, inward, np.array([1.0, 0.2, 0.0]))
    return read_skull_profile(
        slab.volume, slab.levels, patch, slab.entry_mm, inward, noise_hu=slab.noise_hu
    )


def layers(thick):
    """Outer table, diploe, inner table of a usual skull of this thickness."""
    return (1.8, thick - 3.2, 1.4) if thick > 4.5 else (0.42 * thick, 0.25 * thick, 0.33 * thick)


@pytest.mark.parametrize("voxel_mm", [(0.5, 0.5, 0.6), (0.7, 0.7, 1.0), (1.0, 1.0, 1.0)])
@pytest.mark.parametrize("fwhm", [0.6, 0.9, 1.2])
@pytest.mark.parametrize("thick", [4.0, 6.0, 9.0, 14.0])
def test_thickness_within_the_targets(thick, fwhm, voxel_mm):
    slab = Slab(
        tables_mm=layers(thick), fwhm_mm=fwhm, voxel_mm=voxel_mm, noise_hu=20.0,
        seed=int(10 * thick + 100 * fwhm),
    )  # fmt: skip
    found = read(slab)
    assert found.skull_mm == pytest.approx(thick, abs=SKULL_MM)
    assert found.scalp_mm == pytest.approx(slab.scalp_mm, abs=SCALP_MM)
    assert found.inner_mm == pytest.approx(slab.scalp_mm + thick, abs=SKULL_MM)
    assert found.skin_mm == pytest.approx(0.0, abs=0.2)


@pytest.mark.parametrize("fwhm", [0.6, 1.2, 2.0])
@pytest.mark.parametrize("thick", [2.0, 3.0, 5.0, 10.0])
def test_merged_tables_are_told_and_measured(thick, fwhm):
    """Bone without diploe: three layers are not claimed, and the whole is measured."""
    slab = Slab(
        tables_mm=(0.3 * thick, 0.4 * thick, 0.3 * thick), diploe_hu=1290.0, fwhm_mm=fwhm,
        noise_hu=20.0, seed=int(thick + 10 * fwhm),
    )  # fmt: skip
    found = read(slab)
    assert found.outer_diploe_mm is None
    assert found.diploe_inner_mm is None
    assert found.skull_mm == pytest.approx(thick, abs=SKULL_MM)
    assert found.scalp_mm == pytest.approx(slab.scalp_mm, abs=SCALP_MM)


@pytest.mark.parametrize("fwhm", [0.6, 0.9, 1.2])
@pytest.mark.parametrize("tables", [(1.8, 4.0, 1.4), (2.4, 5.0, 1.8)])
def test_three_layers_are_told_apart_where_they_are(tables, fwhm):
    slab = Slab(tables_mm=tables, fwhm_mm=fwhm, voxel_mm=(0.5, 0.5, 0.6), noise_hu=15.0, seed=4)
    found = read(slab)
    assert found.outer_diploe_mm is not None
    assert found.diploe_inner_mm is not None
    got = np.diff([found.outer_mm, found.outer_diploe_mm, found.diploe_inner_mm, found.inner_mm])
    np.testing.assert_allclose(got, tables, atol=0.4)
    assert got.sum() == pytest.approx(found.skull_mm, abs=1e-9)


@pytest.mark.parametrize("thick", [2.0, 3.0, 5.0, 8.0])
@pytest.mark.parametrize("fwhm", [0.6, 1.0, 1.5, 2.0])
def test_never_wrong_by_a_millimetre_in_silence(thick, fwhm):
    """Also where tables are thinner than the blur: no error over 1 mm and over 3 of its SDs."""
    tables = (0.28 * thick, 0.5 * thick, 0.22 * thick)
    for voxel in (0.5, 1.0):
        slab = Slab(tables_mm=tables, fwhm_mm=fwhm, voxel_mm=(voxel, voxel, 1.0), noise_hu=25.0,
                    seed=int(thick * 7 + fwhm * 10))  # fmt: skip
        found = read(slab)
        off = abs(found.skull_mm - thick)
        assert off < 1.0 or off < 3 * found.skull_sd_mm


@pytest.mark.parametrize("tilt", [5.0, 10.0, 20.0])
def test_along_a_tilted_path_the_bone_is_longer_by_the_slant_factor(tilt):
    """1 / cos of the angle to the perpendicular, for scalp and skull alike."""
    slab = Slab(tables_mm=(1.8, 3.8, 1.4), voxel_mm=(0.5, 0.5, 0.6), noise_hu=10.0, seed=2)
    straight, slanted = read(slab), read(slab, tilt)
    factor = 1 / np.cos(np.radians(tilt))
    assert slanted.skull_mm == pytest.approx(slab.skull_mm * factor, abs=0.25)
    assert slanted.scalp_mm == pytest.approx(slab.scalp_mm * factor, abs=0.25)
    assert straight.skull_mm == pytest.approx(slab.skull_mm, abs=0.25)


def test_porous_bone_needs_no_fixed_level():
    """Peak of old bone 629 HU: Yamada K et al., doi 10.1111/j.1532-5415.1982.tb03366.x."""
    slab = Slab(tables_mm=(1.7, 3.4, 1.3), table_hu=629.0, diploe_hu=230.0, noise_hu=20.0, seed=5)
    found = read(slab)
    assert found.skull_mm == pytest.approx(slab.skull_mm, abs=SKULL_MM)
    assert found.scalp_mm == pytest.approx(slab.scalp_mm, abs=SCALP_MM)


@pytest.mark.parametrize(("between_hu", "thick"), [(-80.0, 14.4), (34.0, 2.2), (8.0, 2.2)])
def test_fat_between_tables_is_bone_and_brain_or_fluid_is_not(between_hu, thick):
    """10.5 mm of marrow between two tables; or of brain under a thin bone, over calcified dura."""
    slab = Slab(tables_mm=(2.2, 10.5, 1.7), diploe_hu=between_hu, noise_hu=20.0, seed=6)
    assert read(slab).skull_mm == pytest.approx(thick, abs=SKULL_MM)


def test_spreads_mean_what_they_say():
    """95 % intervals cover in at least 85 % of a stratum and are not blown up (4 x at most)."""
    off, sd, scalp_off, scalp_sd = [], [], [], []
    for k in range(60):
        rng = np.random.default_rng(1000 + k)
        outer, inner = rng.uniform(1.5, 2.0), rng.uniform(1.0, 1.5)
        thick, voxel = rng.uniform(4.2, 12.0), rng.uniform(0.5, 1.0)
        slab = Slab(
            tables_mm=(outer, max(thick - outer - inner, 0.8), inner),
            fwhm_mm=rng.uniform(0.7, 1.2),
            voxel_mm=(voxel, voxel, rng.choice([0.6, 1.0])),
            noise_hu=rng.uniform(15.0, 30.0),
            tilt_deg=rng.uniform(0.0, 35.0),
            turn_deg=rng.uniform(0.0, 360.0),
            table_hu=rng.uniform(1050.0, 1600.0),
            diploe_hu=rng.uniform(300.0, 560.0),
            scalp_mm=rng.uniform(3.8, 8.0),
            seed=k,
        )
        found = read(slab)
        off.append(found.skull_mm - slab.skull_mm)
        sd.append(found.skull_sd_mm)
        scalp_off.append(found.scalp_mm - slab.scalp_mm)
        scalp_sd.append(found.scalp_sd_mm)
    off, sd = np.abs(off), np.array(sd)
    assert np.percentile(off, 95) < SKULL_MM
    assert np.median(off) < 0.25
    assert np.mean(off < 1.96 * sd) >= 0.85
    assert np.median(1.96 * sd) <= 4 * np.median(off)
    assert np.percentile(np.abs(scalp_off), 95) < SCALP_MM
    assert np.mean(np.abs(scalp_off) < 1.96 * np.array(scalp_sd)) >= 0.85


def test_noise_widens_the_spread():
    calm, rough = (
        np.mean([read(Slab(tables_mm=(1.8, 3.5, 1.4), noise_hu=n, seed=s)).skull_sd_mm
                 for s in range(5)])
        for n in (5.0, 60.0)
    )  # fmt: skip
    assert rough > calm


@pytest.mark.parametrize("fwhm", [0.6, 1.0, 2.0])
def test_blur_is_read_off_the_skin(fwhm):
    depths = np.arange(-6.0, 5.0, 0.2)
    hu = blurred_layers([0.3], [AIR, SOFT], fwhm)(depths)
    slab = Slab(tables_mm=(1.8, 3.5, 1.4))
    skin, sigma = skin_blur(depths, hu, 0.0, slab.levels)
    assert skin == pytest.approx(0.3, abs=0.02)
    assert sigma * FWHM_PER_SIGMA == pytest.approx(fwhm, rel=0.05)


def test_the_fitted_curve_follows_the_readings():
    slab = Slab(tables_mm=(1.8, 3.5, 1.4), noise_hu=5.0)
    found = read(slab)
    seen = np.isfinite(found.fitted_hu)
    assert found.depths_mm[seen].min() < found.outer_mm
    assert found.depths_mm[seen].max() > found.inner_mm + 5.0
    rms = float(np.sqrt(np.mean((found.fitted_hu - found.hu)[seen] ** 2)))
    assert rms == pytest.approx(found.misfit_hu, rel=1e-6)
    assert rms < 25.0


def test_no_bone_on_the_path_is_refused():
    slab = Slab(tables_mm=(1.8, 3.5, 1.4))
    patch = bone_patch(slab.volume, slab.levels, slab.entry_mm, slab.unit_inward, [1.0, 0, 0])
    outwards = dataclasses.replace(patch, unit_inward=-slab.unit_inward)
    with pytest.raises(MeasurementError, match="bone on the path"):
        read_skull_profile(
            slab.volume, slab.levels, outwards, slab.entry_mm, -slab.unit_inward, noise_hu=0.0
        )
