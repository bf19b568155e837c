"""Colours and kinds: contrast as WCAG 2.1 AA has it, apart for every eye, and never alone."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from matplotlib.colors import to_rgb

from entrypoint.figures.page import _PLATE_ALPHA
from entrypoint.figures.style import (
    BANNER_INK,
    BANNER_PAPER,
    DARK,
    KINDS,
    LIGHT,
    MARKS,
    PICTURE,
    UNSEEN,
    contrast_ratio,
)

COLOURED = ("path", "tip", "suture", "plane", "margin")
# Full loss of one kind of cone, on linear RGB (Machado, Oliveira and Fernandes 2009, from memory).
LOSSES = {
    "none": np.eye(3),
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
               [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
               [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
               [0.004733, 0.691367, 0.303900]],
}  # fmt: skip


@pytest.mark.parametrize(
    ("one", "other", "ratio"),
    [("#000000", "#ffffff", 21.0), ("#0000ff", "#ffffff", 8.59), ("#767676", "#ffffff", 4.54)],
)
def test_contrast_is_what_the_standard_gives(one, other, ratio):
    # Check row 6.3.
    assert contrast_ratio(one, other) == pytest.approx(ratio, abs=0.005)
    assert contrast_ratio(other, one) == contrast_ratio(one, other)


@pytest.mark.parametrize("palette", [LIGHT, DARK])
def test_text_and_graphics_have_contrast(palette):
    for name in ("ink", "quiet"):
        assert contrast_ratio(getattr(palette, name), palette.paper) >= 4.5
        assert contrast_ratio(getattr(palette, name), palette.faint) >= 4.5
    for kind in (*KINDS.values(), *MARKS.values()):
        assert contrast_ratio(getattr(palette, kind.colour), palette.paper) >= 3.0
    assert contrast_ratio(BANNER_INK, BANNER_PAPER) >= 4.5


def test_text_on_a_scan_has_contrast_whatever_lies_under_its_plate():
    for under in (0.0, 1.0):
        grey = (1.0 - _PLATE_ALPHA) * under
        plate = f"#{round(255 * grey):02x}" * 1 + f"{round(255 * grey):02x}" * 2
        assert contrast_ratio(PICTURE.ink, plate) >= 4.5
    # Lines on a scan run in a black rim: it is the rim that they stand out from.
    for kind in (*KINDS.values(), *MARKS.values()):
        assert contrast_ratio(getattr(PICTURE, kind.colour), "#000000") >= 4.5
    assert contrast_ratio(UNSEEN, "#000000") >= 3.0


def lab(colour, loss):
    """CIE 1976 L*a*b* (D65) of a colour as an eye with a loss has it."""
    rgb = np.array(to_rgb(colour))
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    linear = np.clip(np.array(LOSSES[loss]) @ linear, 0.0, 1.0)
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722],
                       [0.0193, 0.1192, 0.9505]])  # fmt: skip
    f = (to_xyz @ linear) / np.array([0.9505, 1.0, 1.089])
    f = np.where(f > 0.008856, np.cbrt(f), 7.787 * f + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("loss", LOSSES)
@pytest.mark.parametrize("palette", [LIGHT, DARK])
def test_kinds_stay_apart_for_every_eye(palette, loss):
    for one, other in itertools.combinations(COLOURED, 2):
        a, b = (lab(getattr(palette, name), loss) for name in (one, other))
        assert np.linalg.norm(a - b) > 20.0, (one, other)


def test_meaning_is_never_by_colour_alone():
    assert len({m.marker for m in MARKS.values()}) == len(MARKS)
    looks = [(str(k.dash), k.width_pt) for k in KINDS.values() if k.key != "S"]
    assert len(set(looks)) == len(looks)
    dashed = {name for name, kind in KINDS.items() if kind.dash != "-"}
    assert {"before", "plane", "suture-unseen", "margin", "area", "kept"} <= dashed
