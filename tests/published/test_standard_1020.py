"""Midline of the published template, and the 10-20 division rule.

Authority: the standard_1020 montage shipped by the package mne (PyPI, BSD-3); the division rule
10-20-20-20-20-10 % of Jasper 1958 and Klem 1999 (the papers from memory, the rule read).
Expected values quoted below are a cubic spline through the montage's points.
"""

from __future__ import annotations

from pathlib import Path

import mne
import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from entrypoint.geometry.planes import Plane
from entrypoint.geometry.polylines import arc_lengths_mm, nearest_on, point_at
from entrypoint.planning.entry import midline_tape, place_entry
from entrypoint.planning.head_landmarks import check_landmarks, plane_from_landmarks
from entrypoint.planning.landmark_head import model_profile
from entrypoint.planning.model import Rule, Side
from entrypoint.reference import value

NAMES = ["Fpz", "AFz", "Fz", "FCz", "Cz", "CPz", "Pz", "POz", "Oz"]
FRACTIONS = [10.00, 19.94, 29.98, 40.00, 50.05, 60.07, 70.03, 80.10, 90.07]  # %
TOTAL_MM = 383.1
POINT_AT_110_MM = (0.30, 61.93, 63.01)
CHORD_AT_110_MM = 105.97
ARC_OF_110_MM_CHORD = 114.70
TEN_TWENTY = {"Fpz": 10.0, "Fz": 30.0, "Cz": 50.0, "Pz": 70.0, "Oz": 90.0}
TOLERANCE_MM = 0.3
# As printed with the check: nasion, Cz and Iz, mm RAS.
NASION, CZ, IZ = (
    (0.0083, 86.8110, -39.9830),
    (0.4009, -9.1670, 100.2440),
    (0.0045, -118.5650, -23.0780),
)


@pytest.fixture(scope="module")
def montage() -> dict[str, np.ndarray]:
    # newer versions ship the same positions under another name; the next test checks them
    known = mne.channels.get_builtin_montages()
    name = "colin27_1020" if "colin27_1020" in known else "standard_1020"
    found = mne.channels.make_standard_montage(name, head_size=None).get_positions()
    points = {name: 1000.0 * xyz for name, xyz in found["ch_pos"].items()}
    # the reader puts other fiducials in place of the file's own: the file is read for its nasion
    return {**points, "nasion": nasion_of_the_file()}


def nasion_of_the_file() -> np.ndarray:
    folder = Path(mne.__file__).parent / "channels" / "data" / "montages"
    (file,) = (p for p in folder.glob("*_1020.elc"))
    lines = file.read_text(encoding="utf-8").splitlines()
    positions = lines[lines.index("Positions") + 1 : lines.index("Labels")]
    names = lines[lines.index("Labels") + 1 :]
    return np.array([float(x) for x in positions[names.index("Nz")].split()])


@pytest.fixture(scope="module")
def midline(montage) -> np.ndarray:
    knots = np.array([montage["nasion"], *(montage[n] for n in NAMES), montage["Iz"]])
    t = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(knots, axis=0), axis=1))])
    return CubicSpline(t, knots)(np.linspace(0.0, t[-1], 4000))


def test_the_montage_is_the_one_quoted(montage):
    for name, quoted in (("nasion", NASION), ("Cz", CZ), ("Iz", IZ)):
        np.testing.assert_allclose(montage[name], quoted, atol=5e-4)


def test_arc_fractions(montage, midline):
    total = arc_lengths_mm(midline)[-1]
    assert total == pytest.approx(TOTAL_MM, abs=TOLERANCE_MM)
    for name, percent in zip(NAMES, FRACTIONS, strict=True):
        arc, _, distance = nearest_on(midline, montage[name])
        assert distance < 0.01
        assert arc == pytest.approx(percent / 100.0 * TOTAL_MM, abs=TOLERANCE_MM), name
    for name, percent in TEN_TWENTY.items():
        # the template follows the rule to 0.1 % of the arc
        assert nearest_on(midline, montage[name])[0] / total * 100.0 == pytest.approx(
            percent, abs=0.15
        )


def test_110_mm_of_arc_and_of_chord(midline):
    point, _ = point_at(midline, 110.0)
    np.testing.assert_allclose(point, POINT_AT_110_MM, atol=TOLERANCE_MM)
    assert np.linalg.norm(point - midline[0]) == pytest.approx(CHORD_AT_110_MM, abs=TOLERANCE_MM)
    chords = np.linalg.norm(midline - midline[0], axis=1)
    arc = arc_lengths_mm(midline)[int(np.argmax(chords >= 110.0))]
    assert arc == pytest.approx(ARC_OF_110_MM_CHORD, abs=TOLERANCE_MM)


def test_the_tape_of_a_plan_finds_the_same_point(midline):
    """The template is convex from nasion to inion, so that taut and surface agree."""
    plane = Plane(point_mm=midline.mean(axis=0), unit_normal=[1.0, 0.0, 0.0])
    tape = midline_tape(midline, plane)
    assert tape.length_mm == pytest.approx(TOTAL_MM, abs=TOLERANCE_MM)

    def down(point, normal, outward):
        angle = np.linspace(0.0, 1.4, 200)[:, None]
        lateral = np.array([1.0, 0.0, 0.0])
        return point + 75.0 * (np.sin(angle) * lateral - (1.0 - np.cos(angle)) * outward)

    entry = place_entry(
        midline_profile_mm=midline,
        midsagittal=plane,
        lateral_section=down,
        side=Side.RIGHT,
        rule=Rule(),
    )
    np.testing.assert_allclose(entry.midline_point_mm, POINT_AT_110_MM, atol=TOLERANCE_MM)
    assert entry.tapes.midline_surface_mm == pytest.approx(110.0, abs=TOLERANCE_MM)
    assert entry.tapes.midline_chord_mm == pytest.approx(CHORD_AT_110_MM, abs=TOLERANCE_MM)


def test_a_scalp_modelled_from_its_landmarks(montage):
    """Nasion, Iz, both ears and Cz as the vertex: midline point at 110 mm and its claimed error.

    The shape that the model takes as usual was read off this template among others, so that this
    is a check of the fit and not of its spread.
    """
    points = {
        "nasion": montage["nasion"],
        "inion": montage["Iz"],
        "left_preauricular": np.array([-86.0761, -19.9897, -47.9860]),
        "right_preauricular": np.array([85.7939, -20.0093, -48.0310]),
        "vertex": montage["Cz"],
    }
    plane, record = plane_from_landmarks(check_landmarks(points))
    assert abs(plane.distance_of_mm(montage["Fz"])) < 1.0
    assert record.sd_mm > 0.5
    profile = model_profile(points, plane, np.array([0.0, 0.0, 1.0]))
    found, _ = point_at(midline_tape(profile, plane).tape.points_mm, 110.0)
    assert np.linalg.norm(found - POINT_AT_110_MM) < 1.96 * value("landmark_model_along")
