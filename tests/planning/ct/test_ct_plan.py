"""Plans of heads whose exact answers are known, against the accuracy wanted for voxels of 1 mm."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import entrypoint
from entrypoint.errors import FileRefused, MeasurementError
from entrypoint.io.record import dumps
from entrypoint.planning.model import How, LateralBy, Rule, Side
from entrypoint.volume.grid import Grid
from entrypoint.volume.volume import Volume
from tests.planning.ct.heads import BOTH, codes, no_constant, plan, planned, scanned, true_points

PLANE_MM, PLANE_DEG, NASION_MM, ENTRY_MM = 1.0, 1.0, 3.0, 3.0
SKULL_MM, SCALP_MM, SUTURE_MM = 0.5, 0.7, 3.0



@pytest.fixture(scope="module", params=["adult", "small_head", "haematoma", "phantom"])
def case(request):
    """Plan and truth of the shipped samples and of one head made here."""
    if request.param == "phantom":
        return planned("clean"), scanned("clean").truth
    sample = request.getfixturevalue(request.param)
    return sample.plan, sample.truth


def test_midsagittal_plane(case):
    plan_, truth = case
    plane = plan_.midsagittal_plane
    normal = np.array(truth["midsagittal_plane"]["unit_normal"])
    cosine = float(plane.unit_normal @ normal)
    assert np.degrees(np.arccos(min(1.0, cosine))) < PLANE_DEG
    line = np.array(truth["midline"]["profile_mm"])
    arc = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    off = np.abs((line[arc < 150.0] - plane.point_mm) @ plane.unit_normal)
    assert off.max() < PLANE_MM
    assert np.linalg.norm(plane.unit_normal) == pytest.approx(1.0)
    assert plane.how is How.DETECTED
    assert 0.0 < plane.sd_mm < 2.0


def test_landmarks(case):
    plan_, truth = case
    for name, limit in (("nasion_skin", NASION_MM), ("nasion_bone", 5.0), ("bregma", 3.0)):
        mark = plan_.landmarks[name]
        off = np.linalg.norm(mark.position_mm - truth["landmarks"][name])
        assert off < limit, name
        assert mark.how is How.DETECTED
        assert mark.sd_mm > 0


@pytest.mark.parametrize("side", BOTH)
def test_entry(case, side):
    plan_, truth = case
    mine, true = plan_.sides[side], truth["sides"][side.value]
    assert np.linalg.norm(mine.scalp_entry_mm - true["scalp_entry_mm"]) < ENTRY_MM
    assert mine.tapes.midline_taut_mm == pytest.approx(110.0, abs=1e-6)
    assert mine.tapes.lateral_taut_mm == pytest.approx(30.0, abs=1e-6)
    assert mine.tapes.midline_surface_mm >= 110.0 - 1e-6
    # Arc on scalp, arc on bone and chord are three lengths.
    assert mine.tapes.midline_chord_mm < 110.0
    assert mine.tapes.midline_chord_mm == pytest.approx(truth["midline"]["chord_mm"], abs=2.0)
    limit = 1.0 + 1.96 * plan_.landmarks["nasion_bone"].sd_mm
    assert mine.tapes.midline_bone_mm == pytest.approx(truth["midline"]["bone_mm"], abs=limit)


@pytest.mark.parametrize("side", BOTH)
def test_thickness(case, side):
    plan_, truth = case
    mine, true = plan_.sides[side].thickness, truth["sides"][side.value]["thickness"]
    assert mine.skull_mm == pytest.approx(true["skull_mm"], abs=SKULL_MM)
    assert mine.scalp_mm == pytest.approx(true["scalp_mm"], abs=SCALP_MM)
    assert mine.thinnest_near_mm <= mine.skull_mm + 1e-9
    assert mine.thinnest_near_mm == pytest.approx(true["thinnest_near_mm"], abs=2 * SKULL_MM)
    if not mine.tables_merged:
        three = mine.outer_table_mm + mine.diploe_mm + mine.inner_table_mm
        assert three == pytest.approx(mine.skull_mm, abs=1e-9)


@pytest.mark.parametrize("side", BOTH)
def test_clearances(case, side):
    plan_, truth = case
    mine, true = plan_.sides[side].clearance, truth["sides"][side.value]["clearance"]
    for name in ("suture_mm", "suture_nearest_mm", "suture_scalp_mm"):
        assert getattr(mine, name) == pytest.approx(true[name], abs=SUTURE_MM), name
    assert abs(mine.suture_nearest_mm) <= abs(mine.suture_mm) + 0.3
    for name in ("midline_scalp_mm", "midline_outer_table_mm", "midline_inner_table_mm"):
        assert getattr(mine, name) == pytest.approx(true[name], abs=2.0), name
    # 15 mm further in, 3 degrees more of the normal's own error are 0.8 mm.
    assert mine.midline_tip_mm == pytest.approx(true["midline_tip_mm"], abs=3.0)
    # A path square to the skull converges on the midline as it deepens.
    assert mine.midline_scalp_mm > mine.midline_outer_table_mm > mine.midline_inner_table_mm
    assert mine.midline_inner_table_mm > mine.midline_tip_mm > 0
    assert mine.sinus_tip_mm is None


@pytest.mark.parametrize("side", BOTH)
def test_points_of_a_path_lie_on_it_at_the_depths_told(case, side):
    mine = case[0].sides[side]
    inward = mine.unit_inward
    assert np.linalg.norm(inward) == pytest.approx(1.0)
    steps = [
        (mine.outer_table_mm, mine.inner_table_mm, mine.thickness.skull_mm),
        (mine.inner_table_mm, mine.sensor_tip_mm, mine.sensor.below_inner_table_mm),
    ]
    for a, b, length in steps:
        np.testing.assert_allclose(b - a, length * inward, atol=1e-6)
    from_scalp = (mine.sensor_tip_mm - mine.scalp_entry_mm) @ inward
    assert from_scalp == pytest.approx(mine.sensor.from_scalp_mm, abs=0.3)
    assert mine.sensor.from_outer_table_mm == pytest.approx(
        mine.thickness.skull_mm + mine.sensor.below_inner_table_mm
    )
    across = mine.outer_table_mm - mine.scalp_entry_mm
    assert np.linalg.norm(across - (across @ inward) * inward) < 1e-6


@pytest.mark.parametrize("side", BOTH)
def test_sides_are_the_heads_own(case, side):
    """The named side of the plane, whatever the head's pose."""
    plan_, truth = case
    sign = 1.0 if side is Side.RIGHT else -1.0
    normal = np.array(truth["midsagittal_plane"]["unit_normal"])
    middle = np.array(truth["midsagittal_plane"]["point_mm"])
    assert sign * float((plan_.sides[side].scalp_entry_mm - middle) @ normal) > 20.0
    assert plan_.sides[side].clearance.midline_scalp_mm > 20.0


@pytest.mark.parametrize("side", BOTH)
def test_stop_is_shorter_than_the_true_bone(case, side):
    plan_, truth = case
    stop, true = plan_.sides[side].drill_stop, truth["sides"][side.value]["thickness"]
    assert stop.start_on_bone_mm < true["thinnest_near_mm"]
    assert stop.start_on_bone_mm == int(stop.start_on_bone_mm)
    assert stop.start_on_bone_mm < stop.on_bone_mm
    if stop.start_on_scalp_mm is not None:
        assert stop.start_on_scalp_mm < true["thinnest_near_mm"] + true["scalp_mm"]


def test_suture_is_seen_where_it_is_open(case):
    suture = case[0].coronal_suture
    assert suture.right is How.MEASURED
    assert suture.left is How.MEASURED
    true = np.array(case[1]["coronal_suture"]["curve_mm"])
    normal = np.array(case[1]["midsagittal_plane"]["unit_normal"])
    middle = np.array(case[1]["midsagittal_plane"]["point_mm"])
    lateral = np.abs((suture.curve_mm - middle) @ normal)
    span = suture.curve_mm[(lateral > 15) & (lateral < 40)]
    gap = np.linalg.norm(span[:, None] - true[None], axis=-1).min(axis=1)
    assert np.percentile(gap, 95) < SUTURE_MM
    # From the patient's left to right.
    assert (suture.curve_mm[-1] - suture.curve_mm[0]) @ normal > 60.0


def test_nothing_planted_nothing_raised_on_the_clean_head():
    plan_ = planned("clean")
    raised = list(plan_.findings) + [f for s in BOTH for f in plan_.sides[s].findings]
    assert not codes(raised, "stop")
    assert not codes(raised, "caution") - {"suture-margin"}
    for side in BOTH:
        true = scanned("clean").truth["sides"][side.value]["clearance"]
        if true["suture_nearest_mm"] > 14.0:
            assert "suture-margin" not in codes(plan_.sides[side].findings)


def test_one_side_or_both_the_figures_are_the_same():
    both = planned("clean")
    for side in BOTH:
        one = plan(scanned("clean").volume, sides=(side,))
        assert list(one.sides) == [side]
        lone = replace(both, sides={side: both.sides[side]})
        assert json.loads(dumps(one))["sides"] == json.loads(dumps(lone))["sides"]


def test_swelling_over_the_site_is_a_caution_and_withholds_the_scalp_stop(haematoma):
    right = haematoma.plan.sides[Side.RIGHT]
    assert "scalp-swelling" in codes(right.findings, "caution")
    assert right.drill_stop.start_on_scalp_mm is None
    assert right.drill_stop.on_scalp_mm is None
    assert right.drill_stop.start_on_bone_mm is not None
    swelling = next(f for f in right.findings if f.code == "scalp-swelling")
    sides = haematoma.truth["sides"]
    wanted = sides["right"]["thickness"]["scalp_mm"] - sides["left"]["thickness"]["scalp_mm"]
    assert swelling.value == pytest.approx(wanted, abs=1.4)


@pytest.mark.parametrize("side", BOTH)
def test_too_near_the_suture_a_moved_point_that_keeps_the_margins(small_head, side):
    rule = Rule()
    mine = small_head.plan.sides[side]
    assert mine.clearance.suture_nearest_mm < rule.suture_margin_mm
    assert "suture-margin" in codes(mine.findings, "caution")
    assert mine.moved.exists
    # The rule's own point is not moved.
    assert mine.tapes.midline_taut_mm == pytest.approx(rule.midline_arc_mm)
    there = replace(
        rule, midline_arc_mm=mine.moved.midline_arc_mm, lateral_arc_mm=mine.moved.lateral_arc_mm
    )
    again = plan(small_head.volume, rule=there, sides=(side,)).sides[side]
    assert again.clearance.suture_nearest_mm > rule.suture_margin_mm - 0.1
    assert again.clearance.midline_scalp_mm > rule.midline_margin_mm - 0.1
    assert again.clearance.sinus_mm > rule.sinus_margin_mm - 0.1
    np.testing.assert_allclose(again.scalp_entry_mm, mine.moved.scalp_entry_mm, atol=1e-6)
    # No longer than it must be: half a millimetre less of the move breaks the margin.
    a = np.array([rule.midline_arc_mm, mine.tapes.lateral_taut_mm])
    b = np.array([mine.moved.midline_arc_mm, mine.moved.lateral_arc_mm])
    back = b + 0.5 * (a - b) / np.linalg.norm(a - b)
    nearer = replace(rule, midline_arc_mm=float(back[0]), lateral_arc_mm=float(back[1]))
    short = plan(small_head.volume, rule=nearer, sides=(side,)).sides[side].clearance
    assert short.suture_nearest_mm < rule.suture_margin_mm + 0.05


def test_a_stated_child_gets_geometry_only(adult):
    plan_ = plan(adult.volume, rule=Rule(person="child"))
    assert "child-stated" in codes(plan_.findings)
    for side in BOTH:
        mine, usual = plan_.sides[side], adult.plan.sides[side]
        assert mine.sensor is None
        assert mine.sensor_tip_mm is None
        assert all(getattr(mine.drill_stop, n) is None for n in (
            "start_on_scalp_mm", "start_on_bone_mm", "on_scalp_mm", "on_bone_mm"))  # fmt: skip
        np.testing.assert_allclose(mine.scalp_entry_mm, usual.scalp_entry_mm)
        assert mine.clearance.suture_mm == usual.clearance.suture_mm


def test_mid_pupillary_is_half_the_distance_measured_straight(adult):
    rule = Rule(lateral_by=LateralBy.MID_PUPILLARY, interpupillary_mm=66.0)
    plan_ = plan(adult.volume, rule=rule)
    plane = plan_.midsagittal_plane
    for side, sign in ((Side.RIGHT, 1.0), (Side.LEFT, -1.0)):
        mine = plan_.sides[side]
        away = sign * float((mine.scalp_entry_mm - plane.point_mm) @ plane.unit_normal)
        assert away == pytest.approx(33.0, abs=0.05)
        assert mine.tapes.lateral_straight_mm == pytest.approx(33.0, abs=0.05)
        assert mine.tapes.lateral_taut_mm > 33.0


def test_mid_pupillary_from_given_pupils(adult):
    rule = Rule(lateral_by=LateralBy.MID_PUPILLARY)
    points = true_points(adult.truth, "nasion", "left_pupil", "right_pupil")
    plan_ = plan(adult.volume, rule=rule, landmarks=points)
    gap = np.linalg.norm(points["left_pupil"] - points["right_pupil"])
    for side in BOTH:
        straight = plan_.sides[side].tapes.lateral_straight_mm
        assert straight == pytest.approx(gap / 2, abs=0.05)


def test_records_hold_no_nan_and_no_infinity(sample):
    text = dumps(sample.plan)
    assert json.loads(text, parse_constant=no_constant)["record"] == "entrypoint.plan"


def test_the_same_bytes_again(adult):
    again = entrypoint_plan(adult)
    assert again == dumps(adult.plan)


def entrypoint_plan(sample):
    from entrypoint import api

    return dumps(api.plan_ct(api.read_volume(sample.path)))


def test_the_same_bytes_on_one_thread_and_on_two_in_a_fresh_process(adult):
    code = (
        "import sys; from entrypoint import api; from entrypoint.io.record import dumps; "
        "sys.stdout.write(dumps(api.plan_ct(api.read_volume(sys.argv[1]))))"
    )
    root = str(Path(entrypoint.__file__).parents[1])
    texts = []
    for threads in ("1", "2"):
        env = dict(os.environ, OMP_NUM_THREADS=threads, OPENBLAS_NUM_THREADS=threads,
                   MKL_NUM_THREADS=threads, PYTHONPATH=root, PYTHONHASHSEED=threads)  # fmt: skip
        done = subprocess.run(
            [sys.executable, "-c", code, str(adult.path)], env=env, capture_output=True,
            encoding="utf-8",
            check=True,
        )  # fmt: skip
        texts.append(done.stdout)
    assert texts[0] == texts[1] == dumps(adult.plan)


def part(volume, lo=(0, 0, 0), hi=(10**6, 10**6, 10**6)):
    return volume.block(lo, hi)


def test_a_field_without_the_nose_is_refused_by_name(adult):
    volume = adult.volume
    nasion = np.array(adult.truth["landmarks"]["nasion_skin"])
    j = int(volume.grid.index(nasion[None])[0, 1])
    with pytest.raises(MeasurementError, match=r"nose|nasion|nasal"):
        plan(part(volume, hi=(10**6, j - 14, 10**6)))


def test_a_field_without_the_vertex_gives_no_plan_in_silence(adult):
    volume = adult.volume
    k = int(volume.grid.index([adult.truth["landmarks"]["vertex"]])[0, 2])
    with pytest.raises(MeasurementError):
        plan(part(volume, hi=(10**6, 10**6, k - 30)))


@pytest.mark.parametrize("what", ["air", "water", "noise like magnetic resonance"])
def test_what_is_no_head_ct_is_refused(what):
    rng = np.random.default_rng(0)
    shape = (120, 130, 110)
    stored = {
        "air": np.full(shape, -1000),
        "water": np.where(rng.random(shape) < 0.5, 0, -1000),
        "noise like magnetic resonance": np.abs(rng.normal(300, 200, shape)),
    }[what].astype(np.int16)
    grid = Grid(shape=shape, world_from_index=np.diag([1.6, 1.6, 1.6, 1.0]))
    with pytest.raises((FileRefused, MeasurementError)):
        plan(Volume(grid=grid, stored=stored))


def test_given_pupils_alone_change_nothing_but_what_asks_for_them():
    scan = scanned("clean")
    plan_ = plan(scan.volume, landmarks=true_points(scan.truth, "left_pupil", "right_pupil"))
    for side in BOTH:
        np.testing.assert_array_equal(
            plan_.sides[side].scalp_entry_mm, planned("clean").sides[side].scalp_entry_mm
        )
