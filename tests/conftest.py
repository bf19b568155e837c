"""Sample heads and their plans, read and planned once for all tests that look at them."""

from __future__ import annotations

import json
import os
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

from tests.browser import chromium, open_page

__all__ = ["chromium", "open_page"]  # fixtures of every test of a page

# Small matrix products on many threads spend their time waiting for each other: the suite takes
# twice as long. Set before the library is loaded; children of the tests set their own.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

# How long one example takes is the machine's matter: a busy one is no failure.
settings.register_profile("unhurried", settings(), deadline=None)
settings.load_profile("unhurried")

SAMPLES = Path(__file__).resolve().parent.parent / "sample_volumes"


class Sample:
    """One shipped sample: its volume, its landmarks, its true answers and its plan."""

    def __init__(self, name: str) -> None:
        from entrypoint import api

        self.name = name
        self.path = SAMPLES / f"{name}.nii.gz"
        self.landmarks_path = SAMPLES / f"{name}.landmarks.json"
        self.loaded = api.read_volume(self.path)
        self.volume = self.loaded.volume.canonical()
        self.truth: dict[str, Any] = json.loads((SAMPLES / f"{name}.truth.json").read_text())
        self.landmarks = api.read_landmarks(self.landmarks_path)
        self.plan = api.plan_ct(self.loaded)


@cache
def _sample(name: str) -> Sample:
    return Sample(name)


@pytest.fixture(scope="session", params=["adult", "small-head", "haematoma"])
def sample(request: pytest.FixtureRequest) -> Sample:
    return _sample(request.param)


@pytest.fixture(scope="session")
def adult() -> Sample:
    return _sample("adult")


@pytest.fixture(scope="session")
def small_head() -> Sample:
    return _sample("small-head")


@pytest.fixture(scope="session")
def haematoma() -> Sample:
    return _sample("haematoma")
