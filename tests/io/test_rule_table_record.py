"""The record of rules, its schema (jsonschema as the judge), and its CSV (csv as the reader)."""

from __future__ import annotations

import csv
import json
from dataclasses import replace

import jsonschema
import numpy as np
import pytest

from entrypoint.errors import FieldRefused, OutputRefused
from entrypoint.io.rule_table_record import (
    csv_of_rules,
    dumps_rules,
    loads_rules,
    rules_schema,
    rules_schema_text,
    rules_to_dict,
    write_rules,
)
from entrypoint.planning.model import (
    CAVEAT,
    Finding,
    How,
    InputInfo,
    InputKind,
    Level,
    Rule,
    Seat,
    Side,
)
from entrypoint.planning.rule_table import grid_of
from entrypoint.planning.rule_table_model import RuleTable, SideRules
from tests.planning.charts import sphere_chart
from tests.planning.test_rule_rows import rows_of


def made(name="0123456789", practice=False, seat=Seat.BONE):
    """A table of two spherical sides; some rows lie outside the chart, some behind the suture."""
    midline, lateral = grid_of([75, 90, 110, 128.5], [20, 30])
    arcs = list(zip(midline, lateral, strict=True))
    rule = Rule(stop_seats_on=seat)
    return RuleTable(
        tool_version="0.1.0", input=InputInfo(kind=InputKind.CT, name=name, sha256="0"), rule=rule,
        midline_arc_first_mm=80.0, midline_arc_last_mm=140.0, lateral_arc_first_mm=15.0,
        lateral_arc_last_mm=50.0, practice=practice,
        sides={s: SideRules(suture=How.MEASURED, rows=rows_of(sphere_chart(s), arcs, rule=rule))
               for s in Side},
        findings=(Finding(code="sides-as-stated", level=Level.NOTE, text="as stated"),),
    )  # fmt: skip


TABLE = made()


def test_there_and_back_gives_the_same_bytes():
    text = dumps_rules(TABLE)
    assert dumps_rules(loads_rules(text)) == text
    assert text == dumps_rules(made())
    for word in ("NaN", "Infinity"):
        assert word not in text


def test_the_record_fits_its_schema_and_the_schema_is_one():
    schema = json.loads(rules_schema_text())
    assert schema == rules_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema).validate(json.loads(dumps_rules(TABLE)))
    broken = json.loads(dumps_rules(TABLE))
    broken["sides"]["right"]["rows"][0]["skull_mm"] = "thick"
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(schema).validate(broken)


def test_the_caveat_comes_first_and_no_row_is_called_a_plan():
    record = rules_to_dict(TABLE)
    assert list(record)[:5] == ["record", "version", "caveat", "sides_note", "not_a_plan"]
    assert record["caveat"] == CAVEAT
    assert list(record["sides"]) == ["right", "left"]
    first = record["sides"]["right"]["rows"][0]
    assert (first["charted"], first["skull_mm"], first["findings"]) == (False, None, [])


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"record": "entrypoint.map"}, "entrypoint.rules"),
        ({"version": 2}, "newer version"),
        ({"version": True}, "version"),
        ({"sides": {}}, "no side"),
        ({"sides": {"up": {}}}, "up"),
    ],
)
def test_what_is_no_record_of_rules_is_refused(change, words):
    record = json.loads(dumps_rules(TABLE))
    with pytest.raises(FieldRefused, match=words):
        loads_rules(json.dumps({**record, **change}))
    assert loads_rules(json.dumps({**record, "later": 1})).rule == TABLE.rule


def test_a_number_that_is_none_is_never_written():
    side = TABLE.sides[Side.RIGHT]
    row = replace(side.rows[2], skull_mm=float("nan"))
    broken = replace(TABLE, sides={Side.RIGHT: replace(side, rows=(row,))})
    with pytest.raises(FieldRefused):
        dumps_rules(broken)


def test_it_is_written_whole_and_never_over_another(tmp_path):
    path = write_rules(TABLE, tmp_path / "r.json")
    assert path.read_text(encoding="utf-8") == dumps_rules(TABLE)
    with pytest.raises(OutputRefused):
        write_rules(TABLE, path)


def read(text):
    lines = text.splitlines()
    remarks = [line for line in lines if line.startswith("#")]
    assert lines[: len(remarks)] == remarks, "remarks stand above the header"
    return remarks, list(csv.DictReader(lines[len(remarks) :]))


def test_the_csv_holds_the_caveat_and_every_figure():
    remarks, rows = read(csv_of_rules(TABLE))
    assert remarks[0] == "# " + CAVEAT
    assert "# start_stop_mm: stop seated ON BONE" in remarks
    assert not any("PRACTICE" in line for line in remarks)
    assert "# PRACTICE HEAD, NOT A PATIENT" in read(csv_of_rules(made(practice=True)))[0]
    assert any("none was asked for" in r for r in read(csv_of_rules(made(seat=None)))[0])
    record = [(s, r) for s, side in TABLE.sides.items() for r in side.rows]
    assert len(rows) == len(record) == 16
    for line, (side, row) in zip(rows, record, strict=True):
        assert line["side"] == side.value
        for name in ("midline_arc_mm", "skull_mm", "suture_nearest_mm", "p_behind_suture",
                     "start_stop_mm", "sensor_from_scalp_mm", "slope_deg", "sinus_mm"):  # fmt: skip
            value = getattr(row, name)
            assert line[name] == ("" if value is None else repr(float(value)))
        assert line["charted"] == ("yes" if row.charted else "no")
        assert line["note"] == row.note
        assert line["findings"].count(":") == len(row.findings)
    place = TABLE.sides[Side.LEFT].rows[2].scalp_entry_mm
    there = [float(rows[10][f"entry_{a}_mm"]) for a in ("right", "anterior", "superior")]
    np.testing.assert_array_equal(there, place)
    assert any(line["findings"].startswith("caution:") for line in rows)
    assert "nan" not in csv_of_rules(TABLE)


@pytest.mark.parametrize(
    "label", ['x,=HYPERLINK("a")', "a; =1+1", "=1+1", "@SUM(1)", "+1", "-1", "a,+1", 'b", "=2']
)
def test_no_cell_is_taken_for_a_formula(label):
    """Every cell as a spreadsheet splits the lines, with commas or with semicolons."""
    text = csv_of_rules(made(name=label))
    for delimiter in ",;":
        for line in csv.reader(text.splitlines(), delimiter=delimiter):
            for cell in line:
                cell = cell.strip()
                if cell[:1] in ("=", "+", "@", "\t", "\r"):
                    raise AssertionError(cell)
                if cell.startswith("-"):
                    float(cell.split(",")[0])
