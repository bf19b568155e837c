"""Damped least squares for a handful of parameters.

The library's own solver costs 0.17 s of import for a fit of a few milliseconds; this one does
what the profile fits need and no more (compared with it in the tests).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Fit", "damped_least_squares"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """Result of a fit.

    Attributes
    ----------
    x : (p,) array
    cost : float
        Half the sum of squared residuals.
    covariance : (p, p) array
        Inverse of the normal matrix; times the residuals' variance it is that of ``x``.
    turns : int
    """

    x: FloatArray
    cost: float
    covariance: FloatArray
    turns: int


def damped_least_squares(
    residual: Callable[[FloatArray], FloatArray],
    start: FloatArray,
    *,
    steps: FloatArray,
    most_turns: int = 60,
    tol: float = 1e-8,
) -> Fit:
    """Minimise half the sum of squares by Levenberg and Marquardt's method.

    Parameters
    ----------
    residual : callable
        ``residual(x (p,)) -> (m,)``.
    start : (p,) array
    steps : (p,) array
        For the finite differences; about a hundredth of what matters in each parameter.
    most_turns : int
    tol : float
        Ends when a turn lowers the cost by less than this share.

    Returns
    -------
    Fit
    """
    x = np.array(start, dtype=float)
    r = residual(x)
    cost = 0.5 * float(r @ r)
    damping = 1e-2
    jac = _jacobian(residual, x, r, steps)
    turns = 0
    while turns < most_turns:
        turns += 1
        normal = jac.T @ jac
        gradient = jac.T @ r
        improved = False
        for _ in range(8):
            try:
                move = np.linalg.solve(
                    normal + damping * np.diag(np.diag(normal) + 1e-12), -gradient
                )
            except np.linalg.LinAlgError:
                damping *= 10
                continue
            r_new = residual(x + move)
            cost_new = 0.5 * float(r_new @ r_new)
            if np.isfinite(cost_new) and cost_new < cost:
                improved = True
                break
            damping *= 4
        if not improved:
            break
        gain = (cost - cost_new) / max(cost, 1e-300)
        x, r, cost = x + move, r_new, cost_new
        damping = max(damping / 5, 1e-9)
        jac = _jacobian(residual, x, r, steps)
        if gain < tol:
            break
    return Fit(
        x=x, cost=cost, covariance=np.asarray(np.linalg.pinv(jac.T @ jac), dtype=float), turns=turns
    )


def _jacobian(
    residual: Callable[[FloatArray], FloatArray], x: FloatArray, r: FloatArray, steps: FloatArray
) -> FloatArray:
    out = np.empty((len(r), len(x)))
    for k, h in enumerate(steps):
        ahead = x.copy()
        ahead[k] += h
        out[:, k] = (residual(ahead) - r) / h
    return out
