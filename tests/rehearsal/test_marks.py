"""Marks and files of marks are read strictly: what cannot be meant is refused by name."""

from __future__ import annotations

import json

import numpy as np
import pytest

from entrypoint.errors import FieldRefused, FileRefused, UnitRefused
from entrypoint.rehearsal.marks import Decision, marks_json, parse_marks, person_name
from entrypoint.rehearsal.marks_file import parse_marked, read_marked

GOOD = {
    "side": "left",
    "nasion_mm": [0, 80.5, -30],
    "by_eye_mm": None,
    "entry_mm": [-30, 60, 60],
    "unit_inward": [0.6, 0.0, -0.8],
    "stop_mm": 6,
    "seat": "bone",
    "sensor_depth_mm": 21.5,
    "decision": "change",
    "seconds": {"nasion": 2.5},
}


def test_good_marks_and_back():
    marks = parse_marks(json.dumps(GOOD))
    assert marks.decision is Decision.CHANGE
    assert np.linalg.norm(marks.unit_inward) == pytest.approx(1.0)
    again = parse_marks(marks_json(marks))
    assert marks_json(again) == marks_json(marks)
    assert parse_marks(json.dumps(GOOD).encode()).stop_mm == 6.0


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"side": "up"}, "side is 'up'"),
        ({"side": None}, "side is missing"),
        ({"side": ["left"]}, "side is"),
        ({"entry_mm": None}, "entry_mm is missing"),
        ({"entry_mm": [1, 2]}, "entry_mm is"),
        ({"entry_mm": "1,2,3"}, "entry_mm is"),
        ({"entry_mm": [1, 2, True]}, "entry_mm is True"),
        ({"entry_mm": [1, 2, 1e9]}, "entry_mm lies"),
        ({"entry_mm": [1, 2, 10**400]}, "entry_mm is not finite"),
        ({"nasion_mm": None}, "nasion_mm is missing"),
        ({"unit_inward": None}, "unit_inward is missing"),
        ({"unit_inward": [0, 0, 0]}, "unit_inward has a length of 0"),
        ({"unit_inward": [0, 0, 5]}, "unit_inward has a length of 5"),
        ({"decision": None}, "decision is missing"),
        ({"decision": "yes"}, "decision is 'yes'"),
        ({"stop_mm": -1}, "stop_mm is -1"),
        ({"stop_mm": 610}, "stop_mm is 610"),
        ({"stop_mm": "6"}, "stop_mm is '6'"),
        ({"seat": None}, "without the surface"),
        ({"seat": "skin"}, "seat is 'skin'"),
        ({"sensor_depth_mm": 1000}, "sensor_depth_mm is 1000"),
        ({"seconds": {"a": -1}}, "seconds holds -1"),
        ({"seconds": {"a\x1b": 1}}, "without a plain name"),
        ({"seconds": [1]}, "seconds is"),
        ({"seconds": {str(k): 1 for k in range(99)}}, "seconds is"),
        ({"extra": 1}, "the marks hold 'extra'"),
    ],
)
def test_what_cannot_be_meant_is_named(change, said):
    with pytest.raises(FieldRefused) as refused:
        parse_marks({**GOOD, **change})
    assert said.lower() in str(refused.value).lower()


@pytest.mark.parametrize(
    "text",
    ["", "[]", "3", "null", "{", '{"side": NaN}', '{"side": "left", "side": "right"}',
     '{"a": ' + "[" * 5000 + "]" * 5000 + "}", b"\xff\xfe"],
)  # fmt: skip
def test_text_that_is_no_marks(text):
    with pytest.raises(FieldRefused):
        parse_marks(text)


def test_names():
    assert person_name(7) == "7"
    for bad in ("", "x" * 41, "a\nb\x00", None, False, 2.5, ["a"]):
        with pytest.raises(FieldRefused):
            person_name(bad)


HEAD = "# coordinate_space: RAS\n# unit: mm\n# head: ladder:adult\n"
ROWS = (
    "person,attempt,side,mark,x,y,z,stop_mm,seat,sensor_depth_mm,decision\n"
    "7,1,right,nasion,1,80,-30,,,,\n"
    "7,1,right,by-eye,28,66,66,,,,\n"
    "7,1,right,entry,30,65,66,6,bone,21,go\n"
    "7,1,right,along,30,35,26,,,,\n"
    "7,2,right,entry,31,65,66,,,,\n"
    "Kim,1,left,entry,-31,65,66,,,,\n"
)


def test_a_file_of_marks():
    found = parse_marked(HEAD + ROWS)
    assert found.head == "ladder:adult"
    assert [(a.person, a.attempt) for a in found.attempts] == [("7", "1"), ("7", "2"), ("Kim", "1")]
    first = found.attempts[0].marks
    assert first.unit_inward.tolist() == pytest.approx([0.0, -0.6, -0.8])
    assert (first.stop_mm, first.seat, first.decision) == (6.0, "bone", "go")
    assert first.by_eye_mm.tolist() == [28.0, 66.0, 66.0]
    assert found.attempts[1].marks.unit_inward is None


def test_space_and_unit_are_heeded():
    text = "# coordinate_space: LPS\n# unit: cm\nperson,side,mark,x,y,z\n"
    text += "a,right,entry,-3,-6.5,6.6\n"
    (one,) = parse_marked(text).attempts
    assert one.marks.entry_mm.tolist() == pytest.approx([30.0, 65.0, 66.0])


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "no coordinate_space"),
        ("# coordinate_space: RAS\n" + ROWS, "no unit"),
        ("# coordinate_space: XYZ\n# unit: mm\n" + ROWS, "the space 'XYZ'"),
        ("# coordinate_space: RAS\n# unit: inch\n" + ROWS, "the unit 'inch'"),
        (HEAD, "no rows"),
        (HEAD + "a,b\n1,2\n", "the first row"),
        (HEAD + ROWS.replace("attempt", "try"), "a column 'try'"),
        (HEAD + ROWS.replace("65,66,6,bone", "65,66,bone"), "cells"),
        (HEAD + ROWS.replace("entry,30", "entry,x"), "row 4 holds 'x'"),
        (HEAD + ROWS.replace("entry,30", "entry,nan"), "not finite"),
        (HEAD + ROWS.replace("by-eye", "ear"), "the mark 'ear'"),
        (HEAD + ROWS.replace("by-eye", "entry"), "twice in one attempt"),
        (HEAD + ROWS.replace("by-eye,28,66,66,", "by-eye,28,66,66,9"), "two values of stop_mm"),
        (HEAD + ROWS.replace(",6,bone", ",six,bone"), "stop_mm of 'six'"),
        (HEAD + ROWS.replace("6,bone", "6,"), "without the surface"),
        (HEAD + ROWS.replace("Kim,1,left", "Kim,1,"), "side is missing"),
        (HEAD + ROWS.replace("Kim,1,left", "Kim,1,middle"), "side is 'middle'"),
        (HEAD + ROWS.replace("along,30,35,26", "along,30,65,66"), "lie 0.0 mm apart"),
        (HEAD + ROWS.replace("Kim", "x" * 50), "name is empty, too long"),
        (HEAD + ROWS.replace("Kim", "K\x1b[2Jim"), "control characters"),
        (HEAD + ROWS.replace("Kim", '"Kim'), "not valid CSV"),
        (HEAD + ROWS.split("\n")[0] + "\n" + "7,1,right,entry,1,2,3,,,,\n" * 20_001, "20002 rows"),
    ],
)
def test_a_hostile_file_of_marks_is_named(text, said):
    with pytest.raises((FieldRefused, UnitRefused)) as refused:
        parse_marked(text)
    assert said.lower() in str(refused.value).lower()


def test_files_that_are_no_text(tmp_path):
    path = tmp_path / "a.csv"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(FileRefused, match="UTF-8"):
        read_marked(path)
    with pytest.raises(FileRefused):
        read_marked(tmp_path / "none.csv")
