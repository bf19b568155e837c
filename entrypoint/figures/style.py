"""How pictures look: grounds, colours of our own, kinds of line and mark, and contrast.

No colour means anything by itself: every kind of line has a pattern and every kind of point a
shape of its own. Hues were chosen so that the kinds that meet in one picture stay apart in
lightness or hue for the common kinds of colour vision; a test computes that.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

__all__ = [
    "DARK",
    "KINDS",
    "LIGHT",
    "MARKS",
    "PALETTES",
    "PICTURE",
    "Ground",
    "Kind",
    "Labels",
    "Mark",
    "Palette",
    "Style",
    "contrast_ratio",
]

Dash = Any  # what the drawing library takes for a line pattern


class Ground(StrEnum):
    """What a picture is drawn on."""

    LIGHT = "light"
    DARK = "dark"


class Labels(StrEnum):
    """How much is written on a picture, beside what every picture must say."""

    OFF = "off"
    SHORT = "short"
    FULL = "full"


@dataclass(frozen=True, slots=True, kw_only=True)
class Palette:
    """Colours on one ground."""

    paper: str
    ink: str  # text and axes
    quiet: str  # less weighty text, grid lines
    faint: str  # fills that lie under everything
    path: str
    tip: str
    suture: str
    plane: str
    margin: str
    area: str


LIGHT = Palette(
    paper="#ffffff", ink="#1c1e22", quiet="#565b63", faint="#e9e6df",
    path="#cc5a14", tip="#5f0c30", suture="#123a8c", plane="#3f958f", margin="#8f2fd0",
    area="#1c1e22",
)  # fmt: skip
DARK = Palette(
    paper="#15181d", ink="#f3f1ec", quiet="#b3b7be", faint="#2b3038",
    path="#d98a2c", tip="#e83f8f", suture="#b4cbff", plane="#58f0b4", margin="#9a62ff",
    area="#f3f1ec",
)  # fmt: skip
PALETTES = {Ground.LIGHT: LIGHT, Ground.DARK: DARK}
# A CT is shown in greys with air black: marks on it are light, on either ground.
PICTURE = DARK
UNSEEN = "#6d6a64"  # what the scan does not show
BANNER_PAPER, BANNER_INK = "#f7d75c", "#1c1e22"


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """How one kind of line is drawn, and its short name."""

    colour: str  # field of the palette
    dash: Dash
    width_pt: float
    key: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """How one kind of point is drawn, and its short name."""

    marker: str
    colour: str  # field of the palette
    size_pt: float
    key: str


KINDS = {
    "path": Kind(colour="path", dash="-", width_pt=2.2, key="P"),
    "before": Kind(colour="path", dash=(0, (4, 2)), width_pt=1.8, key="P"),
    "plane": Kind(colour="plane", dash=(0, (10, 3, 2, 3)), width_pt=1.7, key="M"),
    "suture": Kind(colour="suture", dash="-", width_pt=2.0, key="S"),
    "suture-unseen": Kind(colour="suture", dash=(0, (7, 4)), width_pt=2.0, key="S?"),
    "margin": Kind(colour="margin", dash=(0, (1, 1.6)), width_pt=2.2, key="R"),
    "area": Kind(colour="area", dash=(0, (6, 3)), width_pt=2.0, key="W"),
    "end": Kind(colour="quiet", dash="-", width_pt=0.9, key=""),
    "kept": Kind(colour="area", dash=(0, (2.5, 2)), width_pt=1.4, key="W95"),
}
MARKS = {
    "entry": Mark(marker="o", colour="path", size_pt=9.0, key="E"),
    "tip": Mark(marker="D", colour="tip", size_pt=8.0, key="T"),
    "suture": Mark(marker="^", colour="suture", size_pt=9.0, key="S"),
    "nasion": Mark(marker="v", colour="plane", size_pt=9.0, key="N"),
    "inion": Mark(marker="s", colour="plane", size_pt=8.0, key="I"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Style:
    """Ground, labels and size of a picture.

    Parameters
    ----------
    ground : Ground
    labels : Labels
        Off: only what every picture must say. Short: figures, and letters for names.
    size_ratio : float
        Size against the picture's own: lines and letters grow with it.
    """

    ground: Ground = Ground.LIGHT
    labels: Labels = Labels.FULL
    size_ratio: float = 1.0

    @property
    def palette(self) -> Palette:
        """Colours on this ground."""
        return PALETTES[self.ground]


def contrast_ratio(one: str, other: str) -> float:
    """Contrast of two colours as WCAG 2.1 defines it (check row 6.3).

    Parameters
    ----------
    one, other : str
        ``#rrggbb``.

    Examples
    --------
    >>> round(contrast_ratio("#000000", "#ffffff"), 2)
    21.0
    >>> round(contrast_ratio("#0000ff", "#ffffff"), 2), round(contrast_ratio("#767676", "#fff"), 2)
    (8.59, 4.54)
    """
    bright, dim = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (bright + 0.05) / (dim + 0.05)


def _luminance(colour: str) -> float:
    digits = colour.lstrip("#")
    if len(digits) == 3:
        digits = "".join(2 * d for d in digits)
    channels = [int(digits[i : i + 2], 16) / 255.0 for i in (0, 2, 4)]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
