"""Plausibility of measures against published adults, and the traps of real tables.

Authorities: ANSUR II (Gordon CC et al., NATICK/TR-15/007, 2014) for circumference and
interpupillary breadth; a public table of tape measures in living adults for nasion-inion;
W. W. Howells' craniometric data set for the nasion-bregma chord. Traps seen in real tables:
an interpupillary breadth of 640 (tenths of a mm), a head length of 19.9 (cm).
"""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from entrypoint.errors import FieldRefused
from entrypoint.geometry.spheres import chord_of_arc_mm
from entrypoint.planning.model import Level, Rule
from entrypoint.planning.suture_odds import Arc, expected_bregma_mm
from entrypoint.planning.tape import check_measures, plan_from_tape

Z = 2.326  # 1st and 99th percentile
# name, mean, SD, quoted
SERIES = [
    ("nasion_inion_mm", 366.0, 17.5),
    ("circumference_mm", 574.4, 16.1),
    ("circumference_mm", 561.1, 19.4),
    ("interpupillary_mm", 64.0, 3.4),
    ("interpupillary_mm", 61.7, 3.6),
]


@pytest.mark.parametrize(("name", "mean", "sd"), SERIES)
@pytest.mark.parametrize("person", [None, "adult"])
def test_nothing_between_the_1st_and_99th_percentile_is_flagged(name, mean, sd, person):
    for z in np.linspace(-Z, Z, 21):
        assert check_measures({name: mean + z * sd}, Rule(person=person)) == ()


@given(
    series=st.sampled_from(SERIES),
    z=st.floats(-Z, Z),
    slip=st.sampled_from([0.1, 10.0]),
)
def test_a_slip_of_ten_is_always_refused_with_what_was_meant(series, z, slip):
    name, mean, sd = series
    meant = mean + z * sd
    with pytest.raises(FieldRefused, match="did you mean") as caught:
        plan_from_tape({name: meant * slip})
    suggested = re.search(r"did you mean (\d+) mm", str(caught.value))
    assert suggested is not None
    assert abs(float(suggested[1]) - meant) < 0.5 + 1e-6


@pytest.mark.parametrize(
    ("name", "found", "meant"),
    [
        ("interpupillary_mm", 640.0, "64 mm"),
        ("nasion_inion_mm", 36.6, "366 mm"),
        ("circumference_mm", 57.0, "570 mm"),
        ("circumference_mm", 22.4, "569 mm"),
    ],
)
def test_traps_of_real_tables(name, found, meant):
    with pytest.raises(FieldRefused, match=f"did you mean {meant}"):
        check_measures({name: found}, Rule())


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), 0.0, -366.0])
def test_what_is_no_length_is_refused(bad):
    with pytest.raises(FieldRefused):
        check_measures({"nasion_inion_mm": bad}, Rule())


def test_a_small_head_suggests_a_child_unless_an_adult_is_stated():
    small = {"circumference_mm": 470.0}
    stop = [f for f in plan_from_tape(small).findings if f.level is Level.STOP]
    assert [f.code for f in stop] == ["child-suspected"]
    assert all(side.sensor is None for side in plan_from_tape(small).sides.values())
    stated = plan_from_tape(small, rule=Rule(person="adult"))
    assert not [f for f in stated.findings if f.level is Level.STOP]
    assert "measure-unusual" in [f.code for f in stated.findings]


def test_the_expected_bregma_gives_a_chord_of_the_published_size():
    """Howells: nasion-bregma chord 101 to 124 mm (men), 96 to 119 (women), 1st to 99th.

    The expected arc on bone of the smallest and largest published heads, as a chord of a circle
    of 65 to 75 mm (frontal arc over chord about 1.13), stays within them.
    """
    mean, sd = expected_bregma_mm(Arc.BONE)
    assert 96.0 < chord_of_arc_mm(mean, 70.0) < 124.0
    assert chord_of_arc_mm(mean - 1.5 * sd, 70.0) > 96.0
    assert chord_of_arc_mm(mean + 1.5 * sd, 75.0) < 124.0
