"""The plan record: names, order, strict reading, and its schema (jsonschema as the judge)."""

from __future__ import annotations

import dataclasses
import json

import jsonschema
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from entrypoint.errors import EntrypointError, FieldRefused, OutputRefused
from entrypoint.io.record import dumps, loads, plan_to_dict, read_plan, write_plan
from entrypoint.io.schema import schema, schema_text
from entrypoint.planning.model import CAVEAT, Plan, Side
from tests.report.plans import ct_plan, tape_plan

PLANS = {"ct": ct_plan(), "tape": tape_plan()}


@pytest.mark.parametrize("name", sorted(PLANS))
def test_there_and_back_gives_the_same_bytes(name):
    text = dumps(PLANS[name])
    assert dumps(loads(text)) == text
    assert text.endswith("}\n")
    assert "NaN" not in text
    assert "Infinity" not in text


def test_names_of_the_published_form_are_there():
    record = plan_to_dict(PLANS["ct"])
    assert record["record"] == "entrypoint.plan"
    assert record["version"] == 1
    assert record["caveat"] == CAVEAT
    assert {"kind", "name", "sha256", "shape", "voxel_mm"} <= set(record["input"])
    assert {
        "midline_arc_mm",
        "lateral_arc_mm",
        "suture_margin_mm",
        "sensor_depth_mm",
        "drill_allowance_mm",
    } <= set(record["rule"])
    assert {"position_mm", "sd_mm", "how"} <= set(record["landmarks"]["nasion_skin"])
    assert {"point_mm", "unit_normal", "sd_mm", "sd_deg"} <= set(record["midsagittal_plane"])
    assert {"how", "sd_mm", "curve_mm"} <= set(record["coronal_suture"])
    assert list(record["sides"]) == ["right", "left"]
    side = record["sides"]["right"]
    assert {
        "scalp_entry_mm",
        "outer_table_mm",
        "inner_table_mm",
        "sensor_tip_mm",
        "unit_inward",
        "thickness",
        "clearance",
        "drill_stop",
        "sensor",
        "findings",
    } <= set(side)
    for part, names in {
        "thickness": "scalp_mm skull_mm outer_table_mm diploe_mm inner_table_mm scalp_sd_mm "
        "skull_sd_mm",
        "clearance": "midline_scalp_mm midline_inner_table_mm midline_tip_mm sinus_tip_mm "
        "suture_mm suture_sd_mm suture_bone_mm p_suture_below_margin",
        "drill_stop": "start_on_scalp_mm start_on_bone_mm on_scalp_mm on_bone_mm sd_mm",
        "sensor": "below_inner_table_mm from_outer_table_mm from_scalp_mm",
    }.items():
        assert set(names.split()) <= set(side[part])
    assert {"code", "level", "text", "value", "limit", "source"} <= set(side["findings"][0])


def test_what_cannot_be_known_is_null_and_never_nan():
    record = plan_to_dict(PLANS["tape"])
    assert record["sides"]["right"]["thickness"]["skull_mm"] is None
    bad = dataclasses.replace(
        PLANS["ct"],
        landmarks={
            "nasion": dataclasses.replace(
                PLANS["ct"].landmarks["nasion_skin"], position_mm=np.array([np.nan, 0, 0])
            )
        },
    )
    with pytest.raises(FieldRefused, match=r"andmarks\.nasion\.position_mm is nan"):
        dumps(bad)


@pytest.mark.parametrize("name", sorted(PLANS))
def test_schema_accepts_the_plans_and_refuses_wrong_ones(name):
    # Independent judge: the package jsonschema, draft 2020-12.
    found = schema()
    jsonschema.Draft202012Validator.check_schema(found)
    validator = jsonschema.Draft202012Validator(found)
    record = json.loads(dumps(PLANS[name]))
    validator.validate(record)
    validator.validate({**record, "field_of_a_later_time": [1]})
    for change in (
        {"version": 2},
        {"record": "other"},
        {"sides": {"up": {}}},
        {"tool_version": 3},
        {"input": {**record["input"], "kind": "guess"}},
    ):
        with pytest.raises(jsonschema.ValidationError):
            validator.validate({**record, **change})


def test_schema_describes_every_field_and_its_unit():
    found = json.loads(schema_text())
    for name, part in found["$defs"].items():
        for field, words in part["properties"].items():
            assert words["description"], (name, field)
            if field.endswith("_mm"):
                assert "millimetre" in words["description"] or field in (
                    "start_on_bone_mm",
                    "start_on_scalp_mm",
                    "on_bone_mm",
                    "on_scalp_mm",
                    "sinus_tip_mm",
                    "suture_mm",
                    "suture_nearest_mm",
                    "suture_scalp_mm",
                    "midline_arc_mm",
                    "lateral_arc_mm",
                ), (name, field)
    assert set(found["properties"]) == {
        "record",
        "version",
        *(f.name for f in dataclasses.fields(Plan)),
    }


def changed(**changes):
    return json.dumps({**json.loads(dumps(PLANS["ct"])), **changes})


def test_unknown_fields_are_ignored_and_a_higher_version_is_refused_by_name():
    record = json.loads(dumps(PLANS["ct"]))
    record["later"] = {"x": [1, 2]}
    record["sides"]["right"]["later"] = 3
    assert dumps(loads(json.dumps(record))) == dumps(PLANS["ct"])
    with pytest.raises(FieldRefused, match=r"has version 2.*newer version"):
        loads(changed(version=2))


BAD = {
    "not a record": (changed(record="other"), "entrypoint.plan"),
    "version": (changed(version=True), "version True"),
    "no version": (changed(version=None), "version None"),
    "NaN": (dumps(PLANS["ct"]).replace("110.0", "NaN", 1), "holds NaN"),
    "infinite": (dumps(PLANS["ct"]).replace("110.0", "1e999", 1), "not finite"),
    "twice": (
        dumps(PLANS["ct"]).replace('"version": 1,', '"version": 1, "version": 1,', 1),
        "'version' twice",
    ),
    "side": (changed(sides={"up": {}}), "one of right, left"),
    "no sides": (changed(sides={}), "plans no side"),
    "number": (changed(tool_version=4), "a text"),
    "landmark": (changed(landmarks={"nasion": {"position_mm": [1, 2], "sd_mm": 1}}), "three"),
    "missing": (changed(input={"kind": "ct"}), "has no name"),
    "seed": (changed(seed=1.5), "a whole number"),
    "flag": (changed(practice="no"), "true or false"),
    "escape": (changed(caveat="\u001b[2J"), "control characters"),
    "not JSON": ("{", "not valid JSON"),
}


@pytest.mark.parametrize("name", sorted(BAD))
def test_wrong_records_are_refused_by_name(name):
    text, words = BAD[name]
    with pytest.raises(FieldRefused, match=words):
        loads(text)


def leaves(value, path=()):
    if isinstance(value, dict):
        for key, item in value.items():
            yield from leaves(item, (*path, key))
    elif isinstance(value, list) and value:
        yield from leaves(value[0], (*path, 0))
    yield path


@settings(max_examples=200, deadline=None)
@given(
    data=st.data(),
    junk=st.one_of(
        st.none(),
        st.booleans(),
        st.integers(),
        st.floats(),
        st.text(max_size=5),
        st.lists(st.integers(), max_size=4),
        st.dictionaries(st.text(max_size=3), st.integers(), max_size=2),
    ),
)
def test_any_field_replaced_ends_in_a_plan_or_a_refusal(data, junk):
    record = json.loads(dumps(PLANS["ct"]))
    path = data.draw(st.sampled_from([p for p in leaves(record) if p]))
    at = record
    for key in path[:-1]:
        at = at[key]
    at[path[-1]] = junk
    try:
        plan = loads(json.dumps(record))
    except EntrypointError as error:
        sentence = str(error)
        plan = None
    else:
        sentence = ""
        dumps(plan)
    assert "\n" not in sentence


def test_writing_is_whole_and_overwrites_nothing(tmp_path):
    path = tmp_path / "plan.json"
    write_plan(PLANS["ct"], path)
    with pytest.raises(OutputRefused, match=r"exists already.*--force"):
        write_plan(PLANS["tape"], path)
    assert read_plan(path).input.kind.value == "ct"
    write_plan(PLANS["tape"], path, force=True)
    again = read_plan(path)
    assert again.input.kind.value == "tape"
    assert Side.RIGHT in again.sides
    assert [p.name for p in tmp_path.iterdir()] == ["plan.json"]
