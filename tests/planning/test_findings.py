"""Findings: when each is raised, at which level, and that texts describe."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from entrypoint.errors import FieldRefused
from entrypoint.planning import findings as side
from entrypoint.planning import head_findings as head
from entrypoint.planning import landmark_findings as landmark
from entrypoint.planning import path_findings as path
from entrypoint.planning import thickness_findings as layers
from entrypoint.planning.finding_kinds import CATALOGUE, kind, make
from entrypoint.planning.model import (
    Clearance,
    Finding,
    How,
    Level,
    MovedPoint,
    Rule,
    Side,
    Thickness,
)

RULE = Rule()
CLEAR = Clearance(
    midline_scalp_mm=29.0, midline_sd_mm=0.8, sinus_mm=8.0, sinus_sd_mm=1.0,
    suture_nearest_mm=21.0, suture_sd_mm=1.0, suture_definition_sd_mm=2.0,
)  # fmt: skip
BONE = Thickness(skull_mm=7.0, skull_sd_mm=0.2, scalp_mm=6.0, scalp_other_side_mm=6.2)


def only(found: tuple[Finding, ...]) -> Finding:
    (one,) = found
    return one


def test_a_head_within_every_margin_raises_nothing():
    for found in (
        side.suture_margin(CLEAR, RULE),
        layers.suture_in_path(CLEAR, BONE, How.MEASURED, dense=False),
        side.midline_margin(CLEAR, RULE),
        side.sinus_envelope(CLEAR, RULE, Side.RIGHT),
        layers.skull_thickness(BONE, RULE),
        layers.thickness_uncertain(replace(BONE, skull_sd_mm=1.0)),
        layers.thickness_uncertain(replace(BONE, skull_mm=None, skull_sd_mm=None)),
        layers.swelling(BONE),
        layers.drill_stop_withheld(BONE),
        path.tilt(6.0),
        layers.engagement_too_deep(BONE, replace(RULE, engagement_mm=5.0)),
        path.tip_outside_skull(True, 15.0),
        path.tip_outside_skull(None, 15.0),
        head.coarse_slices(1.25),
        head.plane_uncertain(0.5, 0.4),
        landmark.nasion_shallow(3.0, 1.0),
        landmark.landmark_moved("nasion", 2.0),
        landmark.given_against_detected("nasion", 4.9),
        head.world_matrices_differ(0.4, "sform"),
        head.noise(25.0),
        head.low_contrast(800.0),
        head.asymmetry(4.0),
        head.child("adult", "the skull is thin", value_found=2.0, limit=3.0),
    ):
        assert found == ()


@pytest.mark.parametrize(
    ("nearest", "sd", "raised"),
    [
        (9.9, 0.1, True),
        (13.0, 3.0, True),
        (13.0, 2.0, False),
        (12.0, 0.5, False),
        (-3.0, 1.0, True),
    ],
)
def test_suture_caution_at_the_best_estimate_or_over_20_percent(nearest, sd, raised):
    """With a definition spread of 2 mm: P = Phi((10 - 13) / 3.61) = 0.203 and 0.145."""
    found = side.suture_margin(replace(CLEAR, suture_nearest_mm=nearest, suture_sd_mm=sd), RULE)
    assert bool(found) == raised
    if raised:
        assert only(found).level is Level.CAUTION
        assert only(found).value == nearest
        assert only(found).limit == 10.0


@pytest.mark.parametrize(("nearest", "skull", "raised"), [
    (2.9, 7.0, True), (-2.9, 7.0, True), (3.1, 7.0, False), (0.0, None, False), (None, 7.0, False),
])  # fmt: skip
def test_a_suture_in_the_path_names_what_was_read_of_the_bone(nearest, skull, raised):
    clear = replace(CLEAR, suture_nearest_mm=nearest)
    bone = replace(BONE, skull_mm=skull)
    found = layers.suture_in_path(clear, bone, How.MEASURED, dense=False)
    assert bool(found) is raised
    for finding in found:
        assert finding.level is Level.CAUTION
        assert {"thickness.skull_mm", "thickness.scalp_mm", "drill_stop"} == set(finding.figures)
        assert "2.9 mm from the path" in finding.text
    # No gap was seen where a seam was followed, or where the place is an estimate.
    assert layers.suture_in_path(clear, bone, How.MEASURED, dense=True) == ()
    assert layers.suture_in_path(clear, bone, How.ESTIMATED, dense=False) == ()


def test_a_thickness_that_is_hardly_known_is_told_with_what_hangs_on_it():
    found = only(layers.thickness_uncertain(replace(BONE, skull_sd_mm=1.15)))
    assert found.level is Level.CAUTION
    assert "to within 2.3 mm (95 %)" in found.text
    assert {"thickness.skull_mm", "thickness.scalp_mm", "drill_stop"} < set(found.figures)


def test_suture_text_rounds_down_and_tells_the_alternative():
    moved = MovedPoint(exists=True, text="a point at a midline tape distance of 10.0 cm would keep")
    text = only(
        side.suture_margin(replace(CLEAR, suture_nearest_mm=6.9, suture_sd_mm=0.5), RULE, moved)
    ).text
    assert "lies 6 mm in front of the coronal suture (95 %: 2 to 11)" in text
    assert text.endswith(moved.text)
    behind = only(side.suture_margin(replace(CLEAR, suture_nearest_mm=-2.1), RULE)).text
    assert "3 mm behind the coronal suture" in behind


@pytest.mark.parametrize(
    ("sinus", "level"),
    [(-0.1, Level.STOP), (0.0, Level.STOP), (0.5, Level.CAUTION), (4.0, Level.NOTE), (7.0, None)],
)
def test_sinus_levels_on_the_right(sinus, level):
    found = side.sinus_envelope(replace(CLEAR, sinus_mm=sinus), RULE, Side.RIGHT)
    assert (only(found).level if found else None) is level


@pytest.mark.parametrize(
    ("skull", "person", "codes"),
    [
        (2.5, None, ["child-suspected", "skull-thin"]),
        (2.5, "adult", ["skull-thin"]),
        (3.9, None, ["skull-thin"]),
        (4.1, None, ["skull-thin"]),  # 31 % below 4 mm
        (9.9, None, []),
        (10.0, None, ["skull-thick"]),
    ],
)
def test_skull(skull, person, codes):
    found = layers.skull_thickness(replace(BONE, skull_mm=skull), replace(RULE, person=person))
    assert [f.code for f in found] == codes
    if "child-suspected" in codes:
        assert found[0].level is Level.STOP


def test_swelling_at_the_point_or_under_a_tape():
    at = only(layers.swelling(replace(BONE, scalp_mm=11.0)))
    assert (at.code, at.level) == ("scalp-swelling", Level.CAUTION)
    under = only(layers.swelling(BONE, elsewhere_mm=5.0, where="under the midline tape"))
    assert under.value == 5.0
    assert only(layers.drill_stop_withheld(replace(BONE, scalp_mm=11.0))).level is Level.NOTE
    assert only(layers.drill_stop_withheld(replace(BONE, scalp_other_side_mm=2.0))).code == (
        "drill-stop-scalp-withheld"
    )


def test_what_stops():
    assert (
        only(layers.engagement_too_deep(BONE, replace(RULE, engagement_mm=6.8))).level is Level.STOP
    )
    assert only(path.tip_outside_skull(False, 15.0)).level is Level.STOP
    assert head.bone_missing("a gap in the bone", 3.0, Side.LEFT).level is Level.STOP
    assert head.side_unknown("no orientation").level is Level.STOP
    assert only(landmark.given_against_detected("nasion", 10.1)).level is Level.STOP
    assert only(head.child(None, "a small head", value_found=1.0, limit=2.0)).level is Level.STOP
    assert only(head.child("child", "", value_found=None, limit=None)).level is Level.NOTE


@pytest.mark.parametrize(
    ("moved", "level"), [(2.1, Level.NOTE), (5.0, Level.NOTE), (5.1, Level.CAUTION)]
)
def test_moved_landmarks(moved, level):
    assert only(landmark.landmark_moved("inion", moved)).level is level


def test_a_landmark_far_from_the_surface_is_refused():
    with pytest.raises(FieldRefused, match=r"landmark inion lies 10\.1 mm"):
        landmark.landmark_moved("inion", 10.1)


def test_slices_and_noise():
    assert only(head.coarse_slices(2.0)).level is Level.NOTE
    assert only(head.coarse_slices(5.0)).level is Level.CAUTION
    assert only(head.noise(50.0)).level is Level.NOTE
    assert only(head.noise(90.0)).level is Level.CAUTION
    assert only(head.low_contrast(900.0, clipped=True)).code == "low-contrast"


def test_a_suture_that_was_seen_is_no_finding():
    assert side.estimated_suture(Side.LEFT, How.MEASURED, 1.0, why="-") == ()
    text = only(side.estimated_suture(Side.LEFT, How.ESTIMATED, 4.0, why="closed")).text
    assert "PATIENT'S LEFT" in text
    assert "8 mm (95 %)" in text


def test_worst_first_and_repeats_dropped():
    note, stop = head.sides_as_stated(), head.side_unknown("x")
    assert side.ordered([note, stop, note]) == (stop, note)
    assert side.worst_level([note, stop]) is Level.STOP
    assert side.worst_level([]) is None


def test_the_catalogue_is_complete_and_in_plain_words():
    wanted = [
        "suture-margin",
        "midline-margin",
        "sinus-envelope",
        "skull-thin",
        "skull-thick",
        "scalp-swelling",
        "bone-missing",
        "tilt",
        "coarse-slices",
        "field-of-view",
        "plane-uncertain",
        "suture-not-visible",
        "landmark-doubtful",
        "landmark-moved",
        "child-suspected",
        "side-unknown",
        "world-matrices-differ",
        "unit-assumed",
        "tip-outside-skull",
        "engagement-too-deep",
        "practice-head",
        "sides-as-stated",
        "metal",
        "noise",
        "low-contrast",
        "population-only",
        "measure-unusual",
        "nasion-shallow",
        "asymmetry",
        "frontal-sinus",
        "drill-stop-scalp-withheld",
    ]
    assert set(wanted) <= set(CATALOGUE)
    for entry in CATALOGUE.values():
        words = f"{entry.title} {entry.means} {entry.do}".lower()
        assert not re.search(r"\b(safe|safely|all clear|ok|must|should|tick)\b", words), entry.code
        assert entry.levels
    with pytest.raises(FieldRefused, match="did you mean 'tilt'"):
        kind("tlit")
    with pytest.raises(FieldRefused, match="at level 'stop'"):
        make("skull-thick", Level.STOP, "x")
