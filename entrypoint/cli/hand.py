"""The options of ``entrypoint plan --hand``, from what was typed."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import typer

if TYPE_CHECKING:
    from entrypoint.planning.hand_model import HandOptions

_WITH_HAND = {"draws": "--draws", "seed": "--seed", "spread": "--spread",
              "past_inner_mm": "--past-inner-mm"}  # fmt: skip


def hand_options(typed: dict[str, Any]) -> HandOptions | None:
    """Options of the simulated placements; None where none were asked for."""
    given = {name: typed[name] for name in _WITH_HAND if typed[name] not in (None, [])}
    if not typed["hand"]:
        for name in given:
            raise typer.BadParameter("Only together with --hand.", param_hint=_WITH_HAND[name])
        return None
    from entrypoint.errors import FieldRefused
    from entrypoint.io.limits import check_hand
    from entrypoint.planning.hand_model import HandOptions, HandSpreads

    named = dict(_spread(text) for text in given.pop("spread", []))
    unknown = sorted(set(named) - set(HandSpreads.__dataclass_fields__))
    if unknown:
        raise typer.BadParameter(
            f"There is no spread named {unknown[0]!r}; there are "
            f"{', '.join(HandSpreads.__dataclass_fields__)}.",
            param_hint="--spread",
        )
    options = HandOptions(spreads=HandSpreads(**named), **given)
    try:
        check_hand(options)
    except FieldRefused as refused:
        raise typer.BadParameter(str(refused), param_hint="--hand") from None
    return options


def _spread(text: str) -> tuple[str, float]:
    name, _, number = text.partition("=")
    try:
        found = float(number)
    except ValueError:
        found = math.nan
    if not math.isfinite(found):
        raise typer.BadParameter(
            f"{text!r} is not NAME=NUMBER, as in mark_mm=1.5.", param_hint="--spread"
        )
    return name.strip().replace("-", "_"), found
