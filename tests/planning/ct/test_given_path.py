"""Paths of one's own against a head's exact surfaces, the plan's own path, and brute force."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from entrypoint.errors import FieldRefused
from entrypoint.phantoms import build, named_spec
from entrypoint.phantoms import profile as exact_profile
from entrypoint.phantoms import site as exact
from entrypoint.phantoms.site_truth import SiteTruth
from entrypoint.phantoms.sutures import coronal_curve
from entrypoint.planning.ct import plan_from_parts
from entrypoint.planning.ct_parts import ct_parts
from entrypoint.planning.given_check import check_paths
from entrypoint.planning.given_path import check_path
from entrypoint.planning.given_path_model import CheckedPath, GivenPath, Standing, Within
from entrypoint.planning.given_place import other_space, skin_at
from entrypoint.planning.given_worst import FIGURES, Neighbours, in_order
from entrypoint.planning.model import InputInfo, InputKind, Rule, Side
from entrypoint.volume.grid import Grid
from entrypoint.volume.volume import Volume
from tests.conftest import SAMPLES

BOTH = (Side.RIGHT, Side.LEFT)
INFO = InputInfo(kind=InputKind.CT, name="test", sha256="")


@cache
def adult_volume():
    from entrypoint.api import read_volume

    return read_volume(SAMPLES / "adult.nii.gz").volume.canonical()


@cache
def parts():
    return ct_parts(adult_volume(), rule=Rule())


@cache
def plan():
    return plan_from_parts(parts(), info=INFO)


class Exact:
    """The head that the sample was made from, asked along any line."""

    def __init__(self):
        self.head = build(named_spec("adult"))
        self.site = SiteTruth(self.head, step_deg=0.2)
        turns = coronal_curve(self.head.shape, self.head.bregma_rad,
                              np.deg2rad(np.arange(-74.0, 74.01, 0.1)))  # fmt: skip
        self.suture = turns * self.head.shape.outer(turns)[:, None]

    def world(self, point):
        m = self.head.world_from_head
        return m[:3, :3] @ point + m[:3, 3]

    def turn(self, vector):
        return self.head.world_from_head[:3, :3] @ vector

    def path(self, midline_mm, lateral_mm, side, back_deg, away_deg):
        """Point and direction: leaning from the perpendicular through the point."""
        at = self.site.at(midline_mm, lateral_mm, side.value)
        square = at.unit_inward
        sign = 1.0 if side is Side.RIGHT else -1.0
        away = np.array([sign, 0.0, 0.0])
        away = away - (away @ square) * square
        away /= np.linalg.norm(away)
        back = np.cross(square, away)
        back *= np.sign(back @ np.array([0.0, -1.0, 0.2]))
        lean = np.radians([back_deg, away_deg])
        angle = float(np.hypot(*lean))
        aside = lean[0] * back + lean[1] * away
        inward = np.cos(angle) * square
        return at.entry, inward if angle == 0.0 else inward + np.sin(angle) * aside / angle

    def straight(self, towards, aside=(0.0, 0.0, 0.0)):
        """Point of the skin seen from the head's origin, and about the way back."""
        u = np.array(towards) / np.linalg.norm(towards)
        skin = exact_profile.skin_field(self.head.shape)
        deep = exact_profile.first_crossing(skin, (160.0 * u)[None], -u[None], 150.0, 0.25)[0]
        inward = np.array(aside) - u
        return (160.0 - deep) * u, inward / np.linalg.norm(inward)

    def figures(self, entry, inward, side, *, whole=True):
        """Exact answers along a line of the head's frame; the slow ones where all are wanted."""
        shape = self.head.shape
        foot = entry + exact_profile.first_crossing(
            exact_profile.bone_field(shape), entry[None], inward[None], 60.0, 0.25
        )[0] * inward
        across = exact.crossings(shape, foot, inward)
        sign = 1.0 if side is Side.RIGHT else -1.0
        tip = across.inner + 15.0 * inward
        found = {
            "scalp_mm": float(np.linalg.norm(foot - entry)), "skull_mm": across.skull_mm,
            "midline_scalp_mm": sign * entry[0], "midline_tip_mm": sign * tip[0],
        }  # fmt: skip
        if not whole:
            return found
        normal = exact.bone_normal(exact_profile.bone_field(shape), foot, 10.0)
        upright = exact.crossings(shape, foot, -normal)
        parallel, nearest, _ = exact.suture_distances(shape, self.suture, foot, entry)
        return found | {
            "square_skull_mm": upright.skull_mm,
            "tilt_deg": float(np.degrees(np.arccos(min(1.0, float(-normal @ inward))))),
            "suture_mm": parallel, "suture_nearest_mm": nearest,
        }  # fmt: skip


@cache
def truth():
    return Exact()


def given(side, point, **aim):
    return GivenPath(label="A", side=side, skin_point_mm=np.asarray(point), **aim)


def close_figures(a, b, atol):
    """Every length of two side plans, spreads and probabilities apart."""
    told = 0
    for group in ("thickness", "clearance", "drill_stop", "sensor", "tapes"):
        one, two = getattr(a, group), getattr(b, group)
        for name in one.__slots__:
            if not name.endswith("_mm") or "_sd_" in name:
                continue
            x, y = getattr(one, name), getattr(two, name)
            assert (x is None) == (y is None), name
            if x is not None:
                assert y == pytest.approx(x, abs=atol), name
                told += 1
    return told


@pytest.mark.parametrize("side", BOTH)
@pytest.mark.parametrize("aim", ["square", "tip"])
def test_the_plans_own_path_has_the_plans_own_figures(side, aim):
    own = plan().sides[side]
    how = {"square": {}, "tip": {"tip_point_mm": own.sensor_tip_mm}}[aim]
    got = check_path(parts(), given(side, own.scalp_entry_mm, **how))
    assert close_figures(own, got.path, 0.01) > 30
    assert {f.code for f in got.path.findings} == {f.code for f in own.findings}
    assert got.path.tilt_deg < 0.05
    assert got.skin_moved_mm < 0.1
    for name in ("back_mm", "away_mm", "straight_mm", "tip_mm"):
        assert getattr(got.against_rule, name) == pytest.approx(0.0, abs=0.01), name
    # What the tapes would add to the error is not in a point given in the scan's own millimetres.
    assert got.path.clearance.suture_sd_mm < own.clearance.suture_sd_mm
    assert got.midline_arc_sd_mm == own.scalp_entry_sd_along_mm
    assert got.path.clearance.midline_sd_mm == own.clearance.midline_sd_mm


def close_to_exact(got, true):
    """A checked path against the exact answers along its line."""
    t, c = got.path.thickness, got.path.clearance
    assert got.skin_moved_mm < 0.3
    assert t.skull_mm == pytest.approx(true["skull_mm"], abs=0.2)
    assert abs(t.skull_mm - true["skull_mm"]) < 3.5 * t.skull_sd_mm + 0.05
    assert t.scalp_mm == pytest.approx(true["scalp_mm"], abs=0.3)
    assert got.square_skull_mm == pytest.approx(true["square_skull_mm"], abs=0.2)
    assert got.slant_mm == pytest.approx(true["skull_mm"] - true["square_skull_mm"], abs=0.2)
    assert t.slant_factor == pytest.approx(t.skull_mm / got.square_skull_mm)
    assert got.path.tilt_deg == pytest.approx(true["tilt_deg"], abs=4.0 * got.tilt_sd_deg)
    assert np.hypot(got.tilt_back_deg, got.tilt_away_deg) == pytest.approx(got.path.tilt_deg)
    for name in ("midline_scalp_mm", "midline_tip_mm"):
        assert getattr(c, name) == pytest.approx(true[name], abs=0.6), name
    for name in ("suture_mm", "suture_nearest_mm"):
        assert getattr(c, name) == pytest.approx(true[name], abs=1.0), name
    assert ("tilt" in {f.code for f in got.path.findings}) == (true["tilt_deg"] > 10.0)


# Seen from inside the head: towards the point of the skin, and what is added to the way back.
OFF_THE_RULE = [
    (Side.RIGHT, (0.35, 0.75, 0.6), (0.0, 0.0, 0.0)),
    (Side.LEFT, (-0.5, 0.3, 0.8), (0.25, 0.1, 0.0)),
    (Side.LEFT, (-0.25, 0.2, 0.95), (0.0, 0.3, 0.0)),
]


@pytest.mark.parametrize("case", OFF_THE_RULE, ids=str)
def test_off_the_rule_and_tilted_against_the_exact_surfaces(case):
    side, towards, aside = case
    entry, inward = truth().straight(towards, aside)
    true = truth().figures(entry, inward, side)
    got = check_path(parts(), given(side, truth().world(entry), along_mm=truth().turn(inward)))
    close_to_exact(got, true)


def test_tape_terms_and_lean_against_the_exact_tapes():
    side, midline_mm, lateral_mm, back_deg, away_deg = Side.RIGHT, 122.0, 38.0, -8.0, 10.0
    entry, inward = truth().path(midline_mm, lateral_mm, side, back_deg, away_deg)
    got = check_path(parts(), given(side, truth().world(entry), along_mm=truth().turn(inward)))
    assert got.path.tapes.midline_taut_mm == pytest.approx(midline_mm, abs=1.5)
    assert got.path.tapes.lateral_taut_mm == pytest.approx(lateral_mm, abs=0.6)
    assert got.against_rule.back_mm == pytest.approx(midline_mm - 110.0, abs=1.5)
    assert got.against_rule.away_mm == pytest.approx(lateral_mm - 30.0, abs=0.6)
    assert got.tilt_back_deg == pytest.approx(back_deg, abs=2.5)
    assert got.tilt_away_deg == pytest.approx(away_deg, abs=2.5)


@pytest.mark.parametrize(("back_mm", "said"), [(-3.0, False), (3.0, True), (7.0, False)])
def test_a_path_at_the_suture_is_told_that_its_bone_may_be_the_gap(back_mm, said):
    # 3 mm behind the place that is as far back as the suture at the rule's point is on it.
    side = Side.LEFT
    entry, inward = truth().path(
        110.0 + plan().sides[side].clearance.suture_mm + back_mm, 30.0, side, 0.0, 0.0
    )
    got = check_path(parts(), given(side, truth().world(entry), along_mm=truth().turn(inward)))
    told = [f for f in got.path.findings if f.code == "suture-in-path"]
    assert bool(told) is said
    for finding in told:
        assert {"thickness.skull_mm", "thickness.scalp_mm"} <= set(finding.figures)
        true = truth().figures(entry, inward, side)
        assert finding.value == pytest.approx(abs(true["suture_nearest_mm"]), abs=0.5)


def test_a_point_off_the_skin_is_moved_the_shortest_way_and_the_distance_said():
    own = plan().sides[Side.RIGHT]
    skin = skin_at(parts().head, own.scalp_entry_mm)
    for away_mm, level in ((1.5, None), (3.5, "note"), (-7.0, "caution")):
        point = skin.point_mm + away_mm * skin.unit_outward
        got = check_path(parts(), given(Side.RIGHT, point))
        assert got.skin_moved_mm == pytest.approx(abs(away_mm), abs=0.05)
        assert np.linalg.norm(got.path.scalp_entry_mm - skin.point_mm) < 0.1
        told = [f.level.value for f in got.path.findings if f.code == "landmark-moved"]
        assert told == ([] if level is None else [level])
    with pytest.raises(FieldRefused, match=r"lies 1[12]\.\d mm outside the skin"):
        check_path(parts(), given(Side.RIGHT, skin.point_mm + 11.8 * skin.unit_outward))


def refused_cases():
    own, other = plan().sides[Side.RIGHT], plan().sides[Side.LEFT]
    point, inward, tip = own.scalp_entry_mm, own.unit_inward, own.sensor_tip_mm
    along = np.cross(inward, [1.0, 0.0, 0.0])
    far = point + 400.0 * inward
    return {
        "outside the scan's field of view": given(Side.RIGHT, far),
        "inside the skin": given(Side.RIGHT, point + 25.0 * inward),
        "points outwards": given(Side.RIGHT, point, along_mm=-inward),
        "does not meet the skull": given(Side.RIGHT, point, along_mm=along + 0.05 * inward),
        "of no length": given(Side.RIGHT, point, along_mm=np.zeros(3)),
        "on the wrong side of the skull": given(Side.RIGHT, point,
                                                tip_point_mm=other.sensor_tip_mm),
        "short of the inner table": given(Side.RIGHT, point, tip_point_mm=point + 9.0 * inward),
        "the tip lies outside the skull": given(
            Side.RIGHT, point, tip_point_mm=point + 190.0 * np.array([0.1, -0.9, -0.3])
            / np.linalg.norm([0.1, -0.9, -0.3])
        ),
        "mm on the other side of this head's midline": given(Side.LEFT, point),
        "fit this scan in the other space": given(Side.RIGHT, other_space(point),
                                                  tip_point_mm=other_space(tip)),
        "are the same": given(Side.RIGHT, point, tip_point_mm=point + 0.1),
    }  # fmt: skip


REFUSED = [
    "outside the scan's field of view", "inside the skin", "points outwards",
    "does not meet the skull", "of no length", "on the wrong side of the skull",
    "short of the inner table", "the tip lies outside the skull",
    "mm on the other side of this head's midline", "fit this scan in the other space",
    "are the same",
]  # fmt: skip


@pytest.mark.parametrize("why", REFUSED)
def test_what_cannot_be_meant_is_refused_by_name(why):
    with pytest.raises(FieldRefused) as error:
        check_path(parts(), refused_cases()[why])
    assert why.lower() in str(error.value).lower()


@pytest.mark.parametrize("side", BOTH)
def test_points_of_the_other_space_are_refused_on_both_sides(side):
    own = plan().sides[side]
    with pytest.raises(FieldRefused, match="correct the stated coordinate space"):
        check_path(parts(), given(side, other_space(own.scalp_entry_mm)))
    with pytest.raises(FieldRefused, match="coordinate space"):
        check_path(parts(), given(side, own.scalp_entry_mm,
                                  along_mm=other_space(own.unit_inward)))  # fmt: skip


def test_a_path_across_the_midline_is_a_stop_and_sets_no_drill():
    point = plan().sides[Side.RIGHT].scalp_entry_mm
    normal = parts().midsagittal.unit_normal
    tip = point - 24.0 * normal + 27.0 * plan().sides[Side.RIGHT].unit_inward
    got = check_path(parts(), given(Side.RIGHT, point, tip_point_mm=tip))
    stops = {f.code for f in got.path.findings if f.level.value == "stop"}
    assert "path-crosses-midline" in stops
    assert got.path.clearance.midline_tip_mm < 0.0
    assert got.path.drill_stop.start_on_bone_mm is None
    assert got.standing.stop_findings == len(
        [f for f in got.path.findings if f.level.value == "stop"]
    )
    # From the same point a path square to the skull keeps every margin.
    assert got.path.moved.exists
    assert "from the same point of the skin" in got.path.moved.text


def test_the_nearest_path_that_keeps_every_margin_is_planned_again():
    # On the skin over the suture itself.
    suture = parts().suture
    over = suture.curve_mm[int(np.argmin(np.abs(suture.lateral_mm - 32.0)))]
    behind = skin_at(parts().head, over).point_mm
    got = check_path(parts(), given(Side.RIGHT, behind))
    limit = parts().rule.suture_margin_mm
    assert got.path.clearance.suture_nearest_mm < limit
    assert got.path.moved.exists
    again = check_path(parts(), given(Side.RIGHT, got.path.moved.scalp_entry_mm))
    assert again.path.clearance.suture_nearest_mm >= limit - 0.05
    assert again.path.moved is None or again.path.moved.midline_arc_mm > 120.0
    nowhere = replace(parts(), rule=replace(parts().rule, suture_margin_mm=59.0))
    none = check_path(nowhere, given(Side.RIGHT, behind))
    assert not none.path.moved.exists


def random_places(count, within, seed=3):
    rng = np.random.default_rng(seed)
    places = []
    for reach in (within.within_mm, within.within_deg):
        turn, size = rng.uniform(0, 2 * np.pi, count), reach * np.sqrt(rng.uniform(0, 1, count))
        places.append(np.stack([size * np.cos(turn), size * np.sin(turn)], axis=1))
    return np.concatenate(places, axis=1)


def test_the_worst_is_as_bad_as_any_path_within_reach():
    side, within = Side.LEFT, Within()
    entry, inward = truth().straight((-0.33, 0.62, 0.72), (0.0, 0.05, -0.05))
    wanted = given(side, truth().world(entry), along_mm=truth().turn(inward))
    got = check_path(parts(), wanted, within=within)
    worst = {w.figure: w for w in got.worst}
    assert set(worst) == set(FIGURES)
    # Brute force, with the same edges.
    near = neighbours(wanted)
    figures = near.figures(random_places(600, within))
    for column, name in enumerate(FIGURES):
        if name.endswith("thickest"):
            assert worst[name].worst_mm >= np.nanmax(figures[:, column]) - 0.02
        else:
            assert worst[name].worst_mm <= np.nanmin(figures[:, column]) + 0.02, name
    # Each of them within reach of the path.
    for found in worst.values():
        assert np.hypot(found.offset_back_mm, found.offset_away_mm) <= within.within_mm + 1e-9
        assert np.hypot(found.tilt_back_deg, found.tilt_away_deg) <= within.within_deg + 1e-9
    # The exact surfaces along such paths, and fitted profiles along a few.
    true = exact_within(entry, inward, side, within)
    assert worst["thickness.skull_mm, thinnest"].worst_mm <= true["skull_mm"].min() + 0.1
    assert worst["thickness.skull_mm, thickest"].worst_mm >= true["skull_mm"].max() - 0.1
    assert worst["thickness.skull_mm, thinnest"].worst_mm >= true["skull_mm"].min() - 0.4
    for name in ("midline_scalp_mm", "midline_tip_mm"):
        assert worst[f"clearance.{name}"].worst_mm <= true[name].min() + 0.4, name
    own = got.path.thickness.skull_mm
    assert worst["thickness.skull_mm, thinnest"].worst_mm <= own
    assert worst["thickness.skull_mm, thickest"].worst_mm >= own


def neighbours(wanted):
    """What is evaluated for each path round a given one, from the same site."""
    from entrypoint.planning import given_path as module

    kept = []
    real = module.worst_within

    def keep(parts_, site, made, rule, within):
        kept.append((site, rule))
        return real(parts_, site, made, rule, within)

    module.worst_within = keep
    try:
        check_path(parts(), wanted, within=Within(within_deg=0.0, within_mm=0.0))
    finally:
        module.worst_within = real
    site, rule = kept[0]
    return Neighbours(parts=parts(), site=site, rule=rule, geometry_only=False)


def exact_within(entry, inward, side, within, count=25):
    """Exact figures of random paths within reach, offsets on the exact skin."""
    shape = truth().head.shape
    u = np.cross(inward, [1.0, 0.0, 0.0])
    u /= np.linalg.norm(u)
    v = np.cross(inward, u)
    out = []
    for a, b, c, d in random_places(count, within, seed=9):
        lean = np.radians([c, d])
        angle = float(np.hypot(*lean))
        direction = np.cos(angle) * inward + np.sin(angle) * (lean[0] * u + lean[1] * v) / angle
        start = entry + a * u + b * v - 20.0 * direction
        deep = exact_profile.first_crossing(
            exact_profile.skin_field(shape), start[None], direction[None], 60.0, 0.25
        )[0]
        out.append(truth().figures(start + deep * direction, direction, side, whole=False))
    return {name: np.array([o[name] for o in out]) for name in out[0]}


def test_nothing_strays_where_nothing_may():
    own = plan().sides[Side.RIGHT]
    got = check_path(parts(), given(Side.RIGHT, own.scalp_entry_mm),
                     within=Within(within_deg=0.0, within_mm=0.0))  # fmt: skip
    worst = {w.figure: w.worst_mm for w in got.worst}
    assert worst["thickness.skull_mm, thinnest"] == pytest.approx(own.thickness.skull_mm, abs=1e-6)
    assert worst["clearance.suture_nearest_mm"] == pytest.approx(
        own.clearance.suture_nearest_mm, abs=0.01
    )
    assert worst["clearance.midline_tip_mm"] == pytest.approx(
        own.clearance.midline_tip_mm, abs=0.01
    )
    assert worst["clearance.sinus_mm"] == pytest.approx(own.clearance.sinus_mm, abs=0.01)


def moved_world(matrix):
    """The same head elsewhere: parts, and how points and directions move."""
    old = adult_volume()
    grid = Grid(shape=old.shape, world_from_index=matrix @ old.grid.world_from_index)
    volume = Volume(grid=grid, stored=old.stored).canonical()
    return ct_parts(volume, rule=Rule())


@pytest.mark.parametrize("how", ["turned", "mirrored"])
def test_a_moved_or_mirrored_world_moves_the_path_with_it(how):
    matrix = np.eye(4)
    side = swapped = Side.RIGHT
    if how == "turned":
        matrix[:3, :3] = Rotation.from_euler("xyz", [9.0, -6.0, 11.0], degrees=True).as_matrix()
        matrix[:3, 3] = [12.0, -25.0, 31.0]
    else:
        matrix[0, 0] = -1.0
        swapped = Side.LEFT
    entry, inward = truth().straight((0.4, 0.7, 0.65), (0.12, -0.1, 0.0))
    point, along = truth().world(entry), truth().turn(inward)
    one = check_path(parts(), given(side, point, along_mm=along))
    elsewhere = moved_world(matrix)
    two = check_path(
        elsewhere,
        given(swapped, matrix[:3, :3] @ point + matrix[:3, 3], along_mm=matrix[:3, :3] @ along),
    )
    for group, name, limit in (
        ("thickness", "skull_mm", 0.03), ("thickness", "scalp_mm", 0.05),
        ("clearance", "midline_tip_mm", 0.3), ("clearance", "suture_nearest_mm", 0.3),
        ("tapes", "midline_taut_mm", 1.0), ("tapes", "lateral_taut_mm", 0.3),
    ):  # fmt: skip
        a, b = getattr(getattr(one.path, group), name), getattr(getattr(two.path, group), name)
        assert b == pytest.approx(a, abs=limit), name
    assert two.path.tilt_deg == pytest.approx(one.path.tilt_deg, abs=0.2)
    assert two.tilt_back_deg == pytest.approx(one.tilt_back_deg, abs=0.4)
    assert two.tilt_away_deg == pytest.approx(one.tilt_away_deg, abs=0.4)
    if how == "mirrored":
        half = 11.0 - 6.0  # the envelope is wider on the right
        assert two.path.clearance.sinus_mm - one.path.clearance.sinus_mm == pytest.approx(
            half, abs=0.3
        )
        with pytest.raises(FieldRefused, match="midline"):
            check_path(elsewhere, given(side, matrix[:3, :3] @ point))


def checked(label, standing):
    return CheckedPath(label=label, side=Side.RIGHT, aim="square", given_skin_mm=np.zeros(3),
                       standing=standing)  # fmt: skip


def test_the_order_is_the_one_that_is_told():
    def at(stops, broken, left):
        return Standing(stop_findings=stops, margins_broken=broken, least_left_mm=left)

    paths = [
        checked("refused", None), checked("stop", at(1, 0, 9.0)), checked("broken", at(0, 1, 8.0)),
        checked("near", at(0, 0, -2.0)), checked("far", at(0, 0, 3.0)),
        checked("as far", at(0, 0, 3.0)), checked("not known", at(0, 0, None)),
    ]  # fmt: skip
    assert in_order(paths) == (
        "far", "as far", "near", "not known", "broken", "stop", "refused"
    )  # fmt: skip


def test_one_refused_among_several_says_why_and_the_rest_have_figures():
    own = plan().sides[Side.RIGHT]
    made = check_paths(
        parts(), plan(),
        [given(Side.LEFT, own.scalp_entry_mm),
         replace(given(Side.RIGHT, own.scalp_entry_mm), label="B")],
        within=Within(within_deg=1.0, within_mm=1.0),
    )  # fmt: skip
    assert made.order == ("B", "A")
    assert made.paths[0].path is None
    assert made.paths[0].refused_exit == 3
    assert "midline" in made.paths[0].refused
    with pytest.raises(FieldRefused):
        check_paths(parts(), plan(), [given(Side.LEFT, own.scalp_entry_mm)], within=Within())
