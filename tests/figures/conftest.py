"""The sites of the adult sample, read once for every test that draws them."""

from __future__ import annotations

import pytest

from entrypoint import Side
from entrypoint.figures.site import read_sites


@pytest.fixture(scope="session")
def adult_sites(adult):
    return read_sites(adult.plan, adult.loaded.volume, (Side.RIGHT, Side.LEFT))
