"""What a row keeps of the truth, against the exact answers and the closed form of a path."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from entrypoint.phantoms import HeadSpec, build
from entrypoint.phantoms.truth import exact_answers
from tests.benchmarks.accuracy.truths import truths

SHAPE = (300, 300, 300)


@pytest.fixture(scope="module")
def head():
    return build(replace(HeadSpec(), yaw_deg=8.0, roll_deg=-5.0, frontal_sinus=1.7))


@pytest.fixture(scope="module")
def answers(head):
    return exact_answers(head, 110.0, 30.0, 15.0, 10.0, step_deg=0.2)


def grid_round(point):
    """A picture of 300 voxels of 1 mm with a point in its middle."""
    matrix = np.eye(4)
    matrix[:3, 3] = np.array(point) - 150.0
    return matrix


def test_what_is_in_view(head, answers):
    nasion = np.array(answers["landmarks"]["nasion_skin"])
    everything = truths(head, answers, SHAPE, grid_round((0.0, 0.0, 0.0)))
    assert everything["nasion_in_view"]
    assert all(side["in_view"] for side in everything["sides"].values())
    above = truths(head, answers, SHAPE, grid_round(nasion + np.array([0.0, 0.0, 152.0])))
    assert not above["nasion_in_view"]
    assert all(side["in_view"] for side in above["sides"].values())


@pytest.mark.parametrize(("side", "sign", "half_mm"), [("right", 1.0, 11.0), ("left", -1.0, 6.0)])
def test_the_envelope_of_the_sinus_along_the_true_path(head, answers, side, sign, half_mm):
    kept = truths(head, answers, SHAPE, np.eye(4))["sides"][side]
    t = answers["sides"][side]
    depth = np.linspace(0.0, t["thickness"]["skull_mm"] + 10.0, 400)
    path = np.array(t["outer_table_mm"]) + depth[:, None] * np.array(t["unit_inward"])
    plane = answers["midsagittal_plane"]
    away = sign * (path - np.array(plane["point_mm"])) @ np.array(plane["unit_normal"])
    assert kept["sinus_mm"] == pytest.approx(float(away.min()) - half_mm, abs=1e-9)


def test_air_between_the_tables_is_seen_on_a_path_through_it(head, answers):
    side = dict(answers["sides"]["right"])
    assert truths(head, answers, SHAPE, np.eye(4))["sides"]["right"]["air_mm"] is None
    # a path of the same kind, low on the forehead beside the midline
    for y in np.arange(60.0, 110.0, 0.2):
        p = np.array([9.0, y, -10.0])
        u = p / np.linalg.norm(p)
        if np.linalg.norm(p) >= float(head.shape.outer(u[None])[0]):
            break
    m = head.world_from_head
    side["outer_table_mm"] = [float(v) for v in m[:3, :3] @ p + m[:3, 3]]
    side["unit_inward"] = [float(v) for v in m[:3, :3] @ (0.0, -1.0, 0.0)]
    low = {**answers, "sides": {"right": side, "left": answers["sides"]["left"]}}
    assert truths(head, low, SHAPE, np.eye(4))["sides"]["right"]["air_mm"] == pytest.approx(0.0)
