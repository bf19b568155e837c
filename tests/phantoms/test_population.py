"""Random heads: reproducible, and of the sizes that are published."""

from __future__ import annotations

import numpy as np
import pytest

from entrypoint.phantoms import CONDITIONS, FIELDS, STORAGE, build, random_case, random_spec
from entrypoint.phantoms.conditions.catalogue import contradict


def test_a_seed_is_a_head() -> None:
    assert random_spec(12) == random_spec(12)
    assert random_spec(12) != random_spec(13)
    assert random_case(7, planted=1.0) == random_case(7, planted=1.0)


def test_sizes_follow_the_published_ranges() -> None:
    # ANSUR II, Gordon CC et al., NATICK/TR-15/007, 2014: head length 199.5 (7.0) men,
    # 189.8 (7.5) women; breadth 154.3 (5.5), 147.8 (5.2); interpupillary 64.0 (3.4), 61.7 (3.6)
    specs = [random_spec(s) for s in range(1500)]
    length = np.array([s.length_mm for s in specs])
    breadth = np.array([s.breadth_mm for s in specs])
    pupils = np.array([s.interpupillary_mm for s in specs])
    arc = np.array([s.nasion_bregma_arc_mm for s in specs])
    women = 0.45
    assert length.mean() == pytest.approx(women * 189.8 + (1 - women) * 199.5, abs=0.8)
    assert breadth.mean() == pytest.approx(women * 147.8 + (1 - women) * 154.3, abs=0.7)
    assert pupils.mean() == pytest.approx(women * 61.7 + (1 - women) * 64.0, abs=0.4)
    assert 165.0 < length.min() < length.max() < 225.0
    assert 131.0 < breadth.min() < breadth.max() < 180.0
    # nasion-bregma on bone 126.6 (7.3), Anatomy 2018;12(3):135-139
    assert arc.mean() == pytest.approx(126.6, abs=1.0)
    assert arc.std() == pytest.approx(7.3, abs=0.7)
    # asymmetry of 2 to 4 mm in all
    amount = np.array([abs(s.skew_mm) + s.bulge_mm for s in specs])
    assert 2.0 <= amount.min() <= amount.max() <= 4.0


def test_answers_of_random_heads_are_plausible() -> None:
    arcs, chords = [], []
    for seed in range(9000, 9003):
        head = build(random_spec(seed, pose_deg=25.0))
        truth = head.truth()
        arcs.append(truth["midline"]["nasion_inion_taut_mm"])
        p = truth["landmarks"]
        chords.append(np.linalg.norm(np.subtract(p["nasion_bone"], p["bregma"])))
        assert truth["nasion_depth_mm"]["skin"] > 2.0
        for side in truth["sides"].values():
            assert 3.0 < side["thickness"]["scalp_mm"] < 10.0
            assert 3.0 < side["thickness"]["skull_mm"] < 16.0
    # nasion-inion over the living scalp 310 to 420 mm; nasion-bregma chord 96 to 124 mm, the 1st
    # to 99th percentile of women and men, with room for rarer heads (W. W. Howells' data set)
    assert 305.0 < min(arcs) < max(arcs) < 425.0
    assert 92.0 < min(chords) < max(chords) < 130.0


def test_crops_and_storage_change_nothing_else() -> None:
    fields, ways = set(), set()
    for seed in range(120):
        plain = random_case(seed, planted=0.5, turned_grids=0.5)
        other = random_case(seed, planted=0.5, turned_grids=0.5, cropped=0.5, storages=True)
        assert plain.field is None
        assert plain.stored_as == "plain"
        assert (other.spec, other.scanner) == (plain.spec, plain.scanner)
        assert {k: v for k, v in other.grid.items() if k != "field"} == plain.grid
        assert other.stored_as in STORAGE
        assert not ("shear" in other.grid and other.stored_as == "qform-only")
        fields.add(other.field)
        ways.add(other.stored_as)
    assert fields == {None, *FIELDS}
    assert len(ways) > 15


def test_no_head_holds_what_contradicts_itself() -> None:
    seen: set[str] = set()
    twice = 0
    for seed in range(400):
        name = random_case(seed, planted=1.0).spec.name.removeprefix(f"random-{seed}-")
        there = [n for n in CONDITIONS if f"-{n}-" in f"-{name}-"]
        assert contradict(*there) is None
        seen |= set(there)
        twice += len(there) > 1
    assert seen == set(CONDITIONS)
    assert 60 < twice < 220


def test_case_is_a_scan_within_bounds() -> None:
    for seed in range(60):
        case = random_case(seed, planted=0.5, turned_grids=0.5, million_voxels=(8.0,))
        assert 0.7 <= case.scanner.fwhm_mm <= 1.2
        assert 15.0 <= case.scanner.noise_hu <= 30.0
        volume = 12.5e6 / (case.grid["voxel_mm"] ** 2 * case.grid["slice_mm"])
        assert volume < 8.1e6 or case.grid["voxel_mm"] == 1.0
