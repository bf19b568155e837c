"""``entrypoint log`` from the outside."""

from __future__ import annotations

import pytest

from entrypoint.cli.app import main
from entrypoint.planning.model import CAVEAT


@pytest.fixture
def plan(tmp_path, capsysbinary):
    out = tmp_path / "bedside.json"
    code = main(["plan", "--nasion-inion-mm", "360", "--side", "right", "--json", str(out)])
    assert code == 0
    capsysbinary.readouterr()
    return str(out)


def said(capsysbinary):
    out, err = capsysbinary.readouterr()
    return " ".join(out.decode().split()), err.decode()


def test_entries_are_added_listed_and_verified(plan, capsysbinary):
    first = ["log", plan, "--side", "right", "--role", "operator"]
    assert main([*first, "--drill-depth-mm", "8", "--stop-seat", "bone"]) == 0
    text, _ = said(capsysbinary)
    assert "Drill depth used 8 mm, stop seated ON BONE" in text
    assert text.startswith(CAVEAT[:30])
    assert text.endswith(CAVEAT[-30:])
    assert main([*first, "--drill-depth-mm", "7", "--stop-seat", "bone", "--corrects", "1"]) == 0
    kept = said(capsysbinary)[0].split("Its hash: ")[1][:64]
    assert main(["log", plan, "--list"]) == 0
    text, _ = said(capsysbinary)
    assert "ENTRY 1: PATIENT'S RIGHT (corrected by entry 2)" in text
    assert "ENTRY 2: PATIENT'S RIGHT (stands for entry 1)" in text
    assert "8 mm, stop seated ON BONE" in text
    assert main(["log", plan, "--verify", "--last", kept]) == 0
    assert "2 entries, each following the one before it" in said(capsysbinary)[0]


def test_a_log_that_was_cut_off_or_changed_is_a_stop(plan, capsysbinary, tmp_path):
    words = ["log", plan, "--side", "left", "--role", "nurse", "--first-reading-mmhg"]
    assert main([*words, "11"]) == 0
    assert "does not plan the PATIENT'S LEFT" in said(capsysbinary)[0]
    assert main([*words, "12"]) == 0
    kept = said(capsysbinary)[0].split("Its hash: ")[1][:64]
    log = tmp_path / "bedside.log.jsonl"
    lines = log.read_bytes().splitlines(keepends=True)
    log.write_bytes(lines[0])
    assert main(["log", plan, "--verify"]) == 0
    assert main(["log", plan, "--verify", "--last", kept]) == 1
    assert "entries are missing" in said(capsysbinary)[0]
    log.write_bytes(lines[0].replace(b"11.0", b"12.0") + lines[1])
    assert main(["log", plan, "--verify"]) == 1
    assert "STOP line 1: entry 1 was changed after it was written" in said(capsysbinary)[0]
    assert main([*words, "13"]) == 3
    assert "does not hold together" in said(capsysbinary)[1]


@pytest.mark.parametrize(
    ("words", "code", "hint"),
    [
        ([], 2, "--side"),
        (["--side", "right"], 2, "--role"),
        (["--side", "right", "--role", "Dr Smith"], 2, "operator"),
        (["--side", "right", "--role", "nurse", "--complication", "fever"], 2, "wrong-side"),
        (["--side", "right", "--role", "nurse", "--device", "John Smith"], 3, "device reference"),
        (["--side", "right", "--role", "nurse"], 3, "says nothing"),
        (["--list", "--verify"], 2, "--verify"),
        (["--list", "--side", "right"], 2, "--side"),
        (["--list"], 3, "no log beside"),
    ],
)
def test_what_is_refused(plan, capsysbinary, words, code, hint):
    assert main(["log", plan, *words]) == code
    assert hint in said(capsysbinary)[1]


def test_another_plan_beside_the_log_is_said(plan, capsysbinary):
    words = ["log", plan, "--side", "right", "--role", "nurse", "--half-turns", "9"]
    assert main(words) == 0
    main(["plan", "--nasion-inion-mm", "350", "--side", "right", "--json", plan, "--force"])
    said(capsysbinary)
    assert main(words) == 0
    assert "not any more, the one of every entry" in said(capsysbinary)[0]
