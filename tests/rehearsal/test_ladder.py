"""The ladder: each head does what its sentence says; keys, caches and random heads."""

from __future__ import annotations

import numpy as np
import pytest

from entrypoint import api
from entrypoint.errors import FieldRefused
from entrypoint.planning.model import How, Rule, Side
from entrypoint.rehearsal import heads as heads_module
from entrypoint.rehearsal.heads import LADDER, stage_head
from entrypoint.rehearsal.judgement import asked_of
from entrypoint.rehearsal.ladder import SHIPPED, ladder_spec
from entrypoint.rehearsal.marks import Decision
from entrypoint.volume.skull import coarse_radii

RIGHT, LEFT = Side.RIGHT, Side.LEFT


@pytest.fixture(scope="module")
def plans():
    """A plan of every head of the ladder, from the shipped volumes, without their surfaces."""
    return {
        step.key: api.plan_ct_with_parts(SHIPPED / f"{step.key}.nii.gz", rule=Rule(person="adult"))
        for step in LADDER
    }


def codes(plan, side):
    return {f.code for f in (*plan.findings, *plan.sides[side].findings)}


def test_every_head_is_a_practice_head_with_both_sides(plans):
    assert len(LADDER) == 9
    for step in LADDER:
        plan, parts = plans[step.key]
        assert plan.practice, step.key
        assert set(parts.sites) == {RIGHT, LEFT}, step.key
        assert asked_of(plan, LEFT)[0] is not Decision.STOP, step.key
        assert step.text.endswith(".")
        spec = ladder_spec(step.key)
        assert spec.seed == ladder_spec(step.key).seed


def test_small_head_breaks_the_margin(plans):
    plan, _ = plans["small"]
    for side in (RIGHT, LEFT):
        assert plan.sides[side].clearance.suture_nearest_mm < plan.rule.suture_margin_mm
        assert asked_of(plan, side)[0] is Decision.CHANGE
        assert plan.sides[side].moved.exists


def test_large_head_is_large_and_keeps_it(plans):
    (large, big), (_, usual) = plans["large"], plans["adult"]
    assert big.tape.length_mm > usual.tape.length_mm + 15.0
    for side in (RIGHT, LEFT):
        assert large.sides[side].clearance.suture_nearest_mm > 25.0
        assert asked_of(large, side)[0] is Decision.GO


def test_thick_is_thick_and_thin_is_thin(plans):
    for side in (RIGHT, LEFT):
        usual = plans["adult"][0].sides[side].thickness.skull_mm
        thick = plans["thick"][0].sides[side].thickness.skull_mm
        thin = plans["thin"][0].sides[side].thickness.skull_mm
        assert thick > 1.5 * usual
        assert thin < 0.75 * usual
        # A usual setting stops within the one and passes through the other.
        assert thin < usual - 1.0 < thick
    assert "skull-thick" in codes(plans["thick"][0], RIGHT)


def test_the_scalp_is_swollen_on_the_right(plans):
    plan, _ = plans["haematoma"]
    right, left = plan.sides[RIGHT], plan.sides[LEFT]
    assert right.thickness.scalp_mm > left.thickness.scalp_mm + 5.0
    assert "scalp-swelling" in codes(plan, RIGHT)
    assert asked_of(plan, RIGHT)[0] is Decision.CHANGE
    assert right.drill_stop.start_on_scalp_mm is None
    assert right.drill_stop.start_on_bone_mm is not None


def test_the_uneven_head_is_uneven(plans):
    def unevenness(key):
        """Difference of the two halves of the scalp behind the vertex, seen from the middle."""
        head = plans[key][1].head
        phi, lam = np.meshgrid(np.arange(90.0, 171.0, 10.0), np.arange(15.0, 61.0, 15.0))
        phi, lam = phi.ravel(), lam.ravel()
        right, left = (
            coarse_radii(
                head.coarse, head.frame.directions(phi, side * lam), centre_mm=head.frame.origin_mm
            ).skin_mm
            for side in (1.0, -1.0)
        )
        return float(np.nanmax(np.abs(right - left)))

    # Asymmetries of 2 to 4 mm are usual; this one is seen from above.
    assert unevenness("adult") < 4.0
    assert unevenness("asymmetric") > 6.0


def test_the_turned_head_lies_turned(plans):
    _, parts = plans["turned"]
    right = parts.head.frame.unit_right
    turned = np.degrees(np.arccos(abs(right[0])))
    assert turned > 20.0
    spec = ladder_spec("turned")
    assert np.degrees(np.arctan2(right[1], right[0])) == pytest.approx(spec.yaw_deg, abs=3.0)
    assert next(s for s in LADDER if s.key == "turned").draped


def test_no_suture_is_seen_where_there_is_none_to_feel(plans):
    _, parts = plans["no-suture"]
    assert How.ESTIMATED in parts.suture.how.values()
    assert set(plans["adult"][1].suture.how.values()) == {How.MEASURED}
    assert not next(s for s in LADDER if s.key == "no-suture").suture_felt


def test_the_first_head_on_stage(adult_head):
    assert adult_head.practice
    assert 10_000 < len(adult_head.faces) <= 60_000
    assert (adult_head.points_mm.dtype, adult_head.faces.dtype) == (np.float32, np.int32)
    assert adult_head.faces.max() == len(adult_head.points_mm) - 1
    size = np.ptp(adult_head.points_mm, axis=0)
    # At true scale: the recipe's own length and breadth.
    spec = ladder_spec("adult")
    assert size[1] == pytest.approx(spec.length_mm, abs=30.0)  # with the nose
    assert size[0] == pytest.approx(spec.breadth_mm, abs=25.0)  # with the ears
    told = adult_head.to_json()
    assert "plan" not in told
    for word in ("entry", "nasion", "truth", "suture_mm"):
        assert word not in told


def test_the_surface_lies_on_the_skin(adult_head):
    """Near the site the mesh is within half a millimetre of the skin in the voxels."""
    from entrypoint.rehearsal.surface import skin_near

    entry = adult_head.plan.sides[RIGHT].scalp_entry_mm
    points = adult_head.points_mm.astype(float)
    near = points[np.linalg.norm(points - entry, axis=1) < 20.0]
    assert len(near) > 50
    gaps = [np.linalg.norm(skin_near(adult_head.parts.head, p)[0] - p) for p in near[::6]]
    assert np.max(gaps) < 0.5


@pytest.mark.parametrize(
    "key", ["", "adult", "ladder:", "ladder:tall", "random:", "random:x", "random:-3", "random:1.5",
            "random:2147483648", "random:٣", "volume:abc", None, 7, "x" * 5000]
)  # fmt: skip
def test_keys_that_name_no_head(key):
    with pytest.raises(FieldRefused, match="no practice head"):
        stage_head(key)


def test_a_random_head_is_kept_and_a_damaged_one_made_again(tmp_path, monkeypatch, adult_head):
    shipped = (SHIPPED / "adult.nii.gz").read_bytes()
    asked = []

    def make(spec, **_):
        asked.append(spec.seed)
        return shipped

    monkeypatch.setattr(heads_module, "head_bytes", make)
    # The surface and the plan are not what this is about.
    monkeypatch.setattr(heads_module, "_stage", lambda loaded, **told: (loaded.sha256, told))
    first, told = stage_head("random:7", cache=tmp_path / "new")
    assert (told["key"], told["seed"]) == ("random:7", 7)
    assert stage_head("random:7", cache=tmp_path / "new")[0] == first
    assert asked == [7]
    (kept,) = (tmp_path / "new").iterdir()
    kept.write_bytes(shipped[:1000])
    assert stage_head("random:7", cache=tmp_path / "new")[0] == first
    assert asked == [7, 7]
    assert stage_head("random:7")[0] == first
    (tmp_path / "file").write_text("")
    assert stage_head("random:7", cache=tmp_path / "file" / "x")[0] == first
