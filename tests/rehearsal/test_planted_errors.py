"""A planted error of known millimetres and degrees is reported as such.

The truth comes from the phantom's own exact answers, never from planning, on a head that is turned
by 14 degrees, rolled by 11 and off-centre: the sample with a swollen scalp, of 1 mm voxels.
"""

from __future__ import annotations

import json

import numpy as np
import pytest

from entrypoint.phantoms import build, named_spec, profile, site
from entrypoint.rehearsal.heads import stage_volume
from entrypoint.rehearsal.marks import parse_marks
from entrypoint.rehearsal.scoring import score
from tests.conftest import SAMPLES

MM, DEG = 0.5, 0.5


class Recipe:
    """The phantom's answers, and points moved along its exact skin; its own frame, mm."""

    def __init__(self, name):
        self.head = build(named_spec(name))
        self.truth = json.loads((SAMPLES / f"{name}.truth.json").read_text(encoding="utf-8"))
        self.turn = self.head.world_from_head[:3, :3]
        self.centre = self.head.world_from_head[:3, 3]
        self.skin = profile.skin_field(self.head.shape)

    def own(self, point):
        return (np.asarray(point) - self.centre) @ self.turn

    def world(self, point):
        return self.turn @ point + self.centre

    def axes_at(self, point):
        """Outward, front and the patient's right on the skin there."""
        h = 0.05 * np.eye(3)
        out = self.skin(point + h) - self.skin(point - h)
        out = out / np.linalg.norm(out)
        back = self.turn.T @ np.array(self.truth["midline"]["unit_along"])
        back = back - (back @ out) * out
        back = back / np.linalg.norm(back)
        right = np.cross(out, back)
        return out, -back, right if right[0] > 0 else -right

    def moved(self, point, front_mm, right_mm):
        """A point at a length along the skin, in the plane of the skin's normal there."""
        out, front, right = self.axes_at(point)
        length = float(np.hypot(front_mm, right_mm))
        if length == 0.0:
            return point
        ahead = (front_mm * front + right_mm * right) / length
        middle = point - 72.0 * out
        a = np.deg2rad(np.arange(0.0, 40.0, 0.05))[:, None]
        rays = np.cos(a) * out + np.sin(a) * ahead
        down = profile.first_crossing(self.skin, middle + 120.0 * rays, -rays, 100.0, 1.0)
        line = middle + (120.0 - down)[:, None] * rays
        return profile.at_length(line, length)

    def tilted(self, point, side, front_deg, midline_deg):
        """Square direction at a point, leaning by so much; and the skull along it."""
        foot, inward = site.perpendicular(self.head.shape, point)
        front = -self.turn.T @ np.array(self.truth["midline"]["unit_along"])
        front = front - (front @ inward) * inward
        front = front / np.linalg.norm(front)
        across = np.cross(inward, front)
        to_midline = across if (across[0] < 0) == (side == "right") else -across
        angle = np.deg2rad(np.hypot(front_deg, midline_deg))
        if angle > 0.0:
            lean = front_deg * front + midline_deg * to_midline
            lean = lean / np.linalg.norm(lean)
            inward = np.cos(angle) * inward + np.sin(angle) * lean
        away = np.linalg.norm(foot - point)
        return inward, site.crossings(self.head.shape, point + away * inward, inward)


@pytest.fixture(scope="module")
def recipe():
    return Recipe("haematoma")


@pytest.fixture(scope="module")
def turned():
    return stage_volume(SAMPLES / "haematoma.nii.gz")


@pytest.mark.parametrize(
    ("side", "front_mm", "right_mm", "lean_front", "lean_midline"),
    [
        ("right", 0.0, 0.0, 0.0, 0.0),
        ("right", 7.0, 0.0, 6.0, 0.0),
        ("right", -4.0, 9.0, 0.0, -8.0),
        ("left", -6.0, -3.0, -5.0, 4.0),
        ("left", 3.0, 12.0, 3.0, 9.0),
    ],
)
def test_planted_entry_and_tilt(
    recipe, turned, side, front_mm, right_mm, lean_front, lean_midline
):
    true = recipe.own(recipe.truth["sides"][side]["scalp_entry_mm"])
    mark = recipe.moved(true, front_mm, right_mm)
    inward, bone = recipe.tilted(mark, side, lean_front, lean_midline)
    stop, depth = 6.0, 22.0
    made = score(
        turned,
        parse_marks(
            {
                "side": side,
                "entry_mm": recipe.world(mark).tolist(),
                "unit_inward": (recipe.turn @ inward).tolist(),
                "stop_mm": stop,
                "seat": "bone",
                "sensor_depth_mm": depth,
            },
            complete=False,
        ),
    )
    hand = made.hand
    assert hand.entry.by_tape
    assert hand.entry.along_scalp_mm == pytest.approx(np.hypot(front_mm, right_mm), abs=MM)
    assert hand.entry.front_back_mm == pytest.approx(front_mm, abs=MM)
    assert hand.entry.left_right_mm == pytest.approx(right_mm, abs=MM)
    assert hand.tilt_deg == pytest.approx(np.hypot(lean_front, lean_midline), abs=DEG)
    assert hand.lean_front_deg == pytest.approx(lean_front, abs=DEG)
    assert hand.lean_midline_deg == pytest.approx(lean_midline, abs=DEG)
    assert hand.past_inner_mm == pytest.approx(stop - bone.skull_mm, abs=MM)
    assert hand.tip_error_mm == pytest.approx(depth - bone.skull_mm - 15.0, abs=MM)
    words = made.to_json()["hand"]["words"]
    if abs(front_mm) > 1.0:
        assert ("in front of it" if front_mm > 0 else "behind it") in words["entry"]
    if abs(right_mm) > 1.0:
        assert f"PATIENT'S {'RIGHT' if right_mm > 0 else 'LEFT'}" in words["entry"]
    if abs(lean_midline) > 1.0:
        assert f"{'towards' if lean_midline > 0 else 'away from'} the midline" in words["tilt"]


@pytest.mark.parametrize(("below_mm", "right_mm"), [(4.0, 0.0), (-5.0, 2.0)])
def test_planted_nasion(recipe, turned, below_mm, right_mm):
    true = recipe.own(recipe.truth["landmarks"]["nasion_skin"])
    # Straight in the plane of the face, then onto the exact skin from in front.
    aim = true + np.array([right_mm, 0.0, -below_mm])
    ahead = np.array([0.0, 1.0, 0.0])
    down = profile.first_crossing(recipe.skin, (aim + 30.0 * ahead)[None], -ahead[None], 60.0)[0]
    mark = aim + (30.0 - down) * ahead
    entry = recipe.truth["sides"]["right"]["scalp_entry_mm"]
    made = score(
        turned,
        parse_marks(
            {"side": "right", "entry_mm": entry, "nasion_mm": recipe.world(mark).tolist()},
            complete=False,
        ),
    )
    nasion = made.hand.nasion
    assert nasion.straight_mm == pytest.approx(np.linalg.norm(mark - true), abs=MM)
    assert nasion.left_right_mm == pytest.approx(right_mm, abs=MM)
    assert np.sign(nasion.front_back_mm) == np.sign(below_mm)
    assert ("below it" if below_mm > 0 else "above it") in made.to_json()["hand"]["words"]["nasion"]


def test_margins_at_the_trainees_own_point(recipe, turned):
    """Moved by a known way, the margins of that point are the phantom's own."""
    shape = recipe.head.shape
    true = recipe.own(recipe.truth["sides"]["right"]["scalp_entry_mm"])
    mark = recipe.moved(true, -22.0, -12.0)
    foot, inward = site.perpendicular(shape, mark)
    made = score(
        turned,
        parse_marks(
            {
                "side": "right",
                "entry_mm": recipe.world(mark).tolist(),
                "unit_inward": (recipe.turn @ inward).tolist(),
            },
            complete=False,
        ),
    )
    margins = {m.name: m for m in made.hand.margins}
    assert margins["midline"].value_mm == pytest.approx(mark[0], abs=MM)
    curve = np.array([recipe.own(p) for p in recipe.truth["coronal_suture"]["curve_mm"]])
    _, nearest, _ = site.suture_distances(shape, curve, foot, mark)
    assert nearest < 10.0
    assert margins["suture"].value_mm == pytest.approx(nearest, abs=2.5)  # the suture's own error
    assert margins["suture"].broken_by_mm == pytest.approx(10.0 - margins["suture"].value_mm)
    inner = site.crossings(shape, foot, inward).inner + 10.0 * inward
    least = min(foot[0], inner[0]) - 11.0  # the envelope's published half-width, right
    assert margins["sinus"].value_mm == pytest.approx(least, abs=MM)
