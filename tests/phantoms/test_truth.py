"""Exact answers: converged, consistent with each other, and moved rightly by pose."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from entrypoint.phantoms import Head, build, named_spec, random_spec
from entrypoint.phantoms.truth import exact_answers


def _numbers(value: Any, path: str = "") -> Iterator[tuple[str, float]]:
    if isinstance(value, dict):
        for k, v in value.items():
            yield from _numbers(v, f"{path}.{k}")
    elif isinstance(value, list):
        for i, v in enumerate(value):
            yield from _numbers(v, f"{path}[{i}]")
    elif isinstance(value, float):
        yield path, value


@pytest.mark.parametrize("name", ["haematoma", "small"])
def test_converged(name: str) -> None:
    head = build(named_spec(name))
    coarse = exact_answers(head, 110.0, 30.0, 15.0, 10.0)
    fine = exact_answers(head, 110.0, 30.0, 15.0, 10.0, step_deg=0.021)
    for answers in (coarse, fine):
        del answers["midline"]["profile_mm"]
    a, b = dict(_numbers(coarse)), dict(_numbers(fine))
    assert a.keys() == b.keys()
    worst = max(a, key=lambda k: abs(a[k] - b[k]))
    assert abs(a[worst] - b[worst]) < 0.02, worst


def test_plain_and_finite(adult_truth: dict[str, Any]) -> None:
    text = json.dumps(adult_truth, allow_nan=False)
    assert json.loads(text) == adult_truth


def test_points_hang_together(adult: Head, adult_truth: dict[str, Any]) -> None:
    plane = adult_truth["midsagittal_plane"]
    normal, origin = np.array(plane["unit_normal"]), np.array(plane["point_mm"])
    assert np.linalg.norm(normal) == pytest.approx(1.0)
    for name in ("nasion_skin", "nasion_bone", "inion", "bregma", "vertex"):
        p = np.array(adult_truth["landmarks"][name])
        assert abs((p - origin) @ normal) < 1e-6, name
    for name, sign in (("right", 1.0), ("left", -1.0)):
        side = adult_truth["sides"][name]
        entry, foot = np.array(side["scalp_entry_mm"]), np.array(side["outer_table_mm"])
        inner, tip = np.array(side["inner_table_mm"]), np.array(side["sensor_tip_mm"])
        u = np.array(side["unit_inward"])
        t, c = side["thickness"], side["clearance"]
        assert np.linalg.norm(np.cross(foot - entry, u)) < 1e-4
        assert (foot - entry) @ u == pytest.approx(t["scalp_mm"], abs=1e-4)
        assert (inner - foot) @ u == pytest.approx(t["skull_mm"], abs=1e-4)
        assert t["outer_table_mm"] + t["diploe_mm"] + t["inner_table_mm"] == pytest.approx(
            t["skull_mm"], abs=1e-6
        )
        assert (tip - inner) @ u == pytest.approx(15.0)
        for key, p in (("midline_scalp_mm", entry), ("midline_tip_mm", tip)):
            assert sign * ((p - origin) @ normal) == pytest.approx(c[key], abs=1e-6)
        assert c["midline_tip_mm"] < c["midline_scalp_mm"]
        assert c["suture_nearest_mm"] <= c["suture_mm"] + 1e-6
        assert 0.0 < t["thinnest_near_mm"] <= t["skull_mm"] + 1e-6
        assert side["tapes"]["lateral_straight_mm"] < 30.0


def test_pose_moves_points_and_no_length() -> None:
    spec = random_spec(4, pose_deg=0.0, off_centre_mm=0.0)
    still = build(spec)
    moved = build(
        replace(spec, yaw_deg=22.0, pitch_deg=-15.0, roll_deg=11.0, centre_mm=(30.0, -12.0, 7.0))
    )
    a, b = still.truth(), moved.truth()
    m = moved.world_from_head
    for name, p in a["landmarks"].items():
        want = m[:3, :3] @ np.array(p) + m[:3, 3]
        assert b["landmarks"][name] == pytest.approx(list(want), abs=1e-9), name
    for side in ("right", "left"):
        assert b["sides"][side]["clearance"] == a["sides"][side]["clearance"]
        assert b["sides"][side]["thickness"] == a["sides"][side]["thickness"]


def test_without_asymmetry_the_sides_are_alike_except_for_their_unevenness() -> None:
    plain = build(
        replace(
            named_spec("adult"),
            skew_mm=0.0,
            bulge_mm=0.0,
            uneven_skull_mm=0.0,
            uneven_scalp_mm=0.0,
            uneven_thickness=0.0,
        )
    ).truth()["sides"]
    for key, value in plain["right"]["clearance"].items():
        assert value == pytest.approx(plain["left"]["clearance"][key], abs=1e-3), key


def test_rule_is_obeyed_and_parameters_act(adult: Head, adult_truth: dict[str, Any]) -> None:
    other = adult.truth(midline_arc_mm=100.0, lateral_arc_mm=25.0, sensor_depth_mm=20.0)
    for side in ("right", "left"):
        near, far = adult_truth["sides"][side]["clearance"], other["sides"][side]["clearance"]
        assert 7.0 < far["suture_scalp_mm"] - near["suture_scalp_mm"] < 14.0
        assert 3.0 < near["midline_scalp_mm"] - far["midline_scalp_mm"] < 6.0
    assert adult_truth["midline"]["chord_mm"] < 110.0 <= adult_truth["midline"]["surface_mm"]


def test_the_small_head_breaks_the_margin_and_the_adult_keeps_it(
    adult_truth: dict[str, Any],
) -> None:
    small = build(named_spec("small")).truth()
    for side in ("right", "left"):
        assert small["sides"][side]["clearance"]["suture_nearest_mm"] < 8.0
        assert not small["sides"][side]["clearance"]["margin_kept"]
        assert adult_truth["sides"][side]["clearance"]["margin_kept"]
