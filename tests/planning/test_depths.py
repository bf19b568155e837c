"""Drill stop and sensor depth: one setting, a lower bound, null where nothing is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from entrypoint.errors import FieldRefused
from entrypoint.planning.depths import drill_stop, scalp_stop_withheld, sensor_depth
from entrypoint.planning.model import DrillStop, Rule, Thickness

BONE = Thickness(
    scalp_mm=6.0, skull_mm=7.5, scalp_sd_mm=0.3, skull_sd_mm=0.2, thinnest_near_mm=7.0,
    scalp_other_side_mm=6.4,
)  # fmt: skip


def test_worked_by_hand():
    """Bone: 7.0 - 2.326 x 0.2 - 1 = 5.53 -> 5. Scalp: 13.0 - 2.326 x 0.3606 - 1 = 11.16 -> 11."""
    stop = drill_stop(BONE, Rule(drill_allowance_mm=1.0))
    assert stop.start_on_bone_mm == 5.0
    assert stop.start_on_scalp_mm == 11.0
    assert stop.on_bone_mm == pytest.approx(8.5)
    assert stop.on_scalp_mm == pytest.approx(14.5)
    assert stop.p_start_passes_inner_table is not None
    assert stop.p_start_passes_inner_table < 1e-5


def test_the_start_is_never_the_path_itself_where_a_thinner_one_is_near():
    thinner = drill_stop(replace(BONE, thinnest_near_mm=4.0), Rule())
    assert thinner.start_on_bone_mm == 2.0
    assert drill_stop(replace(BONE, thinnest_near_mm=None), Rule()).start_on_bone_mm == 6.0
    # a "thinnest" that is thicker than the path does not lengthen the stop
    assert drill_stop(replace(BONE, thinnest_near_mm=9.0), Rule()).start_on_bone_mm == 6.0


@given(
    skull=st.floats(0.5, 20.0), sd=st.floats(0.05, 2.0), thin=st.floats(0.0, 3.0),
    scalp=st.floats(2.0, 20.0), other=st.floats(2.0, 20.0),
)  # fmt: skip
def test_start_is_whole_not_negative_and_at_least_1_mm_short(skull, sd, thin, scalp, other):
    thickness = Thickness(
        skull_mm=skull, skull_sd_mm=sd, thinnest_near_mm=max(skull - thin, 0.1), scalp_mm=scalp,
        scalp_sd_mm=0.3, scalp_other_side_mm=other,
    )  # fmt: skip
    stop = drill_stop(thickness, Rule())
    start = stop.start_on_bone_mm
    assert start == int(start)
    assert start >= 0.0
    assert start <= max(skull - 1.0, 0.0)
    withheld = scalp > 10.0 or abs(scalp - other) > 3.0
    assert (stop.start_on_scalp_mm is None) == withheld
    assert (scalp_stop_withheld(thickness) is not None) == withheld
    if start > 0:
        assert stop.p_start_passes_inner_table <= 0.01 + 1e-9


def test_the_bound_holds_in_99_of_100_draws():
    """Thinnest path 7 mm, measured with an SD of 0.4: how often the start reaches through."""
    rng = np.random.default_rng(5)
    through = 0
    for measured in rng.normal(7.0, 0.4, 2000):
        stop = drill_stop(Thickness(skull_mm=measured, skull_sd_mm=0.4), Rule())
        through += stop.start_on_bone_mm > 7.0
    assert through == 0


@pytest.mark.parametrize("missing", ["skull_mm", "skull_sd_mm"])
def test_no_bone_no_length(missing):
    assert drill_stop(replace(BONE, **{missing: None}), Rule()) == DrillStop()
    assert drill_stop(BONE, Rule(), geometry_only=True) == DrillStop()
    assert sensor_depth(BONE, Rule(), geometry_only=True) is None


def test_unknown_scalp_withholds_the_scalp_seat_alone():
    stop = drill_stop(replace(BONE, scalp_mm=None), Rule())
    assert stop.start_on_scalp_mm is None
    assert stop.on_scalp_mm is None
    assert stop.start_on_bone_mm == 5.0


def test_sensor_from_every_face():
    rule = Rule(sensor_depth_mm=15.0, bolt_length_mm=50.0, engagement_mm=6.0, thread_pitch_mm=1.5)
    depth = sensor_depth(BONE, rule)
    assert depth.from_outer_table_mm == 22.5
    assert depth.from_scalp_mm == 28.5
    assert depth.from_bolt_top_mm == 50.0 - 6.0 + 7.5 + 15.0
    assert depth.half_turns == 8.0
    bare = sensor_depth(BONE, Rule(engagement_mm=6.0))
    assert (bare.from_bolt_top_mm, bare.half_turns) == (None, None)
    assert sensor_depth(Thickness(), rule).from_outer_table_mm is None
    with pytest.raises(FieldRefused, match="positive length"):
        sensor_depth(BONE, Rule(thread_pitch_mm=0.0))
