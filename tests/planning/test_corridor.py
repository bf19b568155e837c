"""The corridor round a path beside its mirror image, on round heads whose every depth is known."""

from __future__ import annotations

import time
from types import SimpleNamespace

import numpy as np
import pytest

from entrypoint.planning.corridor import Corridor, read_corridor
from entrypoint.planning.corridor_findings import corridor_findings, corridor_looked_at
from entrypoint.planning.finding_kinds import kind as catalogued
from entrypoint.planning.model import Level, Rule, Side
from entrypoint.reference import value
from tests.planning import corridor_balls as made

OTHER = {Side.RIGHT: Side.LEFT, Side.LEFT: Side.RIGHT}


def read(head, side=Side.RIGHT, *, settings=None, **site):
    own = made.site(side, **site)
    got = read_corridor(head, own, made.site(OTHER[side]), Rule(), settings)
    return got, corridor_findings(got, own)


@pytest.fixture(scope="module")
def plain():
    return made.head()


def test_defaults_are_the_reference_rows():
    at = Corridor()
    assert (at.radius_bone_mm, at.radius_inside_mm) == (
        value("corridor_radius_bone"), value("corridor_radius_inside"))  # fmt: skip
    assert (at.beyond_tip_mm, at.layer_radius_mm) == (
        value("corridor_beyond_tip"), value("corridor_layer_radius"))  # fmt: skip


@pytest.mark.parametrize("side", list(Side))
def test_a_plain_head_reads_as_it_is_and_raises_nothing(plain, side):
    got, findings = read(plain, side)
    assert findings == ()
    assert got.scalp_mm == pytest.approx(6.0, abs=0.15)
    assert got.skull_mm == pytest.approx(7.0, abs=0.2)
    assert got.scalp_other_mm == pytest.approx(got.scalp_mm, abs=0.1)
    assert got.brain_hu == pytest.approx(made.BRAIN_HU, abs=1.5)
    assert got.fluid_mm == pytest.approx(2.0, abs=0.4)
    assert got.fluid_other_mm == pytest.approx(2.0, abs=0.4)
    assert got.denser is None
    assert got.inner_seen
    assert got.other_seen


PLANTED = {
    "clot": (made.clot, "denser-than-brain", Level.CAUTION),
    "deep clot": (made.deep_clot, "denser-than-brain", Level.CAUTION),
    "fluid": (made.fluid, "fluid-under-bone", Level.CAUTION),
    "air in scalp": (made.air_in_scalp, "air-near-path", Level.CAUTION),
    "air inside": (made.air_inside, "air-near-path", Level.CAUTION),
    "metal": (made.metal_inside, "metal", Level.CAUTION),
    "plate": (made.plate, "dense-under-bone", Level.CAUTION),
    "deep plate": (made.deep_plate, "dense-under-bone", Level.CAUTION),
    "swelling": (made.swelling, "scalp-swelling", Level.CAUTION),
    "cavity": (made.cavity, "frontal-sinus", Level.CAUTION),
}


@pytest.mark.parametrize("kind", PLANTED)
def test_what_is_planted_is_found_on_its_own_side_only(kind):
    paint, code, level = PLANTED[kind]
    side = Side.LEFT if len(kind) % 2 else Side.RIGHT
    head = made.head(paint, on=side)
    shift = 4.0 if kind == "swelling" else 0.0
    _, findings = read(head, side, shift_mm=shift)
    assert [(f.code, f.level) for f in findings] == [(code, level)]
    assert findings[0].source == catalogued(code).source()
    other, of_other = read(head, OTHER[side])
    assert of_other == ()
    assert other.side is OTHER[side]
    text = findings[0].text
    for word in ("haemat", "hemat", "bleed", "tumo", "safe", "clear", "normal", "diagnos", "ok"):
        assert word not in text.lower().replace("look", "")


def test_depths_and_densities_are_those_that_were_planted():
    got, findings = read(made.head(made.clot))
    assert got.denser is not None
    assert got.denser.from_mm == 0.0
    assert got.denser.to_mm == pytest.approx(4.0, abs=0.8)
    assert got.denser.hu == pytest.approx(62.0, abs=5.0)
    assert "lies under the inner table along the path" in findings[0].text
    assert "the same place on the other side reads" in findings[0].text
    assert findings[0].text.endswith("look at it")
    got, findings = read(made.head(made.deep_clot))
    assert got.denser is not None
    assert got.denser.from_mm == pytest.approx(10.0, abs=1.5)  # 27 - 4 below the skin, less 13
    assert got.denser.to_mm == pytest.approx(18.0, abs=1.5)
    got, _ = read(made.head(made.fluid))
    assert got.fluid_mm == pytest.approx(6.0, abs=0.4)
    assert got.fluid_other_mm == pytest.approx(2.0, abs=0.4)
    got, _ = read(made.head(made.air_inside))
    assert got.air_inside is not None
    assert got.air_inside.from_mm == pytest.approx(7.5, abs=1.0)
    assert got.air_inside.to_mm == pytest.approx(10.5, abs=1.0)
    assert got.air_inside.volume_mm3 == pytest.approx(33.5, rel=0.4)
    got, _ = read(made.head(made.plate))
    assert got.dense_inside is not None
    assert got.dense_inside.from_mm == pytest.approx(3.0, abs=0.8)
    got, _ = read(made.head(made.swelling), shift_mm=4.0)
    assert got.scalp_mm == pytest.approx(9.8, abs=0.3)


def test_a_fluid_space_is_found_at_its_distance(plain):
    got, findings = read(made.head(made.space))
    assert got.ventricle.distance_mm == pytest.approx(15.0, abs=1.6)
    assert findings == ()
    near = Rule(sensor_depth_mm=24.0)
    own = made.site()
    got = read_corridor(made.head(made.space), own, None, near)
    assert got.ventricle.distance_mm == pytest.approx(6.0, abs=1.6)
    raised = corridor_findings(got, own)
    assert [(f.code, f.level) for f in raised] == [("fluid-space-near", Level.NOTE)]
    assert read(plain)[0].ventricle.distance_mm is None
    assert any("ventricle" in x for x in corridor_looked_at(read(plain)[0])[1])


def test_sides_that_differ_in_size_are_compared_at_the_same_depth():
    head = made.head(left_shift_mm=3.0)
    got, findings = read(head)
    assert findings == ()
    assert got.scalp_other_mm == pytest.approx(got.scalp_mm, abs=0.15)
    assert got.fluid_other_mm == pytest.approx(2.0, abs=0.4)
    got, findings = read(made.head(made.clot, left_shift_mm=3.0))
    assert [f.code for f in findings] == ["denser-than-brain"]


def test_too_much_noise_is_said_and_raises_nothing():
    got, findings = read(made.head(noise_hu=700.0))
    assert not got.density_can_be_judged
    assert not any(f.code == "fluid-under-bone" for f in findings)
    checked, could_not = corridor_looked_at(got)
    assert any("noise" in x for x in could_not)
    assert not any("density" in x for x in checked)
    assert "noise" in got.ventricle.why


@pytest.mark.parametrize("seed", range(3))
def test_noise_alone_raises_no_density(seed):
    _, findings = read(made.head(noise_hu=60.0, seed=seed))
    assert findings == ()


def test_the_other_side_out_of_view_is_said():
    head = made.head(made.clot, least_x_mm=4.0)
    got, findings = read(head)
    assert not got.other_seen
    assert [f.code for f in findings] == ["denser-than-brain"]
    assert "the other side is not in view" in findings[0].text
    assert any("mirrored place" in x for x in corridor_looked_at(got)[1])


def test_nothing_is_said_twice():
    head = made.head(made.metal_inside)
    assert read(head, metal_mm=2.0)[1] == ()
    assert read(made.head(made.cavity), air_in_bone_mm=0.0)[1] == ()
    own = made.site(shift_mm=4.0)
    got = read_corridor(made.head(made.swelling), own, None, Rule())
    said = SimpleNamespace(code="scalp-swelling")
    assert [f.code for f in corridor_findings(got, own)] == ["scalp-swelling"]
    assert corridor_findings(got, own, already=[said]) == ()


def test_metal_hides_what_its_streaks_would_imitate():
    got, _ = read(made.head(made.metal_inside))
    assert got.metal_near
    assert got.air_inside is None
    assert got.denser is None
    checked, could_not = corridor_looked_at(got)
    assert any("metal" in x for x in could_not)
    assert not any("density" in x for x in checked)


def test_the_width_of_the_corridor_is_a_setting():
    head = made.head(made.air_aside)
    assert [f.code for f in read(head)[1]] == ["air-near-path"]
    assert read(head, settings=Corridor(radius_bone_mm=2.5, radius_inside_mm=2.0))[1] == ()


def test_it_costs_little(plain):
    read(plain)
    began = time.process_time()
    for _ in range(3):
        read(plain)
    assert time.process_time() - began < 3 * 0.25  # about 0.04 s a side on a quiet machine


def test_a_path_without_bone_borrows_the_other_sides():
    def hole(hu, across, depth, radius, world):
        hu[(radius < made.OUTER_MM) & (radius > made.INNER_MM) & (across < 15.0)] = 35.0

    got, _ = read(made.head(hole))
    assert got.skull_mm is None
    assert got.skull_other_mm == pytest.approx(7.0, abs=0.2)
    assert np.isfinite(got.brain_hu)


def test_a_picture_without_any_noise_is_read_too():
    """Stored in coarse steps, a soft part may be all of one value."""
    from entrypoint.planning.corridor_density import denser_than_brain
    from entrypoint.volume.corridor import STEP_MM

    depths = np.arange(0.0, 25.0, STEP_MM)
    own = np.where((depths > 8.0) & (depths < 14.0), 75.0, 35.0)
    found = denser_than_brain(
        own, np.full(len(depths), 35.0), depths, brain_hu=35.0, span_mm=(0.0, 24.0),
        sd_of_depth=lambda _: 0.0,
    )  # fmt: skip
    assert found is not None
