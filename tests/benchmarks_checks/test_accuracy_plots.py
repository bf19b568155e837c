"""The page of plots of an accuracy run."""

from __future__ import annotations

import numpy as np
from PIL import Image

from tests.benchmarks.accuracy.plots import _CELLS, plot
from tests.benchmarks_checks.made import refused


def orange(path):
    """Number of pixels in the colour of a coverage under 85 %."""
    with Image.open(path) as image:
        pixels = np.asarray(image.convert("RGB"), dtype=int)
    colour = 255.0 * np.array(_CELLS(0)[:3])
    return int((np.abs(pixels - colour).max(axis=2) < 12).sum())


def test_a_page_of_plots_is_small_and_shows_a_stratum_that_is_not_covered(rows, tmp_path):
    rows = [refused(rows[0]), *rows[1:]]
    for row in rows[1:]:
        for side in row["sides"].values():
            side["scalp_sd_mm"] *= 0.4
    path = tmp_path / "flawed.png"
    plot(rows, path, title="flawed")
    assert path.stat().st_size < 400_000
    # one row of cells in every column of panels; an honest run has at most the square of the legend
    assert orange(path) > 20_000
