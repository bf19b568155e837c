"""``entrypoint vary``, and the side that a plan of both sides is told to prefer."""

from __future__ import annotations

import csv
import json
import shutil

import jsonschema
import pytest

from entrypoint.cli.app import main
from entrypoint.cli.vary import arcs_of
from entrypoint.io.rule_table_record import rules_schema
from entrypoint.planning.model import CAVEAT
from tests.conftest import SAMPLES

ADULT = SAMPLES / "adult.nii.gz"


@pytest.fixture
def run(capsys):
    def call(*arguments):
        code = main([str(a) for a in arguments])
        said = capsys.readouterr()
        assert "Traceback" not in said.out + said.err
        return code, said.out, said.err

    return call


def test_text_record_and_csv_of_one_run(run, tmp_path):
    as_json, as_csv = tmp_path / "r.json", tmp_path / "r.csv"
    code, out, err = run("vary", ADULT, "--midline-arc", "70,110", "--lateral", "25:35:5",
                         "--stop-seats-on", "bone", "--json", as_json, "--csv", as_csv)  # fmt: skip
    assert (code, err) == (0, "")
    said = " ".join(out.split())
    assert said.startswith(CAVEAT)
    assert said.endswith(CAVEAT)
    assert "Outside the charted range. 70 x 25, 30, 35" in said
    record = json.loads(as_json.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(rules_schema()).validate(record)
    assert record["practice"]
    assert list(record["sides"]) == ["right", "left"]
    lines = [line for line in as_csv.read_text().splitlines() if not line.startswith("#")]
    rows = list(csv.DictReader(lines))
    assert len(rows) == 12
    told = record["sides"]["left"]["rows"][4]
    assert (told["midline_arc_mm"], told["lateral_arc_mm"]) == (110.0, 30.0)
    assert float(rows[10]["skull_mm"]) == told["skull_mm"]
    assert told["start_stop_mm"] == int(told["start_stop_mm"])


def test_the_schema_of_the_rules_is_printed(run):
    code, out, _ = run("schema", "rules")
    assert code == 0
    assert json.loads(out) == rules_schema()


HOSTILE = [
    (["--midline-arc", "100:130:0"], "leads nowhere"),
    (["--midline-arc", "100:130:-5"], "leads nowhere"),
    (["--midline-arc", "130:100:5"], "before it begins"),
    (["--midline-arc", "100:130:1e-9"], "2000"),
    (["--midline-arc", "0:1e9:1"], "2000"),
    (["--midline-arc", "1e308:1.7e308:1e-300"], "2000"),
    (["--midline-arc", "100:130:0.1", "--lateral", "20:40:1"], "6321 rules"),
    (["--midline-arc", "nan"], "'nan' is no length"),
    (["--midline-arc", "100:inf:5"], "'inf' is no length"),
    (["--midline-arc", "100:130"], "is not A:B:STEP"),
    (["--midline-arc", "1:2:3:4"], "is not A:B:STEP"),
    (["--midline-arc", ""], "is no length"),
    (["--midline-arc", "100,,110"], "is no length"),
    (["--midline-arc", "11:13:1"], "40 to 200 mm (110 mm?)"),
    (["--midline-arc", ",".join(["100"] * 2001)], "2001 arcs"),
    (["--lateral", "20:400:5"], "5 to 80 mm"),
    (["--lateral", "=1+1"], "is no length"),
    (["--lateral", "mid-pupillary"], "is no length"),
    (["--json", "-", "--csv", "-"], "Only one"),
    (["--adult", "--child"], "--child"),
    (["--suture-margin-mm", "600"], "--suture-margin-mm"),
]


@pytest.mark.parametrize(("arguments", "words"), HOSTILE)
def test_what_cannot_be_meant_is_refused_by_name(run, arguments, words):
    code, out, err = run("vary", ADULT, *arguments)
    assert code == 2
    assert words in err
    assert out == ""
    assert err.count("\n") == 1


@pytest.mark.parametrize("option", ["--csv", "--json"])
def test_no_output_is_written_over_anything(run, tmp_path, option):
    volume, other = tmp_path / "v.nii.gz", tmp_path / "there"
    shutil.copy(ADULT, volume)
    other.write_text("mine")
    before = volume.read_bytes()
    code, _, err = run("vary", volume, option, other)
    assert (code, "exists already" in err) == (3, True)
    code, _, err = run("vary", volume, option, volume, "--force")
    assert (code, "over the input" in err) == (3, True)
    assert volume.read_bytes() == before
    assert other.read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize(
    ("text", "arcs"),
    [
        ("100:130:10", [100, 110, 120, 130]),
        ("100:125:10", [100, 110, 120]),
        ("100:100:5", [100]),
        ("100:100.3:0.1", [100, 100.1, 100.2, 100.3]),
        (" 120 , 100,120 ", [100, 120]),
        ("110", [110]),
    ],
)
def test_ranges_hold_both_ends_and_lists_rise(text, arcs):
    assert arcs_of(text, "midline_arc_mm", "--midline-arc") == pytest.approx(arcs)


@pytest.mark.parametrize("prefer", ["right", "left", "none"])
def test_the_preferred_side_of_a_plan(run, prefer):
    code, out, _ = run("plan", "--prefer-side", prefer, "--json", "-")
    assert code == 0
    found = json.loads(out)["comparison"]
    assert found["prefer_side"] == (None if prefer == "none" else prefer)
    codes = [row["code"] for row in found["rows"]]
    assert ("preferred-side" in codes) == (prefer != "none")
    assert run("plan", "--prefer-side", "up")[0] == 2
    assert json.loads(run("plan", "--side", "left", "--json", "-")[1])["comparison"] is None
