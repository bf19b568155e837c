"""How practice goes on, in the form in which the progress page draws it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from entrypoint.rehearsal.keys import check_key
from entrypoint.rehearsal.statistics import bias_and_scatter, learning_curve, what_next
from entrypoint.report.rounding import figure_mm

if TYPE_CHECKING:
    from entrypoint.rehearsal.session import Session
    from entrypoint.rehearsal.store import Attempt

__all__ = ["head_title", "progress_json"]

_ELLIPSE_POINTS = 73


def head_title(key: str) -> str:
    """What a head is called, from its key.

    Examples
    --------
    >>> head_title("random:7"), head_title("volume:ab12")
    ('Random head 7', 'Scan ab12')
    """
    kind, _, name = key.partition(":")
    if kind == "volume":
        return f"Scan {name}".rstrip()
    found = check_key(key)
    return f"Random head {found}" if isinstance(found, int) else found.title


def progress_json(attempts: Sequence[Attempt], session: Session | None) -> dict[str, Any]:
    """Curve, bias and scatter, what to practise next, and every attempt of one person."""
    curves = learning_curve(attempts)
    entry = curves.get("entry_mm")
    return {
        "next": what_next(attempts),
        "curve_words": "" if entry is None else entry.words,
        "lately": [] if entry is None else [p.median_lately for p in entry.points],
        "pass_mm": None if session is None else session.pass_marks.entry_mm,
        "bias": _bias(attempts),
        "attempts": [_row(attempt) for attempt in attempts],
    }


def _bias(attempts: Sequence[Attempt]) -> dict[str, Any]:
    marks = [xy for a in attempts if (xy := _xy(a)) is not None]
    if not marks:
        return {"words": "No entry was marked yet.", "mean_mm": None, "ellipse_mm": None}
    found = bias_and_scatter(marks)
    right, front = found.mean_mm
    words = (
        f"{found.n} {'entry' if found.n == 1 else 'entries'} on all heads. Bias, the mean of all: "
        f"{figure_mm(abs(front), lower=False)} {'in front of' if front >= 0 else 'behind'} the "
        f"true point and {figure_mm(abs(right), lower=False)} towards the PATIENT'S "
        f"{'RIGHT' if right >= 0 else 'LEFT'}."
    )
    if found.circular_error_mm is not None:
        words += (
            " Scatter: half of such marks lie within "
            f"{figure_mm(found.circular_error_mm, lower=False)} of that mean; the broken line "
            "holds 95 of 100 further ones."
        )
    else:
        words += " Scatter needs three entries."
    ellipse = found.ellipse_mm(_ELLIPSE_POINTS)
    return {
        "words": words,
        "mean_mm": list(found.mean_mm),
        "ellipse_mm": None if ellipse is None else ellipse.tolist(),
    }


def _xy(attempt: Attempt) -> list[float] | None:
    right, front = attempt.entry_left_right_mm, attempt.entry_front_back_mm
    return None if right is None or front is None else [right, front]


def _row(attempt: Attempt) -> dict[str, Any]:
    def mm(value: float | None) -> str:
        return "" if value is None else figure_mm(value, lower=False)

    tilt = "" if attempt.tilt_deg is None else f"{attempt.tilt_deg:.1f} degrees"
    judged = f"FAILED: {', '.join(attempt.fails)}" if attempt.failed else attempt.verdict
    title = head_title(attempt.head_key)
    return {
        "head": title,
        "entry_mm": attempt.entry_mm,
        "xy_mm": _xy(attempt),
        "failed": attempt.failed,
        "cells": [
            attempt.at_utc[:16].replace("T", " ") + " UTC",
            title,
            mm(attempt.nasion_mm),
            mm(attempt.by_eye_mm),
            mm(attempt.entry_mm),
            tilt,
            judged,
        ],
    }
