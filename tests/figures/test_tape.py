"""The tapes in outline: lengths on the drawing are the plan's, whatever it was made from."""

from __future__ import annotations

import numpy as np
import pytest

from entrypoint import Rule, Side, api
from entrypoint.figures.outline import outline
from entrypoint.figures.style import LIGHT, Ground, Labels, Style
from entrypoint.figures.tape import tape_picture
from entrypoint.planning.model import LateralBy
from tests.figures.looking import (
    assert_carries_what_it_must,
    assert_mark_at,
    assert_tidy,
    lines,
    pixels,
    said,
    xy,
)

# Check row 2.5: the published midline points, anterior and superior.
POINTS = np.array([(86.8110, -39.9830), (88.2470, -1.7130), (80.7710, 35.4170), (58.5120, 66.4620),
                   (27.3900, 88.6680), (-9.1670, 100.2440)])  # fmt: skip


def test_the_outline_runs_through_the_published_points_at_its_own_scale():
    head = outline(383.1)  # row 2.6: their length
    away = np.linalg.norm(head.scalp_mm[:, None] - POINTS, axis=-1).min(axis=0)
    assert away.max() < 0.6
    length = np.linalg.norm(np.diff(outline(350.0).scalp_mm, axis=0), axis=1).sum()
    assert length == pytest.approx(350.0, abs=0.01)
    # Row 2.6: 110 mm along the arc is at (61.93, 63.01).
    np.testing.assert_allclose(head.on_tape(np.array([110.0]))[0], (61.93, 63.01), atol=0.6)


@pytest.mark.parametrize("side", list(Side))
def test_a_tape_plan_is_drawn_at_its_lengths(side):
    rule = Rule(midline_arc_mm=105.0, lateral_arc_mm=25.0)
    plan = api.plan_tape({"nasion_inion_mm": 350.0}, rule=rule, sides=[side])
    figure = tape_picture(plan)
    assert_tidy(figure)
    assert_carries_what_it_must(figure, practice=False)
    words = said(figure)
    for needed in ("10.5 cm (105 mm)", "2.5 cm (25 mm)", "bregma in other heads", "nasion",
                   "not this head's shape",
                   f"Seen from the PATIENT'S {side.value.upper()}"):  # fmt: skip
        assert needed in words, needed
    profile, above = figure.axes
    sign = 1.0 if side is Side.RIGHT else -1.0
    (tape,) = lines(profile, "midline-tape")
    # Lifted by 3 mm off the outline, so a little longer than the tape itself.
    length = np.linalg.norm(np.diff(xy(tape), axis=0), axis=1).sum()
    assert 105.0 < length < 105.0 + 3.0 * np.pi / 2
    assert len(lines(profile, "tape-tick")) == 11
    face = xy(tape)[0, 0]
    assert sign * face > 0.0  # the face lies to the right when seen from the patient's right
    (step,) = lines(above, "lateral-tape")
    assert sign * xy(step)[-1, 0] == pytest.approx(25.0, abs=0.6)
    assert_mark_at(figure, pixels(figure), above, LIGHT.path, xy(step)[-1])


def test_it_works_for_a_scan_and_for_the_pupils_line(adult):
    figure = tape_picture(adult.plan, Style(ground=Ground.DARK, labels=Labels.SHORT))
    assert_tidy(figure)
    assert_carries_what_it_must(figure)
    assert len(lines(figure.axes[1], "lateral-tape")) == 2
    rule = Rule(lateral_by=LateralBy.MID_PUPILLARY, interpupillary_mm=64.0)
    pupils = tape_picture(api.plan_tape(rule=rule))
    assert_tidy(pupils)
    assert "half the pupils' distance" in said(pupils)
