"""Session files: what they mean, their schema, and hostile ones."""

from __future__ import annotations

import json

import jsonschema
import pytest

from entrypoint.errors import FieldRefused, FileRefused
from entrypoint.rehearsal.session import (
    Hidden,
    PassMarks,
    Session,
    parse_session,
    passed,
    read_session,
    session_schema_text,
)

GOOD = {
    "record": "entrypoint.session",
    "version": 1,
    "title": "Week 3",
    "heads": [
        {"head": "ladder:adult", "side": "right"},
        {"head": "random:7", "side": "left", "seat": "bone", "text": "A head drawn by number."},
        {"head": "volume", "side": "right"},
    ],
    "hidden": ["tape-numbers", "suture"],
    "time_limit_s": 300,
    "pass_marks": {"entry_mm": 5, "tilt_deg": 5},
}
SCHEMA = json.loads(session_schema_text())


def test_a_session_is_read_and_written(tmp_path):
    path = tmp_path / "week.json"
    path.write_text(json.dumps(GOOD))
    session = read_session(path)
    assert [h.head for h in session.heads] == ["ladder:adult", "random:7", "volume"]
    assert session.hidden == (Hidden.TAPE_NUMBERS, Hidden.SUTURE)
    assert session.pass_marks == PassMarks(entry_mm=5.0, tilt_deg=5.0)
    assert session.pass_marks.past_inner_mm == 3.0
    assert parse_session(json.dumps(session.to_json())) == session
    validator = jsonschema.Draft202012Validator(SCHEMA)
    validator.check_schema(SCHEMA)
    validator.validate(GOOD)
    validator.validate(session.to_json())
    with pytest.raises(jsonschema.ValidationError):
        validator.validate({**GOOD, "heads": [{"head": "ladder:adult", "side": "middle"}]})


def test_order():
    listed = parse_session(json.dumps(GOOD))
    assert listed.heads_for("7") == listed.heads
    more = [{"head": f"random:{k}", "side": "right"} for k in range(12)]
    mixed: Session = parse_session(
        json.dumps({**GOOD, "heads": more, "order": "shuffled", "seed": 5})
    )
    first = mixed.heads_for("Kim")
    assert first == mixed.heads_for("kim")
    assert first != mixed.heads_for("Trainee 2")
    assert set(first) == set(mixed.heads)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"record": "other"}, "record"),
        ({"version": 2}, "version 2"),
        ({"version": True}, "version"),
        ({"title": ""}, "title"),
        ({"title": "x" * 201}, "title"),
        ({"title": 3}, "title"),
        ({"heads": []}, "0 heads"),
        ({"heads": [GOOD["heads"][0]] * 101}, "101 heads"),
        ({"heads": {}}, "heads"),
        ({"heads": ["ladder:adult"]}, "heads"),
        ({"heads": [{"head": "ladder:adult"}]}, "side"),
        ({"heads": [{"head": "ladder:tall", "side": "right"}]}, "ladder:tall"),
        ({"heads": [{"head": "random:-1", "side": "right"}]}, "random:-1"),
        ({"heads": [{"head": "random:99999999999", "side": "right"}]}, "no practice head"),
        ({"heads": [{"head": "../../etc", "side": "right"}]}, "no practice head"),
        ({"heads": [{"head": "ladder:adult", "side": "right", "tape": 1}]}, "'tape'"),
        ({"hidden": ["numbers"]}, "hidden"),
        ({"hidden": ["suture", "suture"]}, "twice"),
        ({"time_limit_s": 1}, "time_limit_s"),
        ({"time_limit_s": 1e3}, "time_limit_s"),
        ({"time_limit_s": 10**9}, "time_limit_s"),
        ({"seed": -1}, "seed"),
        ({"pass_marks": {"entry_mm": -1}}, "pass_marks.entry_mm"),
        ({"pass_marks": {"entry_mm": 500}}, "pass_marks.entry_mm"),
        ({"pass_marks": {"entry": 5}}, "'entry'"),
        ({"pass_marks": [5]}, "pass_marks"),
        ({"pass_marks": {"past_inner_mm": None}}, "past_inner_mm"),
        ({"time_limit": 300}, "'time_limit'"),
    ],
)
def test_hostile_sessions_are_named(change, said):
    with pytest.raises(FieldRefused) as refused:
        parse_session(json.dumps({**GOOD, **change}))
    assert said.lower() in str(refused.value).lower()


def test_text_that_is_no_session(tmp_path):
    for text in ("", "[]", "{", '{"record": NaN}', "{}"):
        with pytest.raises(FieldRefused):
            parse_session(text)
    with pytest.raises(FileRefused):
        read_session(tmp_path / "none.json")


def test_pass_marks_judge_the_hand_alone(adult_head, perfect):
    from entrypoint.rehearsal.marks import parse_marks
    from entrypoint.rehearsal.scoring import score

    made = score(adult_head, parse_marks({**perfect, "stop_mm": 15.0}))
    limits = PassMarks(entry_mm=5.0, tilt_deg=5.0)
    found = passed(made, limits)
    assert found == {"nasion_mm": None, "entry_mm": True, "tilt_deg": True,
                     "past_inner_mm": False, "tip_error_mm": None}  # fmt: skip
