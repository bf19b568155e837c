"""One practice head and its plates, drawn once for all tests that look at them."""

from __future__ import annotations

import pytest

from entrypoint import Side
from entrypoint.figures.teach.head import practice_head, scanned_head
from entrypoint.figures.teach.plates import lessons
from entrypoint.io.nifti import read_nifti
from tests.conftest import SAMPLES


@pytest.fixture(scope="session")
def head():
    return practice_head()


@pytest.fixture(scope="session")
def drawn(head):
    return {lesson.name: lesson for lesson in lessons(head)}


@pytest.fixture(scope="session")
def forms(head):
    return {lesson.name: lesson for lesson in lessons(head, blank=True)}


@pytest.fixture(scope="session")
def scan():
    return read_nifti(SAMPLES / "small-head.nii.gz")


@pytest.fixture(scope="session")
def left_on_dark(scan):
    """A head whose point is too near the suture, from the other side, on the other ground."""
    other = scanned_head(scan, Side.LEFT)
    return {lesson.name: lesson for lesson in lessons(other, ground="dark")}
