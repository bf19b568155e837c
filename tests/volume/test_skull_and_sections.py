"""Centre of the cranial cavity, radii and sections on shells; a plate behind is not scalp."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from entrypoint.errors import FileRefused, MeasurementError
from entrypoint.volume.grid import Grid
from entrypoint.volume.sections import polar_section
from entrypoint.volume.skull import coarse_head, coarse_radii
from entrypoint.volume.volume import Volume
from tests.volume.made import AIR, BRAIN, SOFT, blurred_layers, volume_of

BONE_HU, SKULL, SCALP = 1000.0, 7.0, 6.0


def shell(axes, centre, *, voxel=1.5, neck_mm=0.0, plate=None, noise=8.0, behind_mm=14.0, seed=1):
    """Ellipsoid head: ``axes`` are those of the skin; a neck below and a plate behind if wanted.

    ``plate`` is (thickness, HU, gap): flat, behind the head, its face ``gap`` mm off the skin.
    """
    axes, centre = np.array(axes, float), np.array(centre, float)
    profile = blurred_layers(
        [0.0, SCALP, SCALP + SKULL], [AIR, SOFT, BONE_HU, BRAIN], 0.9
    )

    def hu(p):
        q = p - centre
        f = np.linalg.norm(q / axes, axis=-1)
        depth = (1.0 - f) * f / np.maximum(np.linalg.norm(q / axes**2, axis=-1), 1e-9)
        out = profile(depth)
        if neck_mm:
            neck = (np.hypot(q[..., 0], q[..., 1] + 15) < neck_mm) & (q[..., 2] < -0.6 * axes[2])
            out = np.where(neck, np.maximum(out, SOFT), out)
        if plate is not None:
            thick, value, gap = plate
            behind = -(q[..., 1] + axes[1] + gap)
            inside = np.clip(np.minimum(behind, thick - behind) / 0.9 + 0.5, 0, 1)
            out = np.maximum(out, AIR + inside * (value - AIR))
        return out

    return volume_of(
        hu, centre - axes - [14.0, behind_mm, 14.0], centre + axes + 14.0, (voxel,) * 3,
        noise_hu=noise, seed=seed,
    )  # fmt: skip


@cache
def cached(axes, centre, **more):
    volume = shell(axes, centre, **more)
    return volume, coarse_head(volume)


SHELLS = [
    ((84.0, 84.0, 84.0), (0.0, 0.0, 0.0)),
    ((78.0, 98.0, 88.0), (12.0, -20.0, 33.0)),
    ((70.0, 92.0, 80.0), (-31.0, 14.0, 5.0)),
]


@pytest.mark.parametrize(("axes", "centre"), SHELLS)
def test_centre_of_the_largest_ball_that_bone_bounds(axes, centre):
    _, head = cached(axes, centre)
    assert np.abs(head.centre_mm - centre).max() < 3.0
    # Half the diagonal of eight blocks, any of which makes them bone.
    limit = np.sqrt(3) * max(head.grid.voxel_mm)
    assert head.ball_mm == pytest.approx(min(axes) - SCALP - SKULL, abs=limit)
    assert head.levels.air_hu == pytest.approx(AIR, abs=5.0)
    assert head.levels.soft_hu == pytest.approx(BRAIN, abs=5.0)


def test_a_neck_and_a_plate_do_not_move_the_centre():
    plain = cached(*SHELLS[1])[1]
    more = coarse_head(shell(*SHELLS[1], neck_mm=50.0, plate=(12.0, 100.0, 0.0), behind_mm=24.0))
    assert np.abs(more.centre_mm - plain.centre_mm).max() < 3.0


def test_outside_air_reaches_the_edge_and_a_cavity_does_not():
    """A sinus in the bone, or air inside the skull, is not outside."""
    volume, _ = cached(*SHELLS[0])
    hu = volume.stored.copy()
    index = np.rint(volume.grid.index([[30.0, 0.0, 40.0]])[0]).astype(int)
    hu[tuple(slice(i - 6, i + 7) for i in index)] = -1000
    head = coarse_head(Volume(grid=volume.grid, stored=hu))
    assert not head.is_exterior(np.array([[30.0, 0.0, 40.0]]))[0]
    assert not head.is_exterior(np.array([[0.0, 0.0, 0.0]]))[0]
    assert head.is_exterior(np.array([[0.0, 0.0, 97.0], [0.0, 0.0, 5000.0]])).all()


@pytest.mark.parametrize(("axes", "centre"), SHELLS)
def test_coarse_radii_within_a_block(axes, centre):
    _, head = cached(axes, centre)
    rng = np.random.default_rng(2)
    dirs = rng.normal(size=(200, 3))
    dirs /= np.linalg.norm(dirs, axis=1, keepdims=True)
    found = coarse_radii(head, dirs, centre_mm=np.array(centre))
    skin = 1.0 / np.linalg.norm(dirs / np.array(axes), axis=1)
    assert np.isfinite(found.skin_mm).all()
    block = max(head.grid.voxel_mm)
    assert np.abs(found.skin_mm - skin).max() < block
    normal = dirs * skin[:, None] / np.square(axes)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    bone = skin - SCALP / np.einsum("ij,ij->i", normal, dirs)
    assert np.abs(found.bone_mm - bone).max() < block


@pytest.mark.parametrize("radius", [40.0, 130.0])
def test_a_cavity_that_is_no_cranial_cavity_is_refused(radius):
    with pytest.raises(MeasurementError, match="cranial cavity"):
        coarse_head(shell((radius,) * 3, (0.0, 0.0, 0.0), voxel=2.6 if radius > 100 else 1.5))


def test_the_edge_of_the_field_bounds_the_cavity():
    """Half a head: the ball is the largest in what is seen, not in what is not."""
    volume, _ = cached(*SHELLS[0])
    half = volume.block((0, 0, 0), (volume.shape[0], volume.shape[1], volume.shape[2] // 2))
    head = coarse_head(half)
    assert half.grid.covers(head.centre_mm[None], margin_mm=head.ball_mm - 6.0)[0]
    assert head.ball_mm < 45.0


def test_soft_tissue_alone_is_refused():
    grid = Grid(shape=(60, 60, 60), world_from_index=np.diag([3.0, 3.0, 3.0, 1.0]))
    hu = np.full((60, 60, 60), -1000, dtype=np.int16)
    hu[10:50, 10:50, 10:50] = 35
    with pytest.raises(FileRefused):
        coarse_head(Volume(grid=grid, stored=hu))


ANGLES = np.arange(0.0, 360.0, 0.5)
ANTERIOR, SUPERIOR = np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0])


def cut(volume, head, origin, **more):
    return polar_section(volume, head, np.array(origin, float), ANTERIOR, SUPERIOR, ANGLES, **more)


def test_section_of_a_sphere_from_its_centre():
    volume, head = cached(*SHELLS[0])
    found = cut(volume, head, [0, 0, 0])
    assert np.abs(found.skin_mm - 84.0).max() < 0.3
    assert np.abs(found.bone_mm - 78.0).max() < 0.5  # a third of these voxels
    assert not found.leaves_field.any()
    np.testing.assert_allclose(np.linalg.norm(found.skin_points(), axis=1), found.skin_mm)
    np.testing.assert_allclose(found.unit_dirs[180], SUPERIOR, atol=1e-12)


def test_section_of_an_ellipsoid_off_its_centre():
    axes, centre = SHELLS[1]
    volume, head = cached(axes, centre)
    found = cut(volume, head, np.add(centre, [4.0, 9.0, -7.0]))
    off = (found.skin_points() - centre) / np.array(axes)
    assert np.abs((np.linalg.norm(off, axis=1) - 1.0) * min(axes)).max() < 0.4


def test_no_ray_is_found_where_the_head_leaves_the_field():
    volume, head = cached(*SHELLS[0])
    z = round(float(volume.grid.index([[0.0, 0.0, 60.0]])[0, 2]))
    low = volume.block((0, 0, 0), (volume.shape[0], volume.shape[1], z))
    found = cut(low, head, [0, 0, 0])
    height = 84.0 * np.sin(np.radians(ANGLES))
    assert np.isnan(found.skin_mm[height > 62.0]).all()
    assert np.isfinite(found.skin_mm[height < 57.0]).all()
    assert found.leaves_field[height > 62.0].all()


@pytest.mark.parametrize(
    "plate", [(8.0, 120.0, 0.0), (3.0, 120.0, 0.0), (15.0, -300.0, 0.0), (15.0, 60.0, -1.5)]
)
def test_a_plate_that_touches_behind_is_not_scalp(plate):
    """A head rest: flat, touching or pressed in by 1.5 mm, denser than the skin's own level."""
    thick = plate[0]
    volume, head = cached((84.0,) * 3, (0.0, 0.0, 0.0), plate=plate, voxel=1.2, behind_mm=24.0)
    found = cut(volume, head, [0, 0, 0], behind=(ANGLES > 120) & (ANGLES < 240))
    assert np.abs(found.bone_mm - 78.0).max() < 0.4
    # Where the gap to the plate is under 2 mm no scan of 1 mm shows the skin itself: there the
    # skin is unseen, or reads at most the plate's thickness too far out.
    off = np.abs(ANGLES - 180.0)
    wedge = off < np.degrees(np.arccos((84.0 + plate[2]) / (84.0 + 2.0)))
    outside = ~wedge & (off < 100)
    assert np.abs(found.skin_mm[outside] - 84.0).max() < 0.4
    touched = found.skin_mm[wedge]
    touched = touched[np.isfinite(touched)]
    assert ((touched > 83.4) & (touched < 84.0 + (thick + 2.0) / np.cos(np.radians(14)))).all()


@pytest.mark.parametrize("thick", [24.0, 45.0])
def test_a_thick_dense_block_behind_hides_the_scalp_and_says_so(thick):
    volume, head = cached(
        (84.0,) * 3, (0.0, 0.0, 0.0), plate=(thick, 120.0, -1.0), voxel=1.2, behind_mm=60.0
    )
    found = cut(volume, head, [0, 0, 0], behind=(ANGLES > 120) & (ANGLES < 240))
    at_contact = np.abs(ANGLES - 180.0) < 5
    assert np.isnan(found.skin_mm[at_contact]).all()
    assert np.abs(found.bone_mm - 78.0).max() < 0.4
