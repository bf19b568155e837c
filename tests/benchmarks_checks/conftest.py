"""A run of honest heads."""

from __future__ import annotations

import pytest

from tests.benchmarks_checks.made import a_row

SLICES = (0.5, 1.0, 1.25)


@pytest.fixture
def rows():
    """Honest heads: 180, sixty a slice thickness, every third with something planted."""
    return [
        a_row(7000 + i, SLICES[i % 3], ("thin",) if i % 9 < 3 else ()) for i in range(180)
    ]
