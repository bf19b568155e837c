"""A scan after placement: bolt, sensor, overlay and depth against what was painted."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, replace

import jsonschema
import numpy as np
import pytest

from entrypoint.errors import FieldRefused, MeasurementError
from entrypoint.geometry.planes import angle_deg
from entrypoint.geometry.rigid import Rigid, rotation_about
from entrypoint.io.after_record import after_schema, dumps_after, loads_after
from entrypoint.phantoms import build, named_spec
from entrypoint.phantoms.site import crossings
from entrypoint.planning.after import after_placement
from entrypoint.planning.after_frames import by_skull
from entrypoint.planning.after_model import Compared, WhereFrom
from entrypoint.planning.ct_parts import ct_parts
from entrypoint.planning.model import Rule, Side
from entrypoint.report.after_text import after_document
from entrypoint.report.document import Table
from entrypoint.report.plain import render
from entrypoint.volume.bolt import find_bolts
from entrypoint.volume.grid import Grid
from entrypoint.volume.skull_match import Scanned, match_skulls
from tests.volume.metal_made import box, moved, painted, rod

DEEP_MM, LEAN_DEG = 12.0, 5.0
TURN = rotation_about([0.3, 0.5, 0.8], 9.0)
SHIFT = np.array([6.0, -5.0, 8.0])


@dataclass(frozen=True)
class Twice:
    """The sample head, and the same head moved with a bolt in it; truth in the moved frame."""

    before: object
    after: object
    plan: object
    info: object
    foot: np.ndarray
    inner: np.ndarray
    tip: np.ndarray
    inward: np.ndarray
    skull_mm: float

    def after_from_before(self) -> Rigid:
        return Rigid(rotation=TURN, translation=SHIFT, target="a", source="b")


@pytest.fixture(scope="module")
def twice(adult):
    side = adult.truth["sides"]["right"]
    foot, square = np.array(side["outer_table_mm"]), np.array(side["unit_inward"])
    # The analytic head says where a leaning line meets both tables.
    head = build(named_spec("adult"))
    m = head.world_from_head
    lean = rotation_about([0.2, 0.9, -0.1], LEAN_DEG) @ square
    in_head = m[:3, :3].T @ (foot + 0.02 * square - m[:3, 3])
    cross = crossings(head.shape, in_head, m[:3, :3].T @ lean)
    foot, inner = (m[:3, :3] @ p + m[:3, 3] for p in (cross.outer, cross.inner))
    tip = inner + DEEP_MM * lean

    def there(p):
        return TURN @ p + SHIFT

    inward = TURN @ lean
    bare = moved(adult.volume, TURN, SHIFT, voxel_mm=(0.9, 0.9, 1.25), noise_hu=12.0)
    f, i, t = there(foot), there(inner), there(tip)
    bolt = [
        (rod(f + 6.0 * inward, t, 0.55), 4000.0),
        (rod(f - 24.0 * inward, f + 6.0 * inward, 2.5), 9000.0),
        # A wing on one side: it must not draw the axis.
        (box(f - 21.0 * inward, np.eye(3), (7.0, 2.0, 2.0)), 9000.0),
    ]
    scan = painted(bare, bolt, streak_hu=120.0)
    return Twice(
        before=ct_parts(adult.volume, rule=Rule()),
        after=ct_parts(scan.canonical(), rule=Rule()),
        plan=adult.plan,
        info=replace(adult.plan.input, name="after", sha256=""),
        foot=f,
        inner=i,
        tip=t,
        inward=inward,
        skull_mm=cross.skull_mm,
    )


@pytest.fixture(scope="module")
def by_the_skull(twice):
    return after_placement(
        twice.after, info=twice.info, plan=twice.plan, side=Side.RIGHT, before=twice.before
    )


@pytest.fixture(scope="module")
def alone(twice):
    return after_placement(twice.after, info=twice.info, plan=twice.plan, side=Side.RIGHT)


def test_axis_tip_and_depth(by_the_skull, twice):
    made = by_the_skull
    assert made.side_found is made.side_planned is Side.RIGHT
    off = made.path.outer_table_mm - twice.foot
    across = np.linalg.norm(off - (off @ twice.inward) * twice.inward)
    assert across < 0.5
    turned = angle_deg(made.path.unit_inward, twice.inward)
    assert turned < 1.0
    assert turned < 3.0 * made.path.sd_deg
    assert np.linalg.norm(made.sensor.tip_mm - twice.tip) < 1.0
    depth = made.sensor.depth
    assert depth.inner_table_from is WhereFrom.BEFORE
    assert depth.below_inner_table_mm == pytest.approx(DEEP_MM, abs=1.0)
    assert abs(depth.below_inner_table_mm - DEEP_MM) < 3.0 * depth.sd_mm
    assert made.path.skull_mm == pytest.approx(twice.skull_mm, abs=0.4)
    assert made.path.skull_from is WhereFrom.BEFORE
    assert made.path.tilt_deg == pytest.approx(LEAN_DEG, abs=1.5)


def test_tapes_and_distances_from_the_plan(by_the_skull, twice):
    made = by_the_skull
    planned = twice.plan.sides[Side.RIGHT]
    # The line goes through the plan's own foot, leaning: at the skin it lies a scalp's lean away.
    assert made.path.tapes.read_on is WhereFrom.BEFORE
    aside = np.tan(np.radians(LEAN_DEG)) * planned.thickness.scalp_mm
    moved_by = np.hypot(made.against_plan.back_mm, made.against_plan.away_mm)
    assert moved_by == pytest.approx(aside, abs=0.6)
    assert made.against_plan.outer_table_apart_mm < 0.8
    assert made.against_plan.turned_deg == pytest.approx(LEAN_DEG, abs=1.0)
    assert made.against_plan.deeper_mm == pytest.approx(DEEP_MM - 15.0, abs=1.0)
    tip = twice.after_from_before().inverse().apply_point(twice.tip)
    apart = np.linalg.norm(tip - planned.sensor_tip_mm)
    assert made.against_plan.tip_apart_mm == pytest.approx(apart, abs=1.0)


def test_overlay_by_the_skull(by_the_skull, twice):
    move = by_the_skull.frames.plan_from_after()
    true = twice.after_from_before().inverse()
    apart = move[:3, :3] @ twice.foot + move[:3, 3] - true.apply_point(twice.foot)
    assert np.linalg.norm(apart) < 0.3
    turned = move[:3, :3] @ true.rotation.T
    assert np.degrees(np.arccos((np.trace(turned) - 1.0) / 2.0)) < 0.3
    assert by_the_skull.frames.by is Compared.SKULL
    assert by_the_skull.frames.apart_75_mm < 0.8


def test_without_the_scan_before_it_is_less_exact_and_says_so(alone, by_the_skull, twice):
    assert alone.frames.by is Compared.LANDMARKS
    assert alone.frames.sd_mm > by_the_skull.frames.sd_mm
    move = alone.frames.plan_from_after()
    apart = (
        move[:3, :3] @ twice.foot
        + move[:3, 3]
        - (twice.after_from_before().inverse().apply_point(twice.foot))
    )
    assert np.linalg.norm(apart) < 3.0
    assert {"after-by-landmarks", "after-hidden"} <= {f.code for f in alone.findings}
    # Metal hides the bone: no thickness, and an inner table that is laid under it.
    assert alone.path.skull_mm is None
    depth = alone.sensor.depth
    assert depth.inner_table_from is WhereFrom.BRIDGED
    assert depth.below_inner_table_mm == pytest.approx(DEEP_MM, abs=1.2)
    assert depth.sd_mm > by_the_skull.sensor.depth.sd_mm


def test_the_overlay_is_the_same_either_way_round(twice, by_the_skull):
    onward = by_the_skull.frames.plan_from_after()
    back = np.linalg.inv(onward)
    start = Rigid(rotation=back[:3, :3], translation=back[:3, 3], target="s", source="f")
    one, two = (
        Scanned(volume=p.head.volume, head=p.head.coarse, frame=p.head.frame)
        for p in (twice.before, twice.after)
    )
    # From the other scan and from another start: the same but for where the rounds end.
    backward = match_skulls(one, two, start).second_from_first.inverse().matrix()
    assert np.abs(onward[:3, :3] - backward[:3, :3]).max() < 1e-4
    there, here = (m[:3, :3] @ twice.foot + m[:3, 3] for m in (onward, backward))
    assert np.linalg.norm(there - here) < 0.01


def test_another_library_lays_the_skulls_the_same_way(twice, by_the_skull):
    # SimpleITK's own registration of the same two skulls, from the same rough start.
    import SimpleITK as sitk  # noqa: N813

    def image(parts):
        coarse = parts.head.coarse
        means = parts.head.volume.block_means(3.0)
        low, high = coarse.levels.soft_hu + 150.0, coarse.levels.bone_hu
        # Metal saturates: as bright as bone and no brighter.
        bone = np.clip((means.stored - low) / (high - low), 0.0, 1.0)
        below = (
            parts.head.frame.head_from_world(
                means.grid.world(np.argwhere(np.ones(bone.shape)).astype(float))
            )[:, 2].reshape(bone.shape)
            < -60.0
        )
        bone[below] = 0.0
        made = sitk.GetImageFromArray(np.ascontiguousarray(bone.transpose(2, 1, 0)))
        matrix = means.grid.world_from_index
        size = np.linalg.norm(matrix[:3, :3], axis=0)
        lps = np.diag([-1.0, -1.0, 1.0])
        made.SetSpacing(size.tolist())
        made.SetDirection((lps @ matrix[:3, :3] / size).ravel().tolist())
        made.SetOrigin((lps @ matrix[:3, 3]).tolist())
        return made

    fixed, moving = image(twice.before), image(twice.after)
    start = twice.after_from_before()
    about = twice.before.head.frame.origin_mm
    lps = np.diag([-1.0, -1.0, 1.0])
    rough = rotation_about([1.0, 0.0, 0.0], 1.5) @ start.rotation
    guess = sitk.Euler3DTransform()
    guess.SetCenter((lps @ about).tolist())
    guess.SetMatrix((lps @ rough @ lps).ravel().tolist())
    shift = start.apply_point(about) - about + np.array([1.0, -1.5, 1.0])
    guess.SetTranslation((lps @ shift).tolist())
    way = sitk.ImageRegistrationMethod()
    way.SetMetricAsMeanSquares()
    way.SetMetricSamplingStrategy(way.REGULAR)
    way.SetMetricSamplingPercentage(0.3)
    way.SetShrinkFactorsPerLevel([1])
    way.SetSmoothingSigmasPerLevel([2.0])
    way.SmoothingSigmasAreSpecifiedInPhysicalUnitsOn()
    way.SetInterpolator(sitk.sitkLinear)
    way.SetOptimizerAsRegularStepGradientDescent(1.0, 1e-3, 100, 0.7, 1e-10)
    way.SetOptimizerScalesFromPhysicalShift()
    way.SetInitialTransform(guess, inPlace=True)
    sitk.ProcessObject.SetGlobalDefaultNumberOfThreads(1)
    way.Execute(fixed, moving)
    # It takes a point of the fixed image to the moving one: of the scan before to the one after.
    ours = np.linalg.inv(by_the_skull.frames.plan_from_after())
    site = twice.after_from_before().inverse().apply_point(twice.foot)
    theirs = lps @ np.array(guess.TransformPoint((lps @ site).tolist()))
    assert np.linalg.norm(theirs - (ours[:3, :3] @ site + ours[:3, 3])) < 0.5
    turned = lps @ np.array(guess.GetMatrix()).reshape(3, 3) @ lps @ ours[:3, :3].T
    assert np.degrees(np.arccos(min(1.0, (np.trace(turned) - 1.0) / 2.0))) < 0.5


def test_the_side_comes_first_and_a_wrong_one_stops(twice, alone):
    made = after_placement(twice.after, info=twice.info, plan=twice.plan, side=Side.LEFT)
    assert made.side_found is Side.RIGHT
    assert made.findings[0].code == "after-side"
    assert made.findings[0].level.value == "stop"
    assert made.against_plan.outer_table_apart_mm is None
    text = render(after_document(made))
    assert "NOT THE SIDE THAT WAS PLANNED" in text
    for page in (text, render(after_document(alone))):
        assert page.index("Planned ") < page.index("Found ") < page.index(" mm")
        assert page.index("PRACTICE HEAD, NOT A PATIENT") < page.index("Planned ")
        assert page.count("PRACTICE HEAD, NOT A PATIENT") == 2
    assert list(json.loads(dumps_after(made)))[4:6] == ["side_planned", "side_found"]


def test_the_text_gives_every_figure_its_error_and_promises_nothing(by_the_skull):
    text = render(after_document(by_the_skull))
    assert not re.search(r"\b(safe|clear|OK|correctly placed|works)\b", text)
    assert "does not show what a sensor reads" in text
    rows = [
        row
        for block in after_document(by_the_skull)
        if isinstance(block, Table) and not block.boxed
        for row in block.rows
        if " mm" in row[1] or "degrees" in row[1]
    ]
    told = [(name, value) for name, value in rows if "±" not in value]
    # Bounds, and what is looked at by eye, are not figures with an error of their own.
    apart = ("off the bolt's axis", "outer tables apart", "reads ", "Along the path")
    told = [n for n, _ in told if not n.strip().startswith(apart) and "hecked" not in n]
    assert not told
    assert len(rows) > 18


def test_the_record_comes_back_and_fits_its_schema(by_the_skull, alone):
    for made in (by_the_skull, alone):
        text = dumps_after(made)
        data = json.loads(text)
        jsonschema.Draft202012Validator(after_schema()).validate(data)
        back = loads_after(text)
        assert back.sensor.depth == made.sensor.depth
        assert dumps_after(back) == text


def test_no_bolt_is_said_by_name(twice):
    with pytest.raises(MeasurementError, match=r"^No bolt: no metal in view"):
        after_placement(twice.before, info=twice.info, plan=twice.plan, side=Side.RIGHT)


def test_other_metal_is_no_bolt(adult, twice):
    side = adult.truth["sides"]["right"]
    foot, inward = np.array(side["outer_table_mm"]), np.array(side["unit_inward"])
    u = np.cross(inward, [0.0, 0.0, 1.0])
    u = u / np.linalg.norm(u)
    v = np.cross(inward, u)
    axes = np.stack([u, v, inward])
    scalp = foot - 6.0 * inward
    things = [
        # A plate with screws through the outer table, clips in the skin, an electrode on it.
        (box(foot - 0.6 * inward, axes, (11.0, 2.5, 0.6)), 8000.0),
        *((rod(foot + x * u - inward, foot + x * u + 4.0 * inward, 0.9), 8000.0) for x in (-8, 8)),
        *((rod(scalp + 18.0 * v + y * u - 3.0 * v, scalp + 18.0 * v + y * u + 3.0 * v, 0.5), 9000.0)
          for y in (-8.0, 0.0, 8.0)),
        (rod(scalp - 20.0 * v - 2.0 * inward, scalp - 20.0 * v, 4.6), 6000.0),
        # A clip inside the skull, a pin outside it.
        (rod(foot + 35.0 * inward, foot + 35.0 * inward + 6.0 * u, 1.5), 9000.0),
        (rod(foot - 40.0 * inward + 15.0 * v, foot - 12.0 * inward + 15.0 * v, 2.0), 9000.0),
    ]  # fmt: skip
    scan = painted(adult.volume, things)
    head = twice.before.head
    search = find_bolts(scan, head.coarse, head.frame)
    assert not search.bolts
    assert sum(count for _, count in search.others) >= 5


def test_a_plan_of_another_head_is_refused(twice):
    bregma = twice.plan.landmarks["bregma"]
    nasion = twice.plan.landmarks["nasion_bone"].position_mm
    away = nasion + 1.12 * (bregma.position_mm - nasion)  # a longer forehead
    marks = {**twice.plan.landmarks, "bregma": replace(bregma, position_mm=away)}
    other_plan = replace(twice.plan, landmarks=marks)
    with pytest.raises(MeasurementError, match=r"do not fit this head: .*bregma"):
        after_placement(twice.after, info=twice.info, plan=other_plan, side=Side.RIGHT)
    # The same skull a twelfth larger is another skull.
    head = twice.before.head

    def larger(volume):
        m = volume.grid.world_from_index.copy()
        m[:3] *= 1.08
        return replace(volume, grid=Grid(shape=volume.shape, world_from_index=m))

    frame = replace(head.frame, origin_mm=1.08 * head.frame.origin_mm)
    coarse = replace(
        head.coarse, volume=larger(head.coarse.volume), centre_mm=1.08 * head.coarse.centre_mm
    )
    other = replace(head, volume=larger(head.volume), frame=frame, coarse=coarse)
    start = twice.after_from_before().inverse()
    with pytest.raises(MeasurementError, match="lie apart"):
        by_skull(twice.after.head, other, start)


def test_a_side_that_the_plan_does_not_plan_is_refused(twice):
    right = replace(twice.plan, sides={Side.RIGHT: twice.plan.sides[Side.RIGHT]})
    with pytest.raises(FieldRefused, match="does not plan the patient's left"):
        after_placement(twice.after, info=twice.info, plan=right, side=Side.LEFT)
