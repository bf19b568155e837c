"""Heads with something planted: what cannot be measured is not given, and is said by name."""

from __future__ import annotations

import json

import numpy as np
import pytest

from entrypoint.io.record import dumps
from entrypoint.planning.model import How, Rule, Side
from tests.planning.ct.heads import BOTH, codes, no_constant, plan, planned, scanned, true_points

NO_BONE = {
    "burr hole": ("burr hole right, plate left", Side.RIGHT),
    "plate": ("burr hole right, plate left", Side.LEFT),
    "craniectomy": ("craniectomy right", Side.RIGHT),
}


@pytest.mark.parametrize("what", sorted(NO_BONE))
def test_no_bone_no_thickness_no_stop_no_depth(what):
    name, side = NO_BONE[what]
    true = scanned(name).truth["sides"][side.value]
    assert what == "plate" or not true["bone_present"]
    mine = planned(name).sides[side]
    stop = [f for f in mine.findings if f.code == "bone-missing"]
    assert len(stop) == 1
    assert stop[0].level.value == "stop"
    assert "thickness.skull_mm" in stop[0].figures
    for figure in ("skull_mm", "outer_table_mm", "diploe_mm", "inner_table_mm", "skull_sd_mm",
                   "thinnest_near_mm"):  # fmt: skip
        assert getattr(mine.thickness, figure) is None, figure
    for figure in ("start_on_bone_mm", "start_on_scalp_mm", "on_bone_mm", "on_scalp_mm"):
        assert getattr(mine.drill_stop, figure) is None, figure
    assert mine.inner_table_mm is None
    assert mine.sensor_tip_mm is None
    assert mine.clearance.midline_inner_table_mm is None
    assert mine.clearance.midline_tip_mm is None
    if mine.sensor is not None:
        assert mine.sensor.from_outer_table_mm is None
        assert mine.sensor.from_scalp_mm is None
    unchecked = " ".join(planned(name).looked_at.could_not_be_checked)
    assert f"skull thickness, PATIENT'S {side.value.upper()}" in unchecked


@pytest.mark.parametrize("what", sorted(NO_BONE))
def test_the_way_in_is_still_told_over_a_bridged_surface(what):
    """Entry and direction come from the scalp and the bone round the gap."""
    name, side = NO_BONE[what]
    true = scanned(name).truth["sides"][side.value]
    mine = planned(name).sides[side]
    assert np.linalg.norm(mine.scalp_entry_mm - true["scalp_entry_mm"]) < 3.0
    cosine = float(mine.unit_inward @ np.array(true["unit_inward"]))
    limit = 12.0 if what == "craniectomy" else 5.0
    assert np.degrees(np.arccos(min(1.0, cosine))) < limit
    assert mine.clearance.midline_scalp_mm == pytest.approx(
        true["clearance"]["midline_scalp_mm"], abs=2.0
    )


def test_metal_over_the_bone_is_named():
    stop = next(f for f in planned("burr hole right, plate left").sides[Side.LEFT].findings
                if f.code == "bone-missing")  # fmt: skip
    assert "metal" in stop.text or "metal" in codes(
        planned("burr hole right, plate left").sides[Side.LEFT].findings
    )


def test_the_sound_side_of_a_craniectomy_is_measured():
    true = scanned("craniectomy right").truth["sides"]["left"]
    mine = planned("craniectomy right").sides[Side.LEFT]
    assert true["bone_present"]
    assert mine.thickness.skull_mm == pytest.approx(true["thickness"]["skull_mm"], abs=0.5)
    assert np.linalg.norm(mine.scalp_entry_mm - true["scalp_entry_mm"]) < 3.0
    assert "bone-missing" not in codes(mine.findings)
    assert mine.drill_stop.start_on_bone_mm is not None


def test_a_closed_suture_is_estimated_and_said_to_be(adult):
    plan_ = planned("closed suture")
    assert not scanned("closed suture").truth["coronal_suture"]["open"]
    assert plan_.coronal_suture.right is How.ESTIMATED
    assert plan_.coronal_suture.left is How.ESTIMATED
    assert plan_.coronal_suture.how is How.ESTIMATED
    measured = adult.plan.coronal_suture
    assert plan_.coronal_suture.right_sd_mm > 3 * measured.right_sd_mm
    for side in BOTH:
        mine = plan_.sides[side]
        true = scanned("closed suture").truth["sides"][side.value]["clearance"]
        assert "suture-not-visible" in codes(mine.findings)
        # An estimate: within three of its own standard deviations, which are wide.
        assert mine.clearance.suture_sd_mm > 4.0
        off = abs(mine.clearance.suture_nearest_mm - true["suture_nearest_mm"])
        assert off < 3 * mine.clearance.suture_sd_mm
        said = " ".join(plan_.looked_at.could_not_be_checked)
        assert f"the coronal suture, PATIENT'S {side.value.upper()}" in said


def test_a_child_that_was_not_stated_is_suspected_and_gets_geometry_only():
    plan_ = planned("child")
    for side in BOTH:
        mine = plan_.sides[side]
        raised = codes(plan_.findings, "stop") | codes(mine.findings, "stop")
        assert "child-suspected" in raised
        assert mine.drill_stop.start_on_bone_mm is None
        assert mine.sensor is None
        assert mine.sensor_tip_mm is None
        true = scanned("child").truth["sides"][side.value]
        assert np.linalg.norm(mine.scalp_entry_mm - true["scalp_entry_mm"]) < 3.0


def test_a_stated_adult_is_believed():
    plan_ = plan(scanned("child").volume, rule=Rule(person="adult"), sides=(Side.RIGHT,))
    mine = plan_.sides[Side.RIGHT]
    assert "child-suspected" not in codes(plan_.findings) | codes(mine.findings)
    assert mine.drill_stop.start_on_bone_mm is not None
    true = scanned("child").truth["sides"]["right"]["thickness"]
    assert mine.thickness.skull_mm == pytest.approx(true["skull_mm"], abs=0.5)


def test_a_given_bregma_steadies_a_closed_suture():
    scan = scanned("closed suture")
    plan_ = plan(scan.volume, landmarks=true_points(scan.truth, "bregma"))
    assert plan_.landmarks["bregma"].how is How.GIVEN
    for side in BOTH:
        before = planned("closed suture").sides[side].clearance
        after = plan_.sides[side].clearance
        true = scan.truth["sides"][side.value]["clearance"]["suture_nearest_mm"]
        assert after.suture_sd_mm < before.suture_sd_mm
        assert abs(after.suture_nearest_mm - true) < 3.0 + 1.96 * 4.0
        assert "suture-not-visible" in codes(plan_.sides[side].findings)


def test_a_closed_suture_is_followed_by_its_seam_and_said_to_be_closed():
    for side in BOTH:
        mine = planned("dense seam").sides[side]
        true = scanned("dense seam").truth["sides"][side.value]["clearance"]
        assert getattr(planned("dense seam").coronal_suture, side.value) is How.MEASURED
        assert "suture-closed" in codes(mine.findings, "note")
        off = mine.clearance.suture_nearest_mm - true["suture_nearest_mm"]
        assert abs(off) < min(3.0 * mine.clearance.suture_sd_mm, 2.0)


@pytest.mark.parametrize("side", BOTH)
def test_tapes_lie_on_the_skin_and_not_on_what_stands_on_it(side):
    """A bolt in place 28 mm high on one side, and strands of hair over all the scalp."""
    true = scanned("bolt right, hair").truth["sides"][side.value]
    mine = planned("bolt right, hair").sides[side]
    assert np.linalg.norm(mine.scalp_entry_mm - true["scalp_entry_mm"]) < 1.2
    stops = codes(mine.findings, "stop")
    assert ("bone-missing" in stops) == (side is Side.RIGHT)


def test_one_side_that_cannot_be_measured_leaves_the_other_its_figures(monkeypatch):
    from entrypoint.errors import MeasurementError
    from entrypoint.planning import ct_parts as ct

    real = ct.read_site

    def only_left(head, tape, midsagittal, rule, side, suture_mm):
        if side is Side.RIGHT:
            raise MeasurementError(found="no path", expected="bone", next_step="look")
        return real(head, tape, midsagittal, rule, side, suture_mm)

    monkeypatch.setattr(ct, "read_site", only_left)
    mine = plan(scanned("clean").volume)
    assert mine.sides[Side.RIGHT].scalp_entry_mm is None
    assert codes(mine.sides[Side.RIGHT].findings, "stop") == {"side-not-measured"}
    assert mine.sides[Side.LEFT].thickness.skull_mm is not None
    assert "anything on the PATIENT'S RIGHT" in mine.looked_at.could_not_be_checked
    with pytest.raises(MeasurementError):
        plan(scanned("clean").volume, sides=(Side.RIGHT,))


@pytest.mark.parametrize("name", ["burr hole right, plate left", "closed suture", "child"])
def test_records_of_heads_with_something_missing_hold_no_nan(name):
    json.loads(dumps(planned(name)), parse_constant=no_constant)
