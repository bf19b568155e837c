"""The grid and the volume: SimpleITK as an independent reference; the 48 orders; block means."""

from __future__ import annotations

from itertools import permutations, product

import numpy as np
import pytest
import SimpleITK as sitk  # noqa: N813
from hypothesis import given, settings
from hypothesis import strategies as st

from entrypoint.errors import GeometryError
from entrypoint.volume.grid import Grid
from entrypoint.volume.volume import AIR_HU, Volume


def rotation(rng):
    q, r = np.linalg.qr(rng.normal(size=(3, 3)))
    q = q * np.sign(np.diag(r))
    return q if np.linalg.det(q) > 0 else -q


def orders_and_flips():
    for order in permutations(range(3)):
        for flips in product((False, True), repeat=3):
            yield order, flips


def random_matrix(rng, *, shear=0.0):
    m = np.eye(4)
    skew = np.eye(3)
    skew[0, 1], skew[1, 2], skew[0, 2] = shear * rng.uniform(-1, 1, 3)
    m[:3, :3] = rotation(rng) @ skew @ np.diag(rng.uniform(0.4, 3.0, 3))
    m[:3, 3] = rng.uniform(-300, 300, 3)
    return m


@pytest.mark.parametrize("seed", range(40))
def test_index_to_mm_agrees_with_simpleitk(seed):
    # Independent reference: SimpleITK (Apache-2.0), whose world is LPS: x and y change sign.
    rng = np.random.default_rng(seed)
    size = rng.uniform(0.4, 3.0, 3)
    turn = rotation(rng) * np.where(rng.random(3) < 0.5, -1.0, 1.0)  # flipped axes, both hands
    origin = rng.uniform(-300, 300, 3)
    image = sitk.Image([7, 8, 9], sitk.sitkInt16)
    to_lps = np.diag([-1.0, -1.0, 1.0])
    image.SetOrigin((to_lps @ origin).tolist())
    image.SetSpacing(size.tolist())
    image.SetDirection((to_lps @ turn).ravel().tolist())
    m = np.eye(4)
    m[:3, :3], m[:3, 3] = turn * size, origin
    grid = Grid(shape=(7, 8, 9), world_from_index=m)
    index = rng.uniform(-1, 9, (20, 3))
    expected = [image.TransformContinuousIndexToPhysicalPoint(i.tolist()) for i in index]
    np.testing.assert_allclose(grid.world(index), np.array(expected) @ to_lps, atol=1e-9)
    back = [image.TransformPhysicalPointToContinuousIndex(p) for p in expected]
    np.testing.assert_allclose(grid.index(np.array(expected) @ to_lps), back, atol=1e-9)
    assert grid.right_handed == (np.linalg.det(turn) > 0)


@pytest.mark.parametrize("seed", range(10))
def test_sheared_grid_follows_the_header_formula(seed):
    # NIfTI-1 header text, method 3: x = srow_x[0] i + srow_x[1] j + srow_x[2] k + srow_x[3].
    # (SimpleITK refuses a sheared matrix.)
    rng = np.random.default_rng(seed)
    m = random_matrix(rng, shear=0.4)
    grid = Grid(shape=(5, 6, 7), world_from_index=m)
    i, j, k = 1.5, -0.25, 4.0
    by_hand = [sum(m[r, c] * v for c, v in enumerate((i, j, k, 1.0))) for r in range(3)]
    np.testing.assert_allclose(grid.world([i, j, k]), by_hand, atol=1e-12)
    np.testing.assert_allclose(grid.index(by_hand), [i, j, k], atol=1e-9)


def test_slices_are_as_thick_when_the_gantry_is_tilted():
    straight = np.diag([0.5, 0.5, 2.5, 1.0])
    tilted = straight.copy()
    tilted[1, 2] = 2.5 * np.tan(np.radians(18.0))
    for matrix in (straight, tilted):
        assert Grid(shape=(9, 9, 9), world_from_index=matrix).slice_mm == pytest.approx(2.5)


def test_voxel_centre_and_edge_are_not_mixed():
    grid = Grid(shape=(4, 5, 6), world_from_index=np.diag([2.0, 3.0, 4.0, 1.0]))
    np.testing.assert_allclose(grid.world([0, 0, 0]), 0.0)
    corners = grid.corners_mm()
    np.testing.assert_allclose(corners.min(axis=0), [-1.0, -1.5, -2.0])
    np.testing.assert_allclose(corners.max(axis=0), [7.0, 13.5, 22.0])
    assert grid.covers([7.0, 13.5, 22.0])
    assert not grid.covers([7.01, 13.5, 22.0])
    assert not grid.covers([7.0, 13.5, 22.0], margin_mm=0.1)
    assert not grid.covers([np.nan, 0.0, 0.0])


def stored_as(volume, order, flips):
    """The same voxels in another axis order, with another (numerically rounded) matrix."""
    grid = volume.grid.reordered(order, flips)
    view = volume.stored.transpose(order)
    view = view[tuple(slice(None, None, -1) if f else slice(None) for f in flips)]
    return Volume(grid=grid, stored=np.ascontiguousarray(view))


@pytest.mark.parametrize("turned_deg", [0.0, 20.0, 45.0])
def test_all_48_orders_give_the_same_canonical_view(turned_deg):
    rng = np.random.default_rng(7)
    stored = rng.integers(-1000, 2000, (12, 15, 9), dtype=np.int16)
    c, s = np.cos(np.radians(turned_deg)), np.sin(np.radians(turned_deg))
    m = np.eye(4)
    m[:3, :3] = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]) @ np.diag([0.5, 0.7, 1.1])
    m[:3, 3] = [-31.0, 12.0, 77.0]
    volume = Volume(grid=Grid(shape=stored.shape, world_from_index=m), stored=stored)
    first = volume.canonical()
    means = first.block_means_by((2, 3, 2))
    points = first.grid.world(rng.uniform(0, 8, (50, 3)))
    for order, flips in orders_and_flips():
        other = stored_as(volume, order, flips).canonical()
        assert other.grid.isclose(first.grid, atol_mm=1e-9)
        assert np.array_equal(other.stored, first.stored)
        assert np.array_equal(other.block_means_by((2, 3, 2)).stored, means.stored)
        np.testing.assert_allclose(other.sample_hu(points), first.sample_hu(points), atol=1e-6)
        assert other.grid.right_handed == first.grid.right_handed


def test_canonical_is_a_view_and_comes_closest_to_right_front_up():
    stored = np.zeros((4, 5, 6), dtype=np.int16)
    m = np.array([[0, 0, -1.0, 0], [2.0, 0, 0, 0], [0, 3.0, 0, 0], [0, 0, 0, 1]])
    volume = Volume(grid=Grid(shape=(4, 5, 6), world_from_index=m), stored=stored).canonical()
    assert volume.shape == (6, 4, 5)
    assert np.shares_memory(volume.stored, stored)
    assert (np.diag(volume.grid.world_from_index) > 0).all()


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    kind=st.sampled_from(["i2", "u2", "u1", "i4", "f4", "f8"]),
    step=st.tuples(*[st.integers(1, 4)] * 3),
)
def test_block_means_are_means_of_the_blocks(seed, kind, step):
    rng = np.random.default_rng(seed)
    order = tuple(rng.permutation(3))
    stored = rng.uniform(0, 200, (9, 10, 11)).astype(kind).transpose(order)
    volume = Volume(
        grid=Grid(shape=stored.shape, world_from_index=random_matrix(rng, shear=0.2)),
        stored=stored,
        slope=1.5,
        inter=-100.0,
    )
    means = volume.block_means_by(step)
    at = tuple(int(rng.integers(0, n)) for n in means.shape)
    cut = tuple(slice(a * s, (a + 1) * s) for a, s in zip(at, step, strict=True))
    expected = stored[cut].astype(float).mean() * 1.5 - 100.0
    assert means.stored[at] == pytest.approx(expected, abs=1e-3)
    middle = [a * s + (s - 1) / 2 for a, s in zip(at, step, strict=True)]
    np.testing.assert_allclose(means.grid.world(at), volume.grid.world(middle), atol=1e-9)


def test_sampling_is_exact_on_a_linear_field_and_absent_outside():
    grid = Grid(shape=(8, 9, 10), world_from_index=random_matrix(np.random.default_rng(1)))
    i, j, k = np.meshgrid(*[np.arange(n) for n in grid.shape], indexing="ij")
    volume = Volume(grid=grid, stored=(3 * i - 2 * j + 5 * k).astype(np.int16), slope=2, inter=-7)
    index = np.random.default_rng(2).uniform(0, 7, (100, 3))
    expected = 2 * (index @ [3, -2, 5]) - 7
    np.testing.assert_allclose(volume.sample_hu(grid.world(index)), expected, atol=1e-9)
    np.testing.assert_allclose(volume.sample_hu(grid.world([[-0.4, 0, 0]])), [-7.0], atol=1e-9)
    assert np.isnan(volume.sample_hu(grid.world([[-0.6, 0, 0], [np.nan, 0, 0]]))).all()
    cubic = volume.sample_hu(grid.world(np.clip(index, 2, 6)), order=3)
    # Mirror ends of the spline reach a few voxels in: 0.05 of a step of up to 10 HU.
    np.testing.assert_allclose(cubic, 2 * (np.clip(index, 2, 6) @ [3, -2, 5]) - 7, atol=0.5)


def test_padding_reads_as_air_and_blocks_are_cut_to_the_field():
    stored = np.full((6, 6, 6), 40, dtype=np.int16)
    stored[:2] = -3024
    volume = Volume(grid=Grid(shape=(6, 6, 6), world_from_index=np.eye(4)), stored=stored)
    block, grid = volume.block_hu((-3, 0, 0), (3, 2, 9))
    assert block.shape == (3, 2, 6)
    assert block.dtype == np.float32
    assert (block[:2] == AIR_HU).all()
    assert (block[2] == 40).all()
    np.testing.assert_allclose(grid.world([0, 0, 0]), 0.0)
    np.testing.assert_allclose(volume.sample_hu([[0.0, 0.0, 0.0]]), [AIR_HU])
    around = volume.block_around([[3.0, 3.0, 3.0]], margin_mm=1.0)
    assert around.shape == (3, 3, 3)
    assert np.shares_memory(around.stored, stored)
    with pytest.raises(GeometryError, match="meets the field of view"):
        volume.block((7, 0, 0), (9, 2, 2))


def test_what_is_no_grid_is_refused():
    with pytest.raises(GeometryError, match="positive sizes"):
        Grid(shape=(0, 1, 1), world_from_index=np.eye(4))
    with pytest.raises(GeometryError, match="finite"):
        Grid(shape=(2, 2, 2), world_from_index=np.full((4, 4), np.nan))
    with pytest.raises(GeometryError, match="same shape"):
        Volume(grid=Grid(shape=(2, 2, 2), world_from_index=np.eye(4)), stored=np.zeros((2, 2, 3)))
