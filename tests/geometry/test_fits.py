"""Damped least squares against the library's own solver (scipy.optimize.least_squares)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares

from entrypoint.geometry.fits import damped_least_squares

Z = np.linspace(-5.0, 5.0, 60)


def bump(x):
    return x[0] * np.exp(-0.5 * ((Z - x[1]) / x[2]) ** 2) + x[3]


def edge(x):
    return x[0] + x[1] / (1.0 + np.exp(-(Z - x[2]) / x[3]))


def decay(x):
    return x[0] * np.exp(-x[1] * (Z + 5.0)) + x[2] * np.exp(-x[3] * (Z + 5.0))


CASES = [
    (bump, [900.0, 0.4, 1.1, 40.0], [600.0, 0.0, 1.6, 0.0], [1.0, 0.01, 0.01, 1.0]),
    (edge, [-1000.0, 1040.0, -0.7, 0.3], [-900.0, 900.0, 0.2, 0.6], [1.0, 1.0, 0.01, 0.003]),
    (decay, [120.0, 0.2, 60.0, 1.4], [100.0, 0.1, 90.0, 1.0], [0.1, 0.001, 0.1, 0.005]),
]


@pytest.mark.parametrize(("model", "true", "start", "steps"), CASES)
@pytest.mark.parametrize("seed", range(6))
def test_same_minimum_as_the_library(model, true, start, steps, seed):
    rng = np.random.default_rng(seed)
    data = model(np.array(true)) + rng.normal(0.0, 5.0, len(Z))

    def residual(x):
        return (model(x) - data) / 5.0

    ours = damped_least_squares(residual, np.array(start), steps=np.array(steps), most_turns=200)
    theirs = least_squares(
        residual, start, x_scale=np.maximum(np.abs(true), 0.1), xtol=1e-13, ftol=1e-13, gtol=1e-13
    )
    assert ours.cost <= theirs.cost * (1 + 1e-5)
    spread = np.sqrt(np.diag(np.linalg.inv(theirs.jac.T @ theirs.jac)))
    # Of what the data can tell, a twentieth at most is lost to the differences' steps.
    np.testing.assert_array_less(np.abs(ours.x - theirs.x), 0.05 * spread)
    np.testing.assert_allclose(np.sqrt(np.diag(ours.covariance)), spread, rtol=0.05)
    assert ours.cost == pytest.approx(0.5 * float(np.sum(residual(ours.x) ** 2)), rel=1e-12)


def test_covariance_of_a_straight_line_is_the_textbook_one():
    x = np.arange(10.0)
    fit = damped_least_squares(
        lambda p: p[0] + p[1] * x - (2.0 + 0.5 * x), np.zeros(2), steps=np.array([0.1, 0.1])
    )
    np.testing.assert_allclose(fit.x, [2.0, 0.5], atol=1e-6)
    centred = float(np.sum((x - x.mean()) ** 2))
    assert fit.covariance[1, 1] == pytest.approx(1.0 / centred, rel=1e-6)
    assert fit.covariance[0, 0] == pytest.approx(0.1 + x.mean() ** 2 / centred, rel=1e-6)


def test_a_parameter_without_effect_neither_moves_nor_breaks_the_fit():
    fit = damped_least_squares(
        lambda p: np.array([p[0] - 3.0, 2.0 * (p[0] - 3.0)]),
        np.array([0.0, 7.0]),
        steps=np.array([0.1, 0.1]),
    )
    np.testing.assert_allclose(fit.x, [3.0, 7.0], atol=1e-6)
    assert np.isfinite(fit.covariance).all()


def test_steps_that_make_the_residuals_infinite_are_not_taken():
    def residual(x):
        with np.errstate(over="ignore", invalid="ignore"):
            return np.array([np.exp(min(x[0], 800.0) * 40.0) - 1.0, x[0] - 0.01])

    fit = damped_least_squares(residual, np.array([2.0]), steps=np.array([1e-3]), most_turns=200)
    assert np.isfinite(fit.cost)
    assert fit.cost < 1.0


def test_start_is_not_changed():
    start = np.array([1.0, 1.0])
    damped_least_squares(lambda x: x - [5.0, 6.0], start, steps=np.array([0.1, 0.1]))
    assert start.tolist() == [1.0, 1.0]
