"""Attempts are kept whole: killed, two at once, deleted, exported, damaged."""

from __future__ import annotations

import csv
import json
import os
import signal
import sqlite3
import subprocess
import sys
import time

import pytest

from entrypoint.errors import FieldRefused, FileRefused, OutputRefused
from entrypoint.planning.model import CAVEAT
from entrypoint.rehearsal.store import Store, default_path


def made(entry_mm=4.0, front=3.0, right=2.0, *, practice=True, fails=(), verdict="agrees"):
    """A score as plain values, as far as the store looks at it."""
    offset = {"along_scalp_mm": entry_mm, "front_back_mm": front, "left_right_mm": right}
    return {
        "head": {"key": "random:7", "seed": 7},
        "practice": practice,
        "side": "right",
        "hand": {
            "nasion": None,
            "by_eye": None,
            "entry": offset,
            "tilt_deg": 2.5,
            "past_inner_mm": -0.5,
            "tip_error_mm": None,
            "margins": [{"broken_by_mm": 0.0}, {"broken_by_mm": 1.5}, {"broken_by_mm": None}],
        },
        "judgement": {"decision": "go", "verdict": verdict, "failed": bool(fails),
                      "fails": list(fails)},
        "seconds": {"total": 12.0},
    }  # fmt: skip


@pytest.fixture
def store(tmp_path):
    return Store(tmp_path / "a" / "kept.sqlite3")


def test_what_is_added_comes_back(store):
    assert store.attempts() == []
    number = store.add("  Kim  7 ", "random:7", "Week 3", {"side": "right"}, made(fails=("x",)))
    store.add(12, "ladder:adult", None, {}, made(practice=False))
    first, second = store.attempts()
    assert (first.number, first.person, first.head_key, first.head_seed) == (
        number, "Kim 7", "random:7", 7,
    )  # fmt: skip
    assert (first.session, first.failed, first.fails) == ("Week 3", True, ("x",))
    assert (first.entry_mm, first.entry_front_back_mm, first.entry_left_right_mm) == (4, 3, 2)
    assert (first.nasion_mm, first.tip_error_mm, first.margins_broken) == (None, None, 1)
    assert first.marks == {"side": "right"}
    assert first.score == made(fails=("x",))
    assert not second.practice
    assert store.people() == ["12", "Kim 7"]
    assert [a.number for a in store.attempts("Kim 7")] == [number]
    assert len(Store(store.path).attempts()) == 2


def test_a_name_that_is_none_is_refused_and_nothing_is_kept(store):
    for name in ("", "  ", "x" * 41, "a\x1b[2J", None, True, 3.5):
        with pytest.raises(FieldRefused, match="name is empty"):
            store.add(name, "random:7", None, {}, made())
    with pytest.raises(FieldRefused, match=r"(?i)an attempt of"):
        store.add("a", "random:7", None, {"x": "y" * 2**20}, made())
    assert store.attempts() == []


_WRITER = """
import sys, time
sys.path.insert(0, {root!r})
from entrypoint.rehearsal.store import Store
from tests.rehearsal.test_store import made
store = Store({path!r})
print("ready", flush=True)
for k in range({count}):
    number = store.add({name!r}, "random:7", None, {{"k": k}}, made(float(k)))
    print(number, flush=True)
"""


def writer(path, name, count):
    root = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
    code = _WRITER.format(root=root, path=str(path), name=name, count=count)
    return subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, encoding="utf-8")


def test_killed_while_it_writes_it_keeps_what_was_revealed(store):
    told = []
    with writer(store.path, "a", 100_000) as child:
        assert child.stdout.readline() == "ready\n"
        for _ in range(8):
            told.append(int(child.stdout.readline()))
        child.send_signal(signal.SIGKILL)
        told += [int(line) for line in child.stdout.read().split("\n")[:-1]]
    kept = Store(store.path).attempts()
    # All that was said to be kept, and at most one more that was not yet said to be.
    assert [a.number for a in kept][: len(told)] == told
    assert len(told) <= len(kept) <= len(told) + 1
    assert all(a.score == made(float(k)) for k, a in enumerate(kept))
    store.add("b", "random:7", None, {}, made())


def test_an_error_in_the_middle_of_an_attempt_leaves_nothing(store):
    def half():
        with store._open() as db:
            db.execute("INSERT INTO attempt (at_utc, person, head_key, practice, side, verdict,"
                       " margins_broken, failed, fails, total_s, tool_version, marks_json,"
                       " score_json) VALUES ('', 'a', '', 1, '', '', 0, 0, '', 0, '', '{}', '{}')")
            assert db.execute("SELECT count(*) FROM attempt").fetchone() == (1,)
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        half()
    assert store.attempts() == []


def test_two_processes_at_once(store):
    with writer(store.path, "a", 15) as one, writer(store.path, "b", 15) as other:
        for child in (one, other):
            child.stdout.read()
            assert child.wait() == 0
    kept = store.attempts()
    assert len(kept) == 30
    assert len({a.number for a in kept}) == 30
    for name in ("a", "b"):
        assert [a.marks["k"] for a in store.attempts(name)] == list(range(15))


def test_a_process_that_never_lets_go_is_named(store, monkeypatch):
    monkeypatch.setattr("entrypoint.rehearsal.store._WAIT_S", 0.2)
    held = sqlite3.connect(store.path, isolation_level=None)
    held.execute("BEGIN EXCLUSIVE")
    start = time.monotonic()
    with pytest.raises(OutputRefused, match=r"(?i)another process"):
        store.add("a", "random:7", None, {}, made())
    assert time.monotonic() - start < 10.0
    held.execute("ROLLBACK")
    held.close()
    store.add("a", "random:7", None, {}, made())


def test_deleted_is_gone_from_the_file_too(store):
    for _ in range(3):
        store.add("Rumpelstiltskin", "random:7", None, {}, made())
    assert b"Rumpelstiltskin" in store.path.read_bytes()
    assert store.delete_all() == 3
    assert store.attempts() == []
    left = [p for p in store.path.parent.iterdir() if b"Rumpel" in p.read_bytes()]
    assert left == []
    assert store.delete_all() == 0
    store.add("a", "random:7", None, {}, made())
    assert len(store.attempts()) == 1


def test_exports_hold_everything_and_the_caveat(store):
    store.add("=cmd()", "random:7", None, {}, made(4.25))
    store.add("Zoë, 7", "ladder:adult", "Week 3", {}, made(fails=("wrong side", "wrong seat")))
    text = store.export_csv()
    assert text.startswith(f"# {CAVEAT}\n# PRACTICE HEAD, NOT A PATIENT\n")
    rows = list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))
    assert [row["person"] for row in rows] == ["'=cmd()", "Zoë, 7"]
    assert rows[0]["entry_mm"] == "4.250"
    assert rows[0]["nasion_mm"] == ""
    assert rows[1]["fails"] == "wrong side;wrong seat"
    record = json.loads(store.export_json())
    assert record["caveat"] == CAVEAT
    assert record["attempts"][1]["score"] == made(fails=("wrong side", "wrong seat"))
    assert len(json.loads(store.export_json("Zoë, 7"))["attempts"]) == 1


def test_a_file_of_another_kind_or_of_a_newer_version_is_refused(tmp_path):
    path = tmp_path / "kept.sqlite3"
    path.write_bytes(b"not a store " * 100)
    with pytest.raises(FileRefused, match="no store of attempts"):
        Store(path)
    assert path.read_bytes() == b"not a store " * 100
    newer = tmp_path / "newer.sqlite3"
    Store(newer)
    db = sqlite3.connect(newer)
    db.execute("PRAGMA user_version = 99")
    db.close()
    with pytest.raises(FileRefused, match="version 99"):
        Store(newer)
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputRefused, match="folder of kept attempts"):
        Store(tmp_path / "file" / "kept.sqlite3")
    with pytest.raises(OutputRefused):
        Store(tmp_path)


def test_by_default_it_lies_in_the_users_data_folder(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert default_path() == tmp_path / "entrypoint" / "rehearsal.sqlite3"
