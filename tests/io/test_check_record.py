"""Files of paths and the record of a check: their schemas, and what hostile text does."""

from __future__ import annotations

import json
from dataclasses import replace

import jsonschema
import numpy as np
import pytest

from entrypoint.errors import FieldRefused, FileRefused, OutputRefused, UnitRefused
from entrypoint.io.check_record import (
    Space,
    check_schema,
    check_schema_text,
    dumps_check,
    in_world,
    loads_check,
    loads_paths,
    paths_schema,
    read_check,
    read_paths,
    write_check,
)
from entrypoint.planning.given_check import plan_of_path
from entrypoint.planning.given_path_model import (
    AgainstRule,
    Aim,
    CheckedPath,
    FluidNear,
    PathCheck,
    Standing,
    Within,
    Worst,
)
from entrypoint.planning.model import CAVEAT, LateralBy, Side
from tests.report.plans import ct_plan


def made(labels=("A", "B", "C")):
    """A record of three paths, the last one refused."""
    plan = ct_plan()
    sides = (Side.RIGHT, Side.LEFT, Side.RIGHT)
    paths = []
    for label, side in zip(labels, sides, strict=False):
        own = plan.sides[side]
        paths.append(
            CheckedPath(
                label=label, side=side, aim=Aim.TIP, given_skin_mm=own.scalp_entry_mm,
                given_tip_mm=own.sensor_tip_mm, skin_moved_mm=1.25,
                path=replace(own, tilt_deg=5.0), tilt_back_deg=-4.0, tilt_away_deg=3.0,
                tilt_sd_deg=0.3, square_skull_mm=6.1, slant_mm=0.2, midline_arc_sd_mm=0.4,
                lateral_arc_sd_mm=0.2, midline_arc_definition_sd_mm=2.0,
                lateral_arc_definition_sd_mm=1.0, fluid=FluidNear(tip_to_space_mm=21.0),
                against_rule=AgainstRule(
                    back_mm=-3.0, away_mm=2.0, back_sd_mm=0.4, away_sd_mm=0.2,
                    back_definition_sd_mm=2.0, away_definition_sd_mm=1.0, straight_mm=3.6,
                    turned_deg=5.0, tip_mm=2.2,
                ),
                worst=(Worst(figure="clearance.sinus_mm", worst_mm=-0.4, offset_away_mm=-5.0),),
                standing=Standing(stop_findings=0, margins_broken=0, least_left_mm=-0.4),
            )
        )  # fmt: skip
    if len(paths) == 3:
        paths[2] = CheckedPath(label=labels[2], side=sides[2], aim=Aim.SQUARE,
                               given_skin_mm=np.zeros(3), refused="The point is elsewhere.",
                               refused_exit=3)  # fmt: skip
    return PathCheck(
        tool_version="0.1.0", input=plan.input, rule=plan.rule, within=Within(),
        paths=tuple(paths), order=tuple(labels), rule_sides=plan.sides,
        landmarks=plan.landmarks, midsagittal_plane=plan.midsagittal_plane,
        coronal_suture=plan.coronal_suture, findings=plan.findings, quality=plan.quality,
    )  # fmt: skip


def test_the_record_is_read_back_as_it_was_and_keeps_its_schema(tmp_path):
    check = made()
    text = dumps_check(check)
    record = json.loads(text)
    jsonschema.Draft202012Validator.check_schema(check_schema())
    jsonschema.Draft202012Validator(check_schema()).validate(record)
    assert (record["record"], record["version"]) == ("entrypoint.check", 1)
    assert record["caveat"] == CAVEAT
    assert "not a choice" in record["order_rule"]
    assert dumps_check(loads_check(text)) == text
    path = write_check(check, tmp_path / "c.json")
    assert dumps_check(read_check(path)) == text
    with pytest.raises(OutputRefused):
        write_check(check, path)
    assert json.loads(check_schema_text()) == check_schema()


def test_the_schema_refuses_what_the_reader_refuses():
    record = json.loads(dumps_check(made()))
    validator = jsonschema.Draft202012Validator(check_schema())
    for field, value in (("order", "A"), ("paths", {}), ("within", None), ("version", 2)):
        broken = {**record, field: value}
        assert not validator.is_valid(broken), field
        with pytest.raises(FieldRefused):
            loads_check(json.dumps(broken))


def test_a_checked_path_becomes_a_plan_of_its_own_side():
    check = made()
    plan = plan_of_path(check, "B")
    assert list(plan.sides) == [Side.LEFT]
    assert plan.sides[Side.LEFT] is check.paths[1].path
    assert plan.given_path == "B"
    assert plan.rule.lateral_by is LateralBy.ARC
    assert plan.rule.midline_arc_mm == check.paths[1].path.tapes.midline_taut_mm
    for label, said in ((None, "no path is named"), ("D", "no path is called"), ("C", "refused")):
        with pytest.raises(FieldRefused, match=f"(?i){said}"):
            plan_of_path(check, label)
    assert plan_of_path(made(labels=("A",))).given_path == "A"


HOSTILE_RECORDS = [
    ('{"record": "entrypoint.plan", "version": 1}', "entrypoint.check"),
    ('{"record": "entrypoint.check", "version": true}', "version"),
    ('{"record": "entrypoint.check", "version": 99}', "newer version"),
    ("[" * 5000, "nested|valid JSON"),
    ("", "valid JSON"),
    ('{"record": "entrypoint.check", "version": 1, "order": NaN}', "NaN"),
]


@pytest.mark.parametrize(("text", "said"), HOSTILE_RECORDS)
def test_hostile_records_are_refused_by_name(text, said):
    with pytest.raises(FieldRefused, match=said):
        loads_check(text)


def test_a_record_whose_order_names_other_paths_is_refused():
    record = json.loads(dumps_check(made()))
    for order in (["A", "B"], ["A", "B", "D"], ["A", "A", "B"], []):
        with pytest.raises(FieldRefused, match="orders other paths"):
            loads_check(json.dumps({**record, "order": order}))
    with pytest.raises(FieldRefused, match="holds no path"):
        loads_check(json.dumps({**record, "order": [], "paths": []}))


def file_of(*paths, **more):
    return {"record": "entrypoint.paths", "version": 1, "coordinate_space": "RAS",
            "paths": list(paths), **more}  # fmt: skip


ONE = {"label": "A", "side": "right", "skin_point_mm": [30, 60.5, 70], "square": True}


def test_paths_are_read_in_the_space_that_is_stated(tmp_path):
    tip = {"label": "T", "side": "left", "skin_point_mm": [1, 2, 3], "tip_point_mm": [4, -5, 6]}
    along = {"label": "D", "side": "left", "skin_point_mm": [1, 2, 3], "along_mm": [0, -1, -2]}
    text = json.dumps(file_of(ONE, tip, along, coordinate_space="LPS"))
    found = loads_paths(text)
    assert [p.aim for p in found] == [Aim.SQUARE, Aim.TIP, Aim.ALONG]
    np.testing.assert_array_equal(found[0].skin_point_mm, [-30, -60.5, 70])
    np.testing.assert_array_equal(found[1].tip_point_mm, [-4, 5, 6])
    np.testing.assert_array_equal(found[2].along_mm, [0, 1, -2])
    file = tmp_path / "p.json"
    file.write_text(text)
    assert len(read_paths(file)) == 3
    jsonschema.Draft202012Validator.check_schema(paths_schema())
    jsonschema.Draft202012Validator(paths_schema()).validate(json.loads(text))
    with pytest.raises(FileRefused):
        read_paths(tmp_path / "none.json")


def without(name):
    return {key: value for key, value in ONE.items() if key != name}


# What is refused, and whether the schema refuses it too.
REFUSED_FILES = [
    (file_of(), True), (file_of(*[{**ONE, "label": str(k)} for k in range(51)]), True),
    (file_of(without("side")), True), (file_of({**ONE, "side": "both"}), True),
    (file_of(without("square")), True), (file_of({**ONE, "square": False}), True),
    (file_of({**ONE, "tip_point_mm": [1, 2, 3]}), True), (file_of({**ONE, "label": ""}), True),
    (file_of({**ONE, "label": "x" * 41}), True), (file_of(without("skin_point_mm")), True),
    (file_of({**ONE, "skin_point_mm": [1, 2]}), True),
    (file_of({**ONE, "skin_point_mm": ["1", 2, 3]}), True),
    (file_of(ONE, coordinate_space="scanner"), True), (file_of(ONE, coordinate_space=None), True),
    (file_of(ONE, ONE), False), (file_of({**ONE, "label": "a\u202eb"}), False),
    (file_of({**ONE, "skin_point_mm": [1e300, 2, 3]}), False),
    (file_of({**ONE, "skin_point_mm": [30_000, 60_000, 70_000]}), False),
    (file_of(ONE, version=7), True), ({"paths": [ONE]}, True), ([], True),
]  # fmt: skip


@pytest.mark.parametrize(("data", "by_schema"), REFUSED_FILES)
def test_a_file_that_cannot_be_meant_is_refused(data, by_schema):
    with pytest.raises((FieldRefused, UnitRefused)) as error:
        loads_paths(json.dumps(data))
    assert "Traceback" not in str(error.value)
    assert jsonschema.Draft202012Validator(paths_schema()).is_valid(data) is not by_schema


@pytest.mark.parametrize("text", ["{", '{"a": 1, "a": 2}', "NaN", "null", '"' + "x" * 30_000 + '"'])
def test_hostile_text_is_refused(text):
    with pytest.raises(FieldRefused):
        loads_paths(text)


def test_a_number_that_no_scanner_reaches_is_refused():
    with pytest.raises(UnitRefused, match="unit"):
        in_world(np.array([6000.0, 0.0, 0.0]), Space.RAS, "the tip")
    with pytest.raises(FieldRefused, match="finite"):
        in_world(np.array([np.nan, 0.0, 0.0]), Space.LPS, "the tip")
