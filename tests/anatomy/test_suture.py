"""A dark line across an unrolled vault: found where it is, not claimed where it is not."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy import ndimage

from entrypoint.anatomy.suture import best_path, find_suture, line_contrast, line_evidence

ROWS, COLUMNS = 240, 71
ROW_MM, COLUMN_MM = 0.62, 1.65
LATERAL = (np.arange(COLUMNS) - 35) * COLUMN_MM
MID = 120.0


def maps_with(rows, *, depth=0.25, width_mm=1.1, texture=0.06, level=800.0, seed=0, seen=None):
    """Three maps of bone with texture; a line ``depth`` darker (a share) runs along ``rows``."""
    rng = np.random.default_rng(seed)
    r = np.arange(ROWS)[:, None]
    out = []
    for _ in range(3):
        grain = ndimage.gaussian_filter(rng.normal(size=(ROWS, COLUMNS)), (3.0, 1.2))
        bone = level * np.exp(texture * grain / grain.std())
        bone *= 1.0 + 0.1 * np.sin(r / 40.0)
        if rows is not None:
            dark = depth * np.exp(-0.5 * ((r - rows) * ROW_MM / width_mm) ** 2)
            if seen is not None:
                dark = dark * seen
            bone = bone * (1.0 - dark)
        out.append(bone)
    return out


def find(maps, prior=None, sd_rows=26.0):
    evidence = line_evidence(maps, np.full(COLUMNS, ROW_MM), COLUMN_MM)
    prior = np.full(COLUMNS, MID) if prior is None else prior
    return find_suture(maps, ROW_MM, evidence, prior, np.full(COLUMNS, sd_rows))


STRAIGHT = np.full(COLUMNS, 104.0)
BOWED = 131.0 - 0.0045 * LATERAL**2 / ROW_MM
SLANTED = 126.0 + 0.16 * LATERAL / ROW_MM


@pytest.mark.parametrize("true", [STRAIGHT, BOWED, SLANTED], ids=["straight", "bowed", "slanted"])
@pytest.mark.parametrize("seed", range(3))
def test_an_open_suture_is_followed(true, seed):
    path = find(maps_with(true, seed=seed))
    off = np.abs(path.row - true) * ROW_MM
    assert np.median(off) < 0.5
    assert np.percentile(off, 95) < 1.5
    assert np.median(path.contrast) > 0.12
    assert np.median(path.contrast) > 2.0 * np.median(path.rival)


@pytest.mark.parametrize("seed", range(6))
def test_a_closed_suture_gives_no_contrast_that_stands_out(seed):
    path = find(maps_with(None, seed=seed))
    assert np.mean(path.contrast) < 0.1
    assert np.mean(path.contrast) < 2.5 * max(np.mean(path.rival), 0.02)
    open_path = find(maps_with(BOWED, seed=seed))
    assert np.mean(open_path.contrast) > 2.0 * np.mean(path.contrast)


def test_open_on_one_side_only_shows_on_that_side_only():
    right = LATERAL > 6.0
    path = find(maps_with(BOWED, seen=right.astype(float)))
    far = np.abs(LATERAL) > 12.0
    assert np.mean(path.contrast[right & far]) > 0.12
    assert np.mean(path.contrast[~right & far]) < 0.5 * np.mean(path.contrast[right & far])
    assert np.median(np.abs(path.row - BOWED)[right & far]) * ROW_MM < 0.6


def test_a_rival_that_is_as_dark_is_reported():
    """Two lines: a fracture, or a step of the grid. One is followed, the other is the rival."""
    one, two = STRAIGHT, STRAIGHT + 40.0
    both = [a * b / 800.0 for a, b in zip(maps_with(one), maps_with(two, seed=9), strict=True)]
    path = find(both)
    assert min(np.median(np.abs(path.row - t)) for t in (one, two)) < 1.5
    assert np.median(path.rival) > 0.6 * np.median(path.contrast)


def test_expectation_decides_between_equal_lines():
    one, two = np.full(COLUMNS, 70.0), np.full(COLUMNS, 160.0)
    both = [a * b / 800.0 for a, b in zip(maps_with(one), maps_with(two, seed=9), strict=True)]
    for expected in (70.0, 160.0):
        path = find(both, prior=np.full(COLUMNS, expected), sd_rows=20.0)
        assert np.median(np.abs(path.row - expected)) < 1.5


def test_the_sagittal_suture_is_not_followed():
    maps = maps_with(None)
    column = np.exp(-0.5 * (LATERAL / 1.2) ** 2)
    for m in maps:
        m *= 1.0 - 0.35 * column
    evidence = line_evidence(maps, np.full(COLUMNS, ROW_MM), COLUMN_MM)
    across = maps_with(BOWED, depth=0.35)
    other = line_evidence(across, np.full(COLUMNS, ROW_MM), COLUMN_MM)
    on_line = other[np.rint(BOWED).astype(int), np.arange(COLUMNS)]
    assert evidence[20:-20, 35].mean() < 0.35 * on_line.mean()


@pytest.mark.parametrize("true", [STRAIGHT, BOWED], ids=["straight", "bowed"])
def test_a_dense_seam_is_the_same_line_with_its_sign_turned(true):
    maps = [m * 1.0 for m in maps_with(true, depth=-0.4)]  # darker by less than nothing: brighter
    evidence = line_evidence(maps, np.full(COLUMNS, ROW_MM), COLUMN_MM, dense=True)
    prior, sd = np.full(COLUMNS, MID), np.full(COLUMNS, 26.0)
    path = find_suture(maps, ROW_MM, evidence, prior, sd, dense=True)
    assert np.median(np.abs(path.row - true)) * ROW_MM < 0.5
    assert np.median(path.contrast) > 0.2
    assert np.median(path.contrast) > 2.0 * np.median(path.rival)
    dark = find(maps)
    assert np.median(dark.contrast) < 0.5 * np.median(path.contrast)


def test_contrast_does_not_depend_on_how_dense_the_bone_is():
    """A share of the density, not an amount of HU: porous bone counts as much."""
    dense, porous = maps_with(BOWED, level=1200.0), maps_with(BOWED, level=400.0)
    np.testing.assert_allclose(
        line_contrast(dense, BOWED, ROW_MM), line_contrast(porous, BOWED, ROW_MM), atol=1e-9
    )


def test_contrast_of_a_plain_line_is_its_depth():
    maps = maps_with(STRAIGHT, depth=0.3, width_mm=2.0, texture=0.0)
    found = line_contrast(maps, STRAIGHT, ROW_MM)
    assert np.median(found) == pytest.approx(-np.log(1 - 0.3), abs=0.06)
    assert np.abs(line_contrast(maps_with(None, texture=0.0), STRAIGHT, ROW_MM)).max() < 0.02


def test_a_mirrored_map_gives_the_mirrored_path():
    maps = maps_with(SLANTED, seed=4)
    path = find(maps)
    back = find([m[:, ::-1].copy() for m in maps])
    assert np.abs(back.row[::-1] - path.row).max() * ROW_MM < 1.0


def test_best_path_is_the_best_of_all_paths():
    """Against every path of a small map, counted out."""
    rng = np.random.default_rng(0)
    for _ in range(5):
        evidence = rng.uniform(0, 3, (6, 5))
        prior, sd = np.full(5, 2.5), np.full(5, 2.0)
        gain = evidence - 0.5 * ((np.arange(6)[:, None] - prior) / sd) ** 2

        def score(path, gain=gain):
            return sum(gain[r, k] for k, r in enumerate(path)) - 0.6 * sum(
                (b - a) ** 2 for a, b in itertools.pairwise(path)
            )

        every = np.array(np.meshgrid(*[range(6)] * 5, indexing="ij")).reshape(5, -1).T
        every = every[(np.abs(np.diff(every, axis=1)) <= 3).all(axis=1)]
        best = max(every.tolist(), key=score)
        path, mean = best_path(evidence, prior, sd)
        assert path.tolist() == best
        assert mean == pytest.approx(score(best) / 5)


def test_unseen_places_do_not_break_it():
    maps = maps_with(BOWED)
    for m in maps:
        m[:, :6] = np.nan
        m[:30] = np.nan
    path = find(maps)
    assert np.isfinite(path.row).all()
    assert np.isfinite(path.contrast).all()
    inner = slice(10, -3)
    assert np.median(np.abs(path.row - BOWED)[inner]) * ROW_MM < 0.6


def test_evidence_does_not_depend_on_density():
    dense, porous = maps_with(BOWED, level=1200.0), maps_with(BOWED, level=400.0)
    a, b = (line_evidence(m, np.full(COLUMNS, ROW_MM), COLUMN_MM) for m in (dense, porous))
    np.testing.assert_allclose(a, b, rtol=1e-6, atol=1e-6)
