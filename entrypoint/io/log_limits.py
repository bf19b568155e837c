"""What a log takes at all: numbers that can be meant, and references that hold no name.

These are not clinical limits. Judgement, no source.
"""

from __future__ import annotations

import math

from entrypoint.errors import FieldRefused
from entrypoint.planning.log_model import Complication, Done, is_device_reference

__all__ = ["LIMITS", "check_done"]

# name: (least, most, unit)
LIMITS: dict[str, tuple[float, float, str]] = {
    "drill_depth_mm": (0.0, 60.0, "mm"),
    "sensor_depth_mm": (0.0, 60.0, "mm"),
    "sensor_from_bolt_top_mm": (1.0, 250.0, "mm"),
    "engagement_mm": (0.0, 30.0, "mm"),
    "half_turns": (0.0, 60.0, "half turns"),
    "zero_reference_mmhg": (-50.0, 50.0, "mmHg"),
    "first_reading_mmhg": (-50.0, 150.0, "mmHg"),
}


def check_done(done: Done) -> None:
    """Refuse what a log does not take.

    Raises
    ------
    FieldRefused

    Examples
    --------
    >>> check_done(Done(sensor_depth_mm=15.0, device_reference="LOT-2201-7"))
    >>> check_done(Done(first_reading_mmhg=1500.0))
    Traceback (most recent call last):
    ...
    entrypoint.errors.FieldRefused: First_reading_mmhg is 1500 mmHg; expected -50 to 150 mmHg; \
check the number and its unit.
    """
    if done.says_nothing():
        raise FieldRefused(
            found="an entry that says nothing",
            expected="at least one field",
            next_step="see entrypoint log --help",
        )
    for name, (least, most, unit) in LIMITS.items():
        value = getattr(done, name)
        if value is not None and not (math.isfinite(value) and least <= value <= most):
            raise FieldRefused(
                found=f"{name} is {value:g} {unit}",
                expected=f"{least:g} to {most:g} {unit}",
                next_step="check the number and its unit",
            )
    reference = done.device_reference
    if reference is not None and not is_device_reference(reference):
        raise FieldRefused(
            found="the device reference is not of the form of one",
            expected="3 to 24 capital letters, digits, full stops, strokes and hyphens, three of "
            "them digits at least",
            next_step="copy the number that is printed on the device's label",
        )
    if done.drill_depth_mm is not None and done.stop_seat is None:
        raise FieldRefused(
            found="a drill depth without what the stop was seated on",
            expected="bone or scalp",
            next_step="name the seat",
        )
    seen = done.complications
    if len(set(seen)) != len(seen):
        raise FieldRefused(
            found="a complication that is named twice",
            expected="each once",
            next_step="name it once",
        )
    if Complication.NONE_NOTED in seen and len(seen) > 1:
        raise FieldRefused(
            found="'none-noted' beside another complication",
            expected="either",
            next_step="leave one of them out",
        )
