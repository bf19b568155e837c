"""The range within which a typed number is taken at all: a slip of unit or of a finger is refused.

These are not clinical limits (those are findings with a source): they are the widest values that
could be meant. Judgement, no source.
"""

from __future__ import annotations

import math

from entrypoint.errors import FieldRefused
from entrypoint.planning.hand_draws import FEWEST_DRAWS, MOST_DRAWS
from entrypoint.planning.hand_model import HandOptions
from entrypoint.planning.model import Rule

# name: (least, most, unit)
RANGES: dict[str, tuple[float, float, str]] = {
    "midline_arc_mm": (40.0, 200.0, "mm"),
    "lateral_arc_mm": (5.0, 80.0, "mm"),
    "suture_margin_mm": (0.0, 60.0, "mm"),
    "midline_margin_mm": (0.0, 60.0, "mm"),
    "sinus_margin_mm": (0.0, 30.0, "mm"),
    "sensor_depth_mm": (1.0, 60.0, "mm"),
    "drill_allowance_mm": (0.0, 5.0, "mm"),
    "bolt_length_mm": (5.0, 150.0, "mm"),
    "engagement_mm": (0.5, 30.0, "mm"),
    "thread_pitch_mm": (0.1, 5.0, "mm"),
    "interpupillary_mm": (35.0, 90.0, "mm"),
    "nasion_inion_mm": (200.0, 480.0, "mm"),
    "tragus_tragus_mm": (200.0, 480.0, "mm"),
    "circumference_mm": (350.0, 750.0, "mm"),
}

# Standard deviations of a hand, by the unit that ends their name.
SPREADS: dict[str, tuple[float, float, str]] = {
    "mm": (0.0, 20.0, "mm"),
    "deg": (0.0, 20.0, "degrees"),
    "share": (0.0, 0.1, "of the length"),
}
_MOST_PAST_MM = 10.0
_MOST_SEED = 2**53  # JSON readers keep whole numbers up to here


def out_of_range(name: str, value: float) -> tuple[str, str] | None:
    """What was found and what was expected, or nothing if the value can be meant.

    Parameters
    ----------
    name : str
        A key of ``RANGES``.
    value : float

    Examples
    --------
    >>> out_of_range("interpupillary_mm", 640.0)
    ('640 mm', '35 to 90 mm (64 mm?)')
    """
    least, most, unit = RANGES[name]
    if math.isfinite(value) and least <= value <= most:
        return None
    hint = ""
    for factor in (0.1, 10.0):
        if math.isfinite(value) and least <= value * factor <= most:
            hint = f" ({value * factor:g} {unit}?)"
            break
    return f"{value:g} {unit}", f"{least:g} to {most:g} {unit}{hint}"


def check_rule(rule: Rule) -> None:
    """Refuse a rule that holds a number which cannot be meant.

    Raises
    ------
    FieldRefused
    """
    for name in RANGES:
        value = getattr(rule, name, None)
        if value is not None:
            check_value(name, value)


def check_value(name: str, value: float) -> None:
    """Refuse one number that cannot be meant.

    Raises
    ------
    FieldRefused
    """
    found = out_of_range(name, value)
    if found is not None:
        raise FieldRefused(
            found=f"{name} is {found[0]}", expected=found[1], next_step="check the unit"
        )


def check_hand(options: HandOptions) -> None:
    """Refuse simulated placements with a number that cannot be meant.

    Raises
    ------
    FieldRefused
    """
    for name in options.spreads.__slots__:
        least, most, unit = SPREADS[name.rsplit("_", 1)[-1]]
        _within(f"the spread {name}", getattr(options.spreads, name), least, most, unit)
    _within("past_inner_mm", options.past_inner_mm, 0.0, _MOST_PAST_MM, "mm")
    _within("the number of draws", options.draws, FEWEST_DRAWS, MOST_DRAWS, "draws")
    _within("the seed", options.seed, 0, _MOST_SEED, "")


def _within(name: str, found: float, least: float, most: float, unit: str) -> None:
    if not least <= found <= most:
        raise FieldRefused(
            found=f"{name} is {found:g} {unit}".rstrip(),
            expected=f"{least:g} to {most:g} {unit}".rstrip(),
            next_step="check the number and its unit",
        )
