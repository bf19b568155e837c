"""Simulated tapes on a sphere, where every place has a closed form."""

from __future__ import annotations

import numpy as np
import pytest

from entrypoint.errors import FieldRefused
from entrypoint.planning.hand_draws import Part, lay_tapes, normal_table
from entrypoint.planning.hand_model import HandOptions, HandSpreads
from entrypoint.reference import spread, value

R = 83.0
NONE = dict.fromkeys(HandSpreads.__slots__, 0.0)
ROWS = {
    "nasion_along_mm": "hand_nasion_along", "nasion_sideways_mm": "hand_nasion_sideways",
    "midline_offset_mm": "hand_midline_offset", "midline_yaw_deg": "hand_midline_yaw",
    "tape_share": "hand_tape_share", "tape_reading_mm": "hand_tape_reading",
    "lateral_angle_deg": "hand_lateral_angle", "mark_mm": "hand_mark", "tilt_deg": "hand_tilt",
    "skate_mm": "hand_skate",
}  # fmt: skip


def test_every_spread_of_a_hand_is_a_row():
    assert set(ROWS) == set(HandSpreads.__slots__)
    for field, key in ROWS.items():
        assert getattr(HandSpreads(), field) == spread(key)
    assert HandOptions().draws == value("hand_draws")


def test_the_tilt_is_the_published_share_within_4_degrees():
    # Authority: Brioschi V et al., Vet Rec Open 2016 (84.5 % within 4 degrees); two normal axes
    # make a Rayleigh distribution of the angle.
    sigma = HandSpreads().tilt_deg
    assert 1.0 - np.exp(-0.5 * (4.0 / sigma) ** 2) == pytest.approx(0.845, abs=1e-5)


def test_a_table_is_the_same_for_a_seed_and_a_prefix_of_a_longer_one():
    assert np.array_equal(normal_table(500, 7), normal_table(500, 7))
    assert np.array_equal(normal_table(500, 7), normal_table(2000, 7)[:500])
    assert not np.array_equal(normal_table(500, 7), normal_table(500, 8))


@pytest.mark.parametrize(("draws", "seed"), [(99, 1), (100_001, 1), (1000, -1)])
def test_draws_and_seeds_that_cannot_be_meant(draws, seed):
    with pytest.raises(FieldRefused):
        normal_table(draws, seed)


def one_row(**parts):
    table = np.zeros((1, len(Part)))
    for name, z in parts.items():
        table[0, Part[name]] = z
    return table


def ends(table, spreads, midline=110.0, lateral=30.0):
    got = lay_tapes(table, spreads, midline, lateral, radius_mm=R)
    return float(got.midline_arc_mm[0]), float(got.lateral_arc_mm[0])


# What one deviation of one part does on a sphere, by spherical trigonometry: a geodesic that
# starts sideways by d comes back to d cos(s/R); one that leaves at an angle is R asin(sin a sin
# (s/R)) aside; along the tape lengths simply add.
@pytest.mark.parametrize(
    ("part", "spreads", "midline", "lateral"),
    [
        ("NASION_ALONG", {"nasion_along_mm": 2.0}, 112.0, 30.0),
        ("MIDLINE_TAPE_SHARE", {"tape_share": 0.01}, 111.1, 30.0),
        ("MIDLINE_TAPE_READING", {"tape_reading_mm": 1.5}, 111.5, 30.0),
        ("LATERAL_TAPE_SHARE", {"tape_share": 0.01}, 110.0, 30.3),
        ("LATERAL_TAPE_READING", {"tape_reading_mm": 1.5}, 110.0, 31.5),
        ("MIDLINE_OFFSET", {"midline_offset_mm": 2.0}, 110.0, 32.0),
    ],
)
def test_one_part_at_a_time(part, spreads, midline, lateral):
    got = ends(one_row(**{part: 1.0}), HandSpreads(**{**NONE, **spreads}))
    assert got == pytest.approx((midline, lateral), abs=1e-9)


def test_a_midline_tape_that_leaves_the_nasion_at_an_angle():
    table = one_row(MIDLINE_YAW=1.0)
    midline, lateral = ends(table, HandSpreads(**{**NONE, "midline_yaw_deg": 5.0}), lateral=0.0)
    a, s = np.radians(5.0), 110.0 / R
    assert lateral == pytest.approx(R * np.arcsin(np.sin(a) * np.sin(s)), abs=1e-9)
    assert midline == pytest.approx(R * np.arctan2(np.cos(a) * np.sin(s), np.cos(s)), abs=1e-9)


def test_a_nasion_found_beside_the_midline():
    table = one_row(NASION_SIDEWAYS=1.0)
    spreads = HandSpreads(**{**NONE, "nasion_sideways_mm": 3.0})
    _, lateral = ends(table, spreads, lateral=0.0)
    assert lateral == pytest.approx(
        R * np.arcsin(np.sin(3.0 / R) * np.cos(110.0 / R)), abs=1e-9
    )


def test_a_lateral_tape_off_the_right_angle():
    table = one_row(LATERAL_ANGLE=1.0)
    midline, lateral = ends(table, HandSpreads(**{**NONE, "lateral_angle_deg": 6.0}))
    a, u = np.radians(6.0), 30.0 / R
    assert lateral == pytest.approx(R * np.arcsin(np.cos(a) * np.sin(u)), abs=1e-9)
    assert abs(midline - 110.0) == pytest.approx(
        R * np.arctan2(np.sin(a) * np.sin(u), np.cos(u)), abs=1e-9
    )


def test_all_parts_together_spread_as_their_squares_add_up():
    s = HandSpreads()
    got = lay_tapes(normal_table(20_000, 3), s, 110.0, 30.0, radius_mm=R)
    arc, aside = 110.0 / R, 30.0 / R
    # Sideways errors of the nasion and of the direction turn the lateral tape too.
    turn = np.linalg.norm(
        [
            np.radians(s.midline_yaw_deg) * np.cos(arc),
            s.nasion_sideways_mm / R * np.sin(arc),
            np.radians(s.lateral_angle_deg),
        ]
    )
    along = np.sqrt(
        s.nasion_along_mm**2 + (110.0 * s.tape_share) ** 2 + s.tape_reading_mm**2
        + (R * np.tan(aside) * turn) ** 2
    )  # fmt: skip
    across = np.sqrt(
        (s.nasion_sideways_mm * np.cos(arc)) ** 2
        + (R * np.sin(arc) * np.radians(s.midline_yaw_deg)) ** 2
        + s.midline_offset_mm**2 + (30.0 * s.tape_share) ** 2 + s.tape_reading_mm**2
    )  # fmt: skip
    # 20,000 draws give a standard deviation to 0.5 % (one sigma).
    assert np.std(got.midline_arc_mm) == pytest.approx(along, rel=0.02)
    assert np.std(got.lateral_arc_mm) == pytest.approx(across, rel=0.02)
