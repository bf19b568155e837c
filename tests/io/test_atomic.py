"""Writing whole or not at all, overwriting nothing, also when killed half-way."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time

import pytest

from entrypoint.errors import OutputRefused
from entrypoint.io import atomic
from entrypoint.io.atomic import check_target, write_bytes, write_text


def test_new_file_and_replacement(tmp_path):
    path = tmp_path / "a.txt"
    write_text(path, "first ±")
    assert path.read_text(encoding="utf-8") == "first ±"
    with pytest.raises(OutputRefused, match=r"'a.txt' exists already"):
        write_text(path, "second")
    assert path.read_text(encoding="utf-8") == "first ±"
    write_text(path, "second", force=True)
    assert path.read_text(encoding="utf-8") == "second"
    assert os.listdir(tmp_path) == ["a.txt"]


def test_what_cannot_be_written_is_refused_before_and_leaves_nothing(tmp_path):
    for target, words in (
        (tmp_path, "directory"),
        (tmp_path / "no" / "a", "folder does not exist"),
        ("/dev/null", "not an ordinary file"),
        (tmp_path / "a\0b", "cannot be used"),
    ):
        with pytest.raises(OutputRefused, match=words):
            check_target(target, force=True)
    link = tmp_path / "dangling"
    link.symlink_to(tmp_path / "nowhere")
    with pytest.raises(OutputRefused, match="not an ordinary file"):
        write_text(link, "x")


def test_a_folder_that_may_not_be_written_to(tmp_path, monkeypatch):
    monkeypatch.setattr(atomic.os, "access", lambda *_: False)
    with pytest.raises(OutputRefused, match="may not be written to"):
        write_text(tmp_path / "a", "x")
    assert os.listdir(tmp_path) == []


def test_a_full_disk_leaves_the_old_file(tmp_path, monkeypatch):
    path = tmp_path / "a"
    path.write_text("old")

    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(atomic.os, "fsync", full)
    with pytest.raises(OutputRefused, match="could not be written"):
        write_text(path, "new", force=True)
    assert path.read_text(encoding="utf-8") == "old"
    assert os.listdir(tmp_path) == ["a"]


def test_a_file_that_appears_meanwhile_is_not_overwritten(tmp_path, monkeypatch):
    path = tmp_path / "a"
    real = atomic.os.fsync

    def meanwhile(descriptor):
        path.write_text("another's")
        real(descriptor)

    monkeypatch.setattr(atomic.os, "fsync", meanwhile)
    with pytest.raises(OutputRefused, match="exists already"):
        write_text(path, "mine")
    assert path.read_text(encoding="utf-8") == "another's"
    assert os.listdir(tmp_path) == ["a"]


def test_without_hard_links_still_nothing_is_overwritten(tmp_path, monkeypatch):
    def no_links(*_):
        raise OSError(1, "Operation not permitted")

    monkeypatch.setattr(atomic.os, "link", no_links)
    write_text(tmp_path / "a", "x")
    with pytest.raises(OutputRefused, match="exists already"):
        write_text(tmp_path / "a", "y")


@pytest.mark.parametrize("delay_s", [0.0, 0.004, 0.02, 0.05])
def test_killed_at_any_moment_the_old_or_the_new_is_there(tmp_path, delay_s):
    path = tmp_path / "a"
    old, new = b"o" * 3_000_000, b"n" * 3_000_000
    write_bytes(path, old)
    code = (
        "import sys\n"
        "from entrypoint.io.atomic import write_bytes\n"
        "print('go', flush=True)\n"
        "while True:\n"
        "    write_bytes(sys.argv[1], b'n' * 3_000_000, force=True)\n"
        "    write_bytes(sys.argv[1], b'o' * 3_000_000, force=True)\n"
    )
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    with subprocess.Popen(
        [sys.executable, "-c", code, str(path)], stdout=subprocess.PIPE, env=environment
    ) as run:
        assert run.stdout.readline() == b"go\n"
        time.sleep(delay_s)
        run.send_signal(signal.SIGKILL)
        run.wait(10)
    assert path.read_bytes() in (old, new)
