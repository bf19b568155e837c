"""``entrypoint check`` and the pictures of what it checked, on a shipped sample."""

from __future__ import annotations

import json

import jsonschema
import numpy as np
import pytest

import entrypoint
from entrypoint.cli.app import main
from entrypoint.io.check_record import check_schema, paths_schema
from entrypoint.planning.model import CAVEAT
from tests.conftest import SAMPLES

ADULT = SAMPLES / "adult.nii.gz"
TRUTH = json.loads((SAMPLES / "adult.truth.json").read_text(encoding="utf-8"))["sides"]
RIGHT = [f"{x:.1f}" for x in TRUTH["right"]["scalp_entry_mm"]]
TYPED = ("--side", "right", "--space", "RAS", "--skin-point", *RIGHT)


@pytest.fixture
def run(capsys):
    def call(*arguments):
        code = main([str(a) for a in arguments])
        said = capsys.readouterr()
        assert "Traceback" not in said.out + said.err
        return code, said.out, said.err

    return call


@pytest.fixture(scope="module")
def several(tmp_path_factory):
    """Three candidates and one that cannot be meant, checked once."""
    folder = tmp_path_factory.mktemp("check")
    right, left = TRUTH["right"], TRUTH["left"]
    paths = [
        {"label": "own", "side": "right", "skin_point_mm": right["scalp_entry_mm"], "square": True},
        {"label": "tip", "side": "left", "skin_point_mm": left["scalp_entry_mm"],
         "tip_point_mm": left["sensor_tip_mm"]},
        {"label": "swapped", "side": "left", "skin_point_mm": right["scalp_entry_mm"],
         "square": True},
    ]  # fmt: skip
    file = folder / "paths.json"
    file.write_text(json.dumps({"record": "entrypoint.paths", "version": 1,
                                "coordinate_space": "RAS", "paths": paths}))  # fmt: skip
    out = folder / "check.json"
    code = main(["check", str(ADULT), "--paths", str(file), "--json", str(out),
                 "--stop-seats-on", "bone"])  # fmt: skip
    return code, file, out


def test_several_paths_as_a_record(several):
    code, file, out = several
    assert code == 3  # one of them is refused
    record = json.loads(out.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(check_schema()).validate(record)
    jsonschema.Draft202012Validator(paths_schema()).validate(json.loads(file.read_text(encoding="utf-8")))
    assert record["practice"]
    assert [p["label"] for p in record["paths"]] == ["own", "tip", "swapped"]
    assert record["order"][-1] == "swapped"
    own, tip, swapped = record["paths"]
    assert swapped["path"] is None
    assert "midline" in swapped["refused"]
    true = TRUTH["left"]["thickness"]["skull_mm"]
    assert tip["path"]["thickness"]["skull_mm"] == pytest.approx(true, abs=0.3)
    assert tip["path"]["sensor"]["below_inner_table_mm"] == pytest.approx(15.0, abs=0.4)
    assert own["path"]["tilt_deg"] == 0.0
    assert set(record["rule_sides"]) == {"right", "left"}
    assert own["skin_moved_mm"] < 0.3


def test_a_path_of_the_record_is_drawn_by_its_label(run, several, tmp_path):
    _, _, out = several
    picture = tmp_path / "s.svg"
    code, _, err = run("draw", out, "--volume", ADULT, "--view", "section", "--path", "tip",
                          "--out", picture)  # fmt: skip
    assert (code, err) == (0, "")
    text = picture.read_text(encoding="utf-8")
    assert "Given path tip" in text
    assert "Rule:" not in text
    code, _, err = run("draw", out, "--volume", ADULT, "--view", "section", "--out", picture)
    assert code == 3
    assert "--path" in err
    page = tmp_path / "page.html"
    code, _, err = run("report", out, "--volume", ADULT, "--path", "tip", "--out", page)
    assert (code, err) == (0, "")
    text = page.read_text(encoding="utf-8")
    assert "Given path: tip, PATIENT&#39;S" in text
    assert "read by tape" in text
    assert "The rule:" not in text
    code, _, err = run("draw", out, "--view", "tape", "--path", "swapped", "--out", picture)
    assert code == 3
    assert "refused" in err


def test_one_typed_path_as_text(run):
    code, out, err = run("check", ADULT, *TYPED, "--along", "-0.4", "-0.6", "-0.7")
    assert (code, err) == (0, "")
    said = " ".join(out.split())
    assert said.startswith(CAVEAT)
    assert said.endswith(CAVEAT)
    assert "PRACTICE HEAD, NOT A PATIENT" in said
    assert "PATH A: PATIENT'S RIGHT, along a given direction" in said
    assert "THE WORST within 4 degrees and 5 mm" in said


USAGE = [
    ((), "--skin-point"), (("--skin-point", *RIGHT, "--square", "--space", "RAS"), "--side"),
    (("--skin-point", *RIGHT, "--square", "--side", "right"), "--space"),
    (TYPED, "--tip-point"), ((*TYPED, "--square", "--along", "1", "2", "3"), "--tip-point"),
    ((*TYPED, "--square", "--paths", "p.json"), "--paths"),
    (("--skin-point", *RIGHT, "--square", "--side", "both", "--space", "RAS"), "--side"),
    (("--skin-point", "1", "2"), "--skin-point"), ((*TYPED[:2], "--space", "MNI"), "--space"),
]  # fmt: skip


@pytest.mark.parametrize(("words", "option"), USAGE)
def test_what_is_not_typed_is_asked_for(run, words, option):
    code, _, err = run("check", ADULT, *words)
    assert code == 2
    assert option in err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--skin-point", "nan", "0", "0", "--square"), "finite"),
        (("--skin-point", "90000", "0", "0", "--square"), "unit"),
        (("--skin-point", *RIGHT, "--square", "--within-mm", "90"), "Within_mm is 90"),
        (("--skin-point", *RIGHT, "--square", "--within-deg", "nan"), "Within_deg is nan"),
    ],
)
def test_numbers_that_cannot_be_meant_are_refused(run, words, said):
    code, _, err = run("check", ADULT, "--side", "right", "--space", "RAS", *words)
    assert code == 3
    assert said in err


def test_the_same_in_python():
    given = entrypoint.GivenPath(
        label="mine", side=entrypoint.Side.RIGHT,
        skin_point_mm=np.array(TRUTH["right"]["scalp_entry_mm"]),
    )  # fmt: skip
    made = entrypoint.check_ct(ADULT, given, within=entrypoint.Within(within_deg=2.0))
    assert made.order == ("mine",)
    assert made.within == entrypoint.Within(within_deg=2.0, within_mm=5.0)
    assert "PATH mine" in entrypoint.check_text(made)


def test_the_schemas_are_printed(run):
    for record, wanted in (("check", check_schema()), ("paths", paths_schema())):
        code, out, _ = run("schema", record)
        assert code == 0
        assert json.loads(out) == wanted
