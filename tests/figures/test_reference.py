"""Two pictures against kept ones, as an eye would compare them.

After a change that is meant: ``python -m tests.figures.test_reference`` makes them again.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from scipy import ndimage

from entrypoint import Rule, Side, api
from entrypoint.figures.section import section_along_path
from entrypoint.figures.style import Ground, Style
from entrypoint.figures.tape import tape_picture
from tests.conftest import _sample
from tests.figures.looking import pixels

KEPT = Path(__file__).with_name("reference")
DPI = 45
_BLUR_PX, _MEAN, _WORST = 1.5, 1.5, 60.0  # of 255


def tape():
    return tape_picture(api.plan_tape({"nasion_inion_mm": 360.0}, rule=Rule(), sides=[Side.RIGHT]))


def section():
    head = _sample("adult")
    return section_along_path(
        head.plan, head.loaded.volume, Side.LEFT, Style(ground=Ground.DARK)
    )


FIGURES = {"tape": tape, "section": section}


def seen(picture):
    """Blurred lightness: what stays when letters are a shade thicker or a line half a pixel off."""
    grey = np.asarray(picture, dtype=float) @ np.array([0.299, 0.587, 0.114])
    return ndimage.gaussian_filter(grey, _BLUR_PX)


@pytest.mark.parametrize("name", FIGURES)
def test_a_picture_looks_as_it_was_kept(name):
    kept = np.asarray(Image.open(KEPT / f"{name}.png").convert("RGB"))
    drawn = pixels(FIGURES[name](), dpi=DPI)
    assert drawn.shape == kept.shape
    apart = np.abs(seen(drawn) - seen(kept))
    assert apart.mean() < _MEAN
    assert apart.max() < _WORST
    # A picture turned or emptied would not pass.
    assert np.abs(seen(drawn[:, ::-1]) - seen(kept)).mean() > 4.0 * _MEAN
    assert drawn.std() > 20.0


if __name__ == "__main__":
    KEPT.mkdir(exist_ok=True)
    for key, make in FIGURES.items():
        Image.fromarray(pixels(make(), dpi=DPI)).quantize(64).save(
            KEPT / f"{key}.png", optimize=True
        )
