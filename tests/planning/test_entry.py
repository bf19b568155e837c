"""Placement by the rule on heads whose answer is known."""

from __future__ import annotations

import numpy as np
import pytest

from entrypoint.errors import FieldRefused, GeometryError, MeasurementError
from entrypoint.geometry.planes import Plane
from entrypoint.planning.entry import midline_tape, place_entry
from entrypoint.planning.model import LateralBy, Rule, Side

R = 85.0
START = np.radians(-20.0)
PLANE = Plane(point_mm=[0, 0, 0], unit_normal=[1, 0, 0])


def profile(stop_deg: float = 195.0, dent: tuple[float, float, float] | None = None) -> np.ndarray:
    t = np.linspace(START, np.radians(stop_deg), 900)
    r = np.full(len(t), R)
    if dent is not None:
        at, width, depth = dent
        x = (np.degrees(t) - at) / width
        r = r - depth * np.where(np.abs(x) < 1, np.cos(np.pi * x / 2) ** 2, 0.0)
    return np.column_stack([0 * t, r * np.cos(t), r * np.sin(t)])


def great_circle(side: Side, reach_deg: float = 100.0, dent: float = 0.0):
    """Section of a sphere down one side, from any of its points."""
    sign = 1.0 if side is Side.RIGHT else -1.0

    def section(point, unit_normal, unit_outward):
        a = np.radians(np.linspace(0.0, reach_deg, 700))[:, None]
        r = np.linalg.norm(point)
        lowered = r - dent * np.exp(-(((np.degrees(a) - 20.0) / 5.0) ** 2))
        return lowered * (np.cos(a) * unit_outward + np.sin(a) * np.array([sign, 0.0, 0.0]))

    return section


def exact(arc: float, lateral: float, sign: float) -> np.ndarray:
    a, b = START + arc / R, lateral / R
    return R * np.array([sign * np.sin(b), np.cos(b) * np.cos(a), np.cos(b) * np.sin(a)])


def place(side=Side.RIGHT, rule=None, line=None, section=None, plane=PLANE):
    return place_entry(
        midline_profile_mm=profile() if line is None else line,
        midsagittal=plane,
        lateral_section=section or great_circle(side),
        side=side,
        rule=rule or Rule(),
    )


@pytest.mark.parametrize(("side", "sign"), [(Side.RIGHT, 1.0), (Side.LEFT, -1.0)])
@pytest.mark.parametrize(("arc", "lateral"), [(110.0, 30.0), (90.0, 20.0), (130.0, 40.0)])
def test_on_a_sphere(side, sign, arc, lateral):
    entry = place(side, Rule(midline_arc_mm=arc, lateral_arc_mm=lateral))
    np.testing.assert_allclose(entry.scalp_entry_mm, exact(arc, lateral, sign), atol=0.01)
    np.testing.assert_allclose(entry.midline_point_mm, exact(arc, 0.0, sign), atol=0.01)
    tapes = entry.tapes
    assert tapes.midline_taut_mm == arc
    assert tapes.midline_surface_mm == pytest.approx(arc, abs=0.01)
    assert tapes.midline_chord_mm == pytest.approx(2 * R * np.sin(arc / 2 / R), abs=0.01)
    assert tapes.lateral_surface_mm == pytest.approx(lateral, abs=0.01)
    assert tapes.lateral_straight_mm == pytest.approx(R * np.sin(lateral / R), abs=0.01)
    assert float(entry.unit_lateral[0]) == sign
    assert float(entry.unit_backward @ entry.unit_outward) == pytest.approx(0.0, abs=1e-9)


def test_a_hollow_is_bridged_by_the_taut_tape_only():
    """A 6 mm dent of the forehead: the surface is longer, so that its 110 mm lies in front."""
    line = profile(dent=(15.0, 12.0, 6.0))
    entry = place(line=line)
    assert entry.tapes.midline_surface_mm > 110.3
    flat = place()
    assert np.linalg.norm(entry.midline_point_mm - flat.midline_point_mm) < 0.8


def test_a_point_over_a_hollow_is_dropped_to_the_skin():
    at = np.degrees(START + 110.0 / R)
    line = profile(dent=(at, 8.0, 5.0))
    entry = place(line=line)
    assert np.linalg.norm(entry.midline_point_mm) == pytest.approx(R - 5.0, abs=0.4)
    down = place(section=great_circle(Side.RIGHT, dent=4.0))
    assert np.linalg.norm(down.scalp_entry_mm) == pytest.approx(R - 4.0, abs=0.4)


def test_mid_pupillary_is_a_straight_distance_with_its_arc_reported():
    rule = Rule(lateral_by=LateralBy.MID_PUPILLARY, interpupillary_mm=64.0)
    entry = place(rule=rule)
    assert entry.tapes.lateral_straight_mm == pytest.approx(32.0, abs=1e-6)
    assert entry.tapes.lateral_taut_mm == pytest.approx(R * np.arcsin(32.0 / R), abs=0.01)
    with pytest.raises(FieldRefused, match="interpupillary"):
        place(rule=Rule(lateral_by=LateralBy.MID_PUPILLARY))


def test_side_follows_the_plane_and_not_the_coordinates():
    """The same head, the plane's normal the other way: right and left swap."""
    other = Plane(point_mm=[0, 0, 0], unit_normal=[-1, 0, 0])
    entry = place(Side.LEFT, section=great_circle(Side.RIGHT), plane=other)
    np.testing.assert_allclose(entry.scalp_entry_mm, exact(110.0, 30.0, 1.0), atol=0.01)
    with pytest.raises(GeometryError, match="runs away from"):
        place(Side.RIGHT, section=great_circle(Side.RIGHT), plane=other)


def test_too_little_scalp_is_said():
    with pytest.raises(MeasurementError, match="along the midline in view"):
        place(line=profile(stop_deg=40.0))
    with pytest.raises(MeasurementError, match="along the lateral section"):
        place(section=great_circle(Side.RIGHT, reach_deg=15.0))
    with pytest.raises(FieldRefused, match="positive midline arc"):
        place(rule=Rule(midline_arc_mm=-1.0))


def test_the_tape_made_once_gives_the_same_point():
    tape = midline_tape(profile(), PLANE)
    assert tape.length_mm == pytest.approx(R * np.radians(215.0), abs=0.01)
    entry = place_entry(
        midline_profile_mm=profile(),
        midsagittal=PLANE,
        tape=tape,
        lateral_section=great_circle(Side.LEFT),
        side=Side.LEFT,
        rule=Rule(),
    )
    np.testing.assert_array_equal(entry.scalp_entry_mm, place(Side.LEFT).scalp_entry_mm)
