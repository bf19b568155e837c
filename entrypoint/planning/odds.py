"""Probabilities from a value and its two spreads; told as counts, never as never or always."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from entrypoint.errors import FieldRefused

__all__ = [
    "combined_sd",
    "count_of",
    "normal_cdf",
    "normal_quantile",
    "probability_below",
    "share_below",
]

_FEWEST = 1e-6  # nothing that was measured is certain


def normal_cdf(z: float) -> float:
    """Standard normal distribution function."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def normal_quantile(p: float) -> float:
    """Inverse of ``normal_cdf``, to 1e-9.

    Raises
    ------
    FieldRefused
        ``p`` is not between 0 and 1.
    """
    if not 0.0 < p < 1.0:
        raise FieldRefused(
            found=f"a probability of {p}",
            expected="a probability between 0 and 1, neither of them reached",
            next_step="give 0.95 for 95 %",
        )
    lo, hi = -40.0, 40.0
    for _ in range(80):
        mid = 0.5 * (lo + hi)
        lo, hi = (mid, hi) if normal_cdf(mid) < p else (lo, mid)
    return 0.5 * (lo + hi)


def combined_sd(*sds: float | None) -> float:
    """Root of the sum of squares; what is not known adds nothing."""
    return math.sqrt(sum(sd * sd for sd in sds if sd is not None))


def probability_below(
    limit: float, value: float, sd: float, definition_sd: float | None = 0.0
) -> float:
    """Probability that the true figure lies below a limit.

    Both spreads enter: how well it was measured, and how far careful readers differ in what
    is to be measured. The answer is kept away from 0 and 1 by one in a million.

    Examples
    --------
    >>> round(probability_below(10.0, 12.6, 7.3), 3)
    0.361
    """
    spread = combined_sd(sd, definition_sd)
    if spread == 0.0:
        p = 0.5 if value == limit else float(value < limit)
    else:
        p = normal_cdf((limit - value) / spread)
    return min(max(p, _FEWEST), 1.0 - _FEWEST)


def share_below(limit: float, draws: Sequence[float]) -> float:
    """Share of simulated placements below a limit, (k + 1) / (n + 2): never 0, never 1."""
    array = np.asarray(draws, dtype=np.float64)
    return float(((array < limit).sum() + 1) / (len(array) + 2))


def count_of(p: float, of: int = 1000) -> int:
    """Turn a probability of harm into a count of placements, rounded up, never 0 or all.

    Examples
    --------
    >>> count_of(0.0411), count_of(0.0), count_of(1.0, of=100)
    (42, 1, 99)
    """
    return min(max(math.ceil(p * of - 1e-9), 1), of - 1)
