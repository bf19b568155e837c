"""The range within which a typed number is taken at all: a slip of unit or of a finger is refused.

These are not clinical limits (those are findings with a source): they are the widest values that
could be meant. Judgement, no source.
"""

from __future__ import annotations

import math

from entrypoint.errors import FieldRefused
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
