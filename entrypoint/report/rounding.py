"""Rounding: the only place where a figure loses digits.

What protects rounds down (clearance, thickness, stop), what threatens rounds up (a probability of
harm, a half-width). A probability is a count out of 100 and is never 0 or 100.
"""

from __future__ import annotations

import math
import re

# Half of a 95 % interval in standard deviations of a normal error.
HALF_WIDTH_95 = 1.959964
_DECIMAL = re.compile(r"(?<![\w.])-?\d+\.\d+(?![\d.]| cm)")
_SLACK = 1e-6  # so that 6.3 stored as 6.2999999 stays 6.3


def half_width_mm(sd_mm: float) -> float:
    """Half of the 95 % interval, mm."""
    return HALF_WIDTH_95 * sd_mm


def down(value: float, digits: int = 1) -> float:
    """Round towards minus infinity.

    Examples
    --------
    >>> down(6.38), down(-0.31), down(6.3)
    (6.3, -0.4, 6.3)
    """
    scale = 10.0**digits
    return math.floor(value * scale + _SLACK) / scale + 0.0


def up(value: float, digits: int = 1) -> float:
    """Round towards plus infinity.

    Examples
    --------
    >>> up(0.41), up(0.4)
    (0.5, 0.4)
    """
    scale = 10.0**digits
    return math.ceil(value * scale - _SLACK) / scale + 0.0


def figure_mm(value_mm: float | None, sd_mm: float | None = None, *, lower: bool = True) -> str:
    """A length in mm, with half of its 95 % interval where it is known.

    Parameters
    ----------
    value_mm : float or None
    sd_mm : float or None
        One standard deviation.
    lower : bool
        Round the value down (clearance, thickness); otherwise to the nearest 0.1 mm.

    Examples
    --------
    >>> figure_mm(6.38, 0.21)
    '6.3 ± 0.5 mm'
    >>> figure_mm(None)
    'not known'
    """
    if value_mm is None:
        return "not known"
    value = down(value_mm) if lower else round(value_mm, 1) + 0.0
    if sd_mm is None:
        return f"{value:.1f} mm"
    return f"{value:.1f} ± {up(half_width_mm(sd_mm)):.1f} mm"


def whole_mm(value_mm: float) -> str:
    """A length to hold: whole millimetres, rounded down.

    Examples
    --------
    >>> whole_mm(6.9)
    '6 mm'
    """
    return f"{int(down(value_mm, 0))} mm"


def whole_in(text: str, *, threat: bool = False) -> str:
    """A sentence to hold: its decimal figures whole, but for those in centimetres.

    Parameters
    ----------
    text : str
    threat : bool
        Round up: what the figures tell is an error, and not a clearance.

    Examples
    --------
    >>> whole_in("6.9 mm in front (95 %: 3.2 to 9.1); a tape of 10.5 cm")
    '6 mm in front (95 %: 3 to 9); a tape of 10.5 cm'
    >>> whole_in("known to 1.2 mm", threat=True), whole_in("-0.3 mm in front")
    ('known to 2 mm', '-1 mm in front')
    """
    rounded = up if threat else down
    return _DECIMAL.sub(lambda found: f"{int(rounded(float(found[0]), 0))}", text)


def tape(value_mm: float) -> str:
    """A tape distance in centimetres and millimetres, no trailing zero.

    Examples
    --------
    >>> tape(110.0), tape(106.2), tape(30.0)
    ('11 cm (110 mm)', '10.6 cm (106 mm)', '3 cm (30 mm)')
    """
    mm = math.floor(value_mm + 0.5)
    cm = f"{mm / 10:.1f}".removesuffix(".0")
    return f"{cm} cm ({mm} mm)"


def of_100(probability: float) -> str:
    """A probability of harm as a count out of 100, rounded up, never 0 or 100.

    Examples
    --------
    >>> of_100(0.402), of_100(0.0), of_100(1.0)
    ('about 41 of 100', 'fewer than 1 of 100', 'more than 99 of 100')
    """
    count = int(up(100.0 * probability, 0))
    if probability < 0.01:
        return "fewer than 1 of 100"
    if count >= 100:
        return "more than 99 of 100"
    return f"about {count} of 100"
