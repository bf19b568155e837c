"""The log: a chain that shows changes, torn lines that are told and kept, two writers at once."""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest

from entrypoint.errors import FieldRefused, FileRefused, InputError, OutputRefused
from entrypoint.io.log_file import append_entry, log_path, read_log
from entrypoint.io.log_lines import LOG, line_of, read_lines, sealed
from entrypoint.io.schema import schema_of
from entrypoint.planning.log_model import (
    FIRST,
    Complication,
    Done,
    LogEntry,
    Role,
    is_device_reference,
)
from entrypoint.planning.model import CAVEAT, Seat, Side

ROOT = Path(__file__).resolve().parents[2]


def entry(**changes) -> LogEntry:
    made = LogEntry(
        number=0,
        written="",
        done_at="",
        plan_sha256="ab" * 32,
        plan_name="0123456789",
        side=Side.RIGHT,
        role=Role.OPERATOR,
        done=Done(drill_depth_mm=8.0, stop_seat=Seat.BONE, device_reference="LOT-2201-7"),
        previous="",
        sha256="",
        practice=True,
    )
    return replace(made, **changes)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "plan.log.jsonl"


def filled(path, count=3):
    return [append_entry(path, entry(done=Done(half_turns=float(k))))[0] for k in range(count)]


def test_entries_follow_each_other_and_come_back(path):
    made = filled(path)
    found = read_log(path)
    assert found.entries == tuple(made)
    assert found.faults == found.torn == ()
    assert [e.number for e in made] == [1, 2, 3]
    assert [e.previous for e in made] == [FIRST, made[0].sha256, made[1].sha256]
    assert found.last_sha256 == made[2].sha256
    assert path.stat().st_mode & 0o077 == 0  # for its owner alone


def test_every_line_is_a_record_with_the_caveat_and_fits_the_schema(path):
    filled(path)
    check = jsonschema.Draft202012Validator(schema_of(LOG))
    for line in path.read_text("ascii").splitlines():
        data = json.loads(line)
        check.validate(data)
        assert data["record"] == "entrypoint.log"
        assert data["caveat"] == CAVEAT


def test_it_has_no_field_that_takes_free_text_or_a_person():
    takes_text = {
        name for name, kind in Done.__annotations__.items() if "str" in str(kind)
    }
    assert takes_text == {"device_reference"}
    for name in ("SMITH", "J.SMITH", "JOHN-SMITH", "Smith 123", "lot-123", "A1", "1" * 25, "12 34",
                 "SMITH1970-01-01\n"):  # fmt: skip
        assert not is_device_reference(name), name
    for reference in ("LOT-2201-7", "REF/100.23", "4711", "X12-3"):
        assert is_device_reference(reference)


@pytest.mark.parametrize(
    ("done", "said"),
    [
        (Done(), "says nothing"),
        (Done(drill_depth_mm=8.0), "seated on"),
        (Done(drill_depth_mm=80.0, stop_seat=Seat.BONE), "drill_depth_mm is 80 mm"),
        (Done(first_reading_mmhg=float("nan")), "first_reading_mmhg is nan"),
        (Done(device_reference="Dr Smith"), "device reference"),
        (Done(complications=(Complication.NONE_NOTED, Complication.WRONG_SIDE)), "none-noted"),
        (Done(complications=(Complication.WRONG_SIDE,) * 2), "named twice"),
    ],
)
def test_what_a_log_does_not_take(path, done, said):
    with pytest.raises(FieldRefused, match=f"(?i){said}"):
        append_entry(path, entry(done=done))
    assert not path.exists()


def test_a_time_needs_its_offset_and_is_not_still_to_come(path):
    with pytest.raises(FieldRefused, match="no offset from UTC"):
        append_entry(path, entry(done_at="2026-03-01T14:05"))
    with pytest.raises(FieldRefused, match="still to come"):
        append_entry(path, entry(done_at="2999-01-01T00:00Z"))
    with pytest.raises(FieldRefused, match="is no time"):
        append_entry(path, entry(done_at="yesterday"))
    made, _ = append_entry(path, entry(done_at="2026-03-01T14:05+02:00"))
    assert made.done_at == "2026-03-01T12:05:00Z"


@pytest.mark.parametrize("line", [0, 1, 2])
@pytest.mark.parametrize("change", ["digit", "space", "drop", "twice", "swap", "resealed"])
def test_a_change_shows_and_nothing_more_is_added(path, line, change):
    filled(path)
    lines = path.read_bytes().splitlines(keepends=True)
    if change == "digit":
        lines[line] = lines[line].replace(b'"number":', b'"number": 1', 1)
    elif change == "space":
        lines[line] = lines[line].replace(b",", b", ", 1)
    elif change == "drop":
        del lines[line]
    elif change == "twice":
        lines.insert(line, lines[line])
    elif change == "swap":
        lines[line], lines[line - 1] = lines[line - 1], lines[line]
    else:
        # A forger who makes the entry's own hash anew is shown by the entry after it.
        old = read_log(path).entries[line]
        lines[line] = line_of(sealed(replace(old, done=Done(half_turns=30.0))))
    path.write_bytes(b"".join(lines))
    found = read_log(path)
    if line == 2 and change in ("drop", "resealed"):
        # The end of a log shows nothing by itself: its hash has to be kept elsewhere.
        assert not found.faults
        return
    assert found.faults
    before = path.read_bytes()
    with pytest.raises(FileRefused, match="does not hold together"):
        append_entry(path, entry())
    assert path.read_bytes() == before


def test_an_unfinished_line_is_kept_and_named_by_the_next_entry(path):
    filled(path, 2)
    whole = line_of(sealed(entry(number=3)))
    torn = whole[: len(whole) // 2]
    with path.open("ab") as stream:
        stream.write(torn)
    assert read_log(path).tail == torn
    assert not read_log(path).faults
    made, _ = append_entry(path, entry())
    assert made.number == 3
    assert made.torn is not None
    assert made.torn.n_bytes == len(torn)
    found = read_log(path)
    assert torn + b"\n" in path.read_bytes()
    assert not found.faults
    assert len(found.torn) == 1
    # Whoever changes the kept rest of it is shown too.
    path.write_bytes(path.read_bytes().replace(torn + b"\n", torn[:-1] + b"#\n"))
    assert read_log(path).faults


def test_a_line_that_lacks_only_its_end_is_an_entry(path):
    made = filled(path, 2)
    path.write_bytes(path.read_bytes().rstrip(b"\n"))
    assert read_log(path).entries == tuple(made)
    third, _ = append_entry(path, entry())
    assert third.torn is None
    assert not read_log(path).faults


def test_a_writer_killed_at_any_byte_leaves_a_log_that_goes_on(path):
    made = filled(path, 3)
    content = path.read_bytes()
    start = len(content) - len(line_of(made[2]))
    for cut in sorted({start, start + 1, start + 100, len(content) - 2, len(content) - 1}):
        path.write_bytes(content[:cut])
        found = read_log(path)
        assert not found.faults, cut
        assert len(found.entries) == (3 if cut == len(content) - 1 else 2)
        append_entry(path, entry())
        assert not read_log(path).faults, cut


def test_a_correction_is_a_new_entry_that_names_the_old_one(path):
    filled(path, 2)
    with pytest.raises(FieldRefused, match="no entry 5 to correct"):
        append_entry(path, entry(corrects=5))
    append_entry(path, entry(corrects=1))
    with pytest.raises(FieldRefused, match="corrected by entry 3 already"):
        append_entry(path, entry(corrects=1))
    append_entry(path, entry(corrects=3))
    found = read_log(path)
    assert found.corrected_by == {1: 3, 3: 4}
    assert len(found.entries) == 4


@pytest.mark.parametrize(
    "content",
    [
        b"\x00\xff\xfe\n",
        b"{}\n",
        b"null\n[]\n",
        b"[" * 5000 + b"\n",
        b'{"record":"entrypoint.log","version":2}\n',
        b'{"record":"entrypoint.plan","version":1}\n',
        b'{"a":1,"a":2}\n',
        b'{"record":"entrypoint.log","version":1,"number":NaN}\n',
        b"\n\n\n",
        b"x" * 20_000 + b"\n",
    ],
)
def test_hostile_logs_are_told_and_never_added_to(path, content):
    path.write_bytes(content)
    assert read_log(path).faults
    with pytest.raises(FileRefused):
        append_entry(path, entry())
    assert path.read_bytes() == content


def test_random_damage_never_raises_anything_else(path):
    filled(path, 3)
    content = path.read_bytes()
    draw = random.Random(5)
    for _ in range(120):
        damaged = bytearray(content)
        for _ in range(draw.randint(1, 4)):
            at = draw.randrange(len(damaged))
            if draw.random() < 0.5:
                damaged[at] = draw.randrange(256)
            else:
                del damaged[at : at + draw.randrange(1, 200)]
        found = read_lines(bytes(damaged))
        if bytes(damaged) != content and damaged[-1:] == b"\n":
            assert found.faults


def test_what_is_no_ordinary_file_is_refused(tmp_path):
    folder = tmp_path / "a.log.jsonl"
    folder.mkdir()
    with pytest.raises(InputError):
        append_entry(folder, entry())
    target = tmp_path / "elsewhere"
    target.write_bytes(b"")
    link = tmp_path / "b.log.jsonl"
    link.symlink_to(target)
    with pytest.raises(InputError):
        append_entry(link, entry())
    assert target.read_bytes() == b""
    pipe = tmp_path / "c.log.jsonl"
    os.mkfifo(pipe)
    with pytest.raises(InputError):
        append_entry(pipe, entry())
    with pytest.raises(OutputRefused):
        append_entry(tmp_path / "no" / "folder.log.jsonl", entry())
    with pytest.raises(FileRefused, match="no log beside this plan"):
        read_log(tmp_path / "none.log.jsonl")


def test_the_log_lies_beside_its_plan():
    assert log_path("some/folder/plan.json") == Path("some/folder/plan.log.jsonl")


_WRITER = """
import sys
sys.path.insert(0, sys.argv[1])
from dataclasses import replace
from tests.io.test_log import entry
from entrypoint.io.log_file import append_entry
from entrypoint.planning.log_model import Done
for k in range(int(sys.argv[3])):
    append_entry(sys.argv[2], entry(done=Done(half_turns=float(k))))
"""


def test_two_writers_at_once(path):
    each = 12
    run = [sys.executable, "-c", _WRITER, str(ROOT), str(path), str(each)]
    writers = [subprocess.Popen(run, cwd=ROOT) for _ in range(2)]
    assert [w.wait(timeout=60) for w in writers] == [0, 0]
    found = read_log(path)
    assert not found.faults
    assert not found.torn
    assert [e.number for e in found.entries] == list(range(1, 2 * each + 1))


def test_a_writer_that_is_killed_holds_nobody_up(path):
    run = [sys.executable, "-c", _WRITER, str(ROOT), str(path), "100000"]
    writer = subprocess.Popen(run, cwd=ROOT)
    for _ in range(600):
        if path.exists() and path.stat().st_size > 4000:
            break
        try:
            writer.wait(timeout=0.1)
        except subprocess.TimeoutExpired:
            continue
        break
    writer.kill()
    writer.wait(timeout=30)
    append_entry(path, entry())
    assert not read_log(path).faults
