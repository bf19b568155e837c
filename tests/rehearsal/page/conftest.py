"""A page that is served as its users start it, and the exact answers of its first head."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import urllib.request
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[3]


@dataclass(kw_only=True)
class Served:
    """``entrypoint rehearse`` in a process of its own, its data in a folder of the test's."""

    data: Path
    options: tuple[str, ...] = ()
    process: Any = None
    url: str = ""
    said: list[str] = field(default_factory=list)

    def start(self):
        environment = {
            **os.environ,
            "PYTHONPATH": str(ROOT),
            "XDG_DATA_HOME": str(self.data),
            "XDG_CACHE_HOME": str(self.data / "cache"),
            "HOME": str(self.data),
        }
        self.process = subprocess.Popen(
            [sys.executable, "-m", "entrypoint", "rehearse", "--no-browser", *self.options],
            stderr=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            encoding="utf-8",
            env=environment,
            cwd=ROOT,
        )
        line = self.process.stderr.readline()
        self.said.append(line)
        found = re.search(r"http://\S+/", line)
        assert found, line
        self.url = found[0]
        return self

    def kill(self):
        """As a power cut would: no warning, no last words."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(10)
        self.process.stderr.close()

    def get(self, path):
        with urllib.request.urlopen(self.url + path, timeout=20) as answer:
            return json.load(answer)


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    page = Served(data=tmp_path_factory.mktemp("data"), options=("--people", "2")).start()
    yield page
    page.kill()


@pytest.fixture(scope="module")
def truth():
    """Exact answers of the first head, from its formulas: no code under test is in them."""
    from entrypoint.phantoms import build
    from entrypoint.phantoms.truth import exact_answers
    from entrypoint.rehearsal.ladder import ladder_spec

    return exact_answers(build(ladder_spec("adult")), 110.0, 30.0, 15.0, 10.0, step_deg=0.25)
