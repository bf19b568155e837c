"""Landmarks, suture and plane given beside a scan: used, compared, or refused by name."""

from __future__ import annotations

import numpy as np
import pytest

from entrypoint.errors import FieldRefused
from entrypoint.planning.model import How, Side
from tests.planning.ct.heads import BOTH, codes, plan, true_points

NAMES = ("nasion", "inion", "left_preauricular", "right_preauricular", "bregma")


@pytest.mark.parametrize("name", ["adult", "small_head", "haematoma"])
def test_true_landmarks_give_the_entry_within_a_millimetre(name, request):
    sample = request.getfixturevalue(name)
    plan_ = plan(sample.volume, landmarks=true_points(sample.truth, *NAMES))
    for side in BOTH:
        true = sample.truth["sides"][side.value]
        assert np.linalg.norm(plan_.sides[side].scalp_entry_mm - true["scalp_entry_mm"]) < 1.0
    for mark in ("nasion_skin", "inion", "bregma"):
        assert plan_.landmarks[mark].how is How.GIVEN
    assert not codes(plan_.findings, "stop")
    assert "landmark-moved" not in codes(plan_.findings, "caution")


def test_the_shipped_landmark_file_through_the_api(adult):
    from entrypoint import api

    plan_ = api.plan_ct(adult.loaded, landmarks=adult.landmarks_path)
    for side in BOTH:
        true = adult.truth["sides"][side.value]
        assert np.linalg.norm(plan_.sides[side].scalp_entry_mm - true["scalp_entry_mm"]) < 1.0
        assert plan_.sides[side].clearance.suture_mm == pytest.approx(
            true["clearance"]["suture_mm"], abs=1.5
        )
    assert plan_.coronal_suture.how is How.GIVEN


def test_left_and_right_swapped_is_refused(adult):
    points = true_points(adult.truth, *NAMES)
    points["left_preauricular"], points["right_preauricular"] = (
        points["right_preauricular"], points["left_preauricular"],
    )  # fmt: skip
    with pytest.raises(FieldRefused, match="other side of this head's midline"):
        plan(adult.volume, landmarks=points)


@pytest.mark.parametrize("names", [NAMES, ("nasion",), ("nasion", "inion"), ("bregma",)])
def test_points_in_the_other_space_are_refused_with_the_hint(adult, names):
    points = {n: p * [-1, -1, 1] for n, p in true_points(adult.truth, *names).items()}
    with pytest.raises(FieldRefused, match="LPS"):
        plan(adult.volume, landmarks=points)


@pytest.mark.parametrize("away", [[0, 0, 600.0], [900.0, 0, 0]])
def test_a_point_outside_the_field_is_refused(adult, away):
    points = {"nasion": true_points(adult.truth, "nasion")["nasion"] + away}
    with pytest.raises(FieldRefused, match="field of view"):
        plan(adult.volume, landmarks=points)


@pytest.mark.parametrize("name", ["nasion", "inion", "bregma"])
def test_a_point_more_than_ten_millimetres_off_its_surface_is_refused(adult, name):
    point = true_points(adult.truth, name)[name]
    centre = np.array(adult.truth["midsagittal_plane"]["point_mm"])
    out = (point - centre) / np.linalg.norm(point - centre)
    with pytest.raises(FieldRefused, match=f"{name} lies .* mm from the surface"):
        plan(adult.volume, landmarks={name: point + 14.0 * out})


def test_a_given_bregma_is_the_bregma_of_the_plan(adult):
    point = true_points(adult.truth, "bregma")["bregma"]
    plan_ = plan(adult.volume, landmarks={"bregma": point})
    mark = plan_.landmarks["bregma"]
    assert mark.how is How.GIVEN
    assert np.linalg.norm(mark.position_mm - point) < 1.0
    # The suture itself is seen on this scan: it stays as measured.
    assert plan_.coronal_suture.right is How.MEASURED


@pytest.mark.parametrize("shift", [0.0, -6.0])
def test_a_given_suture_is_used_as_given(adult, shift):
    """Moved backwards by 6 mm, every clearance grows by about as much."""
    curve = np.array(adult.truth["coronal_suture"]["curve_mm"])
    ahead = np.array(adult.truth["midline"]["unit_along"])
    moved = curve - shift * ahead
    plan_ = plan(adult.volume, coronal_suture_mm=moved)
    assert plan_.coronal_suture.how is How.GIVEN
    for side in BOTH:
        true = adult.truth["sides"][side.value]["clearance"]["suture_mm"]
        assert plan_.sides[side].clearance.suture_mm == pytest.approx(true - shift, abs=2.0)
        assert "suture-not-visible" not in codes(plan_.sides[side].findings)


def test_the_order_of_given_suture_points_does_not_matter(adult):
    curve = np.array(adult.truth["coronal_suture"]["curve_mm"])
    one = plan(adult.volume, coronal_suture_mm=curve, sides=(Side.RIGHT,))
    two = plan(adult.volume, coronal_suture_mm=curve[::-1], sides=(Side.RIGHT,))
    assert one.sides[Side.RIGHT].clearance == two.sides[Side.RIGHT].clearance


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_given_plane_is_the_plane_whichever_way_its_normal_points(adult, sign):
    true = adult.truth["midsagittal_plane"]
    point, normal = np.array(true["point_mm"]), np.array(true["unit_normal"])
    normal = normal / np.linalg.norm(normal)
    plan_ = plan(adult.volume, plane=(point, sign * normal))
    plane = plan_.midsagittal_plane
    assert plane.how is How.GIVEN
    np.testing.assert_allclose(plane.unit_normal, normal, atol=1e-6)
    assert abs((plane.point_mm - point) @ normal) < 1e-6
    for side in BOTH:
        wanted = adult.truth["sides"][side.value]["scalp_entry_mm"]
        assert np.linalg.norm(plan_.sides[side].scalp_entry_mm - wanted) < 1.5


def test_the_plane_stays_the_detected_one_when_landmarks_are_given(adult):
    plan_ = plan(adult.volume, landmarks=true_points(adult.truth, *NAMES))
    assert plan_.midsagittal_plane.how is How.DETECTED
    np.testing.assert_allclose(
        plan_.midsagittal_plane.unit_normal, adult.plan.midsagittal_plane.unit_normal, atol=1e-9
    )


@pytest.mark.parametrize("name", ["nasion", "inion"])
def test_the_distance_of_a_point_from_the_skin_is_told(adult, name):
    """Note over 2 mm, caution over 5: by the shortest way."""
    point = true_points(adult.truth, name)[name]
    centre = np.array(adult.truth["midsagittal_plane"]["point_mm"])
    out = (point - centre) / np.linalg.norm(point - centre)
    for away, level in ((1.0, None), (3.5, "note"), (7.0, "caution")):
        plan_ = plan(adult.volume, landmarks={name: point + away * out}, sides=(Side.RIGHT,))
        raised = [f for f in plan_.findings if f.code == "landmark-moved"]
        assert [f.level.value for f in raised] == ([level] if level else [])
        mark = plan_.landmarks["nasion_skin" if name == "nasion" else name]
        assert mark.moved_mm == pytest.approx(away, abs=1.2)


@pytest.mark.parametrize("name", ["nasion", "inion"])
@pytest.mark.parametrize("away", [3.5, 7.0])
def test_a_point_off_the_skin_is_moved_to_it(adult, name, away):
    point = true_points(adult.truth, name)[name]
    centre = np.array(adult.truth["midsagittal_plane"]["point_mm"])
    out = (point - centre) / np.linalg.norm(point - centre)
    plan_ = plan(adult.volume, landmarks={name: point + away * out}, sides=(Side.RIGHT,))
    mark = plan_.landmarks["nasion_skin" if name == "nasion" else name]
    # On the skin's edge, and no further from the given point than that was off the skin.
    level = float(adult.volume.sample_hu(mark.position_mm[None])[0])
    assert -900.0 < level < -100.0
    assert np.linalg.norm(mark.position_mm - (point + away * out)) < away + 1.0
    assert mark.moved_mm == pytest.approx(
        np.linalg.norm(mark.position_mm - (point + away * out)), abs=0.3)


@pytest.mark.parametrize(("along", "level"), [(3.0, None), (7.5, "caution"), (13.0, "stop")])
def test_a_given_nasion_is_compared_with_the_one_that_is_found(adult, along, level):
    line = np.array(adult.truth["midline"]["profile_mm"])
    arc = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    point = np.array([np.interp(along, arc, line[:, k]) for k in range(3)])
    plan_ = plan(adult.volume, landmarks={"nasion": point}, sides=(Side.RIGHT,))
    raised = [f for f in plan_.findings if f.code == "landmark-doubtful"]
    assert [f.level.value for f in raised] == ([level] if level else [])
    if raised:
        assert raised[0].value == pytest.approx(along, abs=2.0)
