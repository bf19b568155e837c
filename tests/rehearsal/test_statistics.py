"""Bias, scatter and trends against closed forms, scipy and a published table."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from entrypoint.errors import FieldRefused
from entrypoint.rehearsal.statistics import (
    bias_and_scatter,
    circular_error,
    learning_curve,
    what_next,
)

# Radius that holds half of a bivariate normal, over the larger standard deviation, by the ratio of
# the two. Ends in closed form: the quartile of a normal, and sqrt(2 ln 2). Between them as in
# Harter HL, Circular error probabilities, J Am Stat Assoc 1960;55(292):723-731, table 2 (from
# memory; each is checked against scipy below).
TABLE = {0.0: 0.67449, 0.5: 0.87042, 1.0: 1.17741}


@pytest.mark.parametrize("ratio", TABLE)
def test_circular_error_against_the_table(ratio):
    assert circular_error(1.0, ratio) == pytest.approx(TABLE[ratio], abs=1e-4)
    assert circular_error(3.0 * ratio, 3.0) == pytest.approx(3.0 * TABLE[ratio], abs=3e-4)


@pytest.mark.parametrize("ratio", [0.01, 0.04, 0.06, 0.3, 0.7, 0.97])
def test_half_of_the_normal_lies_within_it(ratio):
    """By scipy: r squared given x is a chi squared of one degree of freedom, summed over x."""
    k = circular_error(1.0, ratio)
    x = np.linspace(0.0, k, 20_001)
    held = stats.norm.pdf(x) * stats.chi2.cdf((k * k - x * x) / ratio**2, 1)
    assert 2.0 * np.trapezoid(held, x) == pytest.approx(0.5, abs=2e-5)


def test_no_scatter_no_radius():
    assert circular_error(0.0, 0.0) == 0.0
    found = bias_and_scatter([[3.0, 4.0]] * 5)
    assert found.bias_mm == 5.0
    assert found.circular_error_mm == found.major_mm == 0.0


def test_bias_and_scatter_are_kept_apart():
    rng = np.random.default_rng(11)
    turn = np.deg2rad(30.0)
    along, across = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    z = rng.standard_normal((20_000, 2))
    xy = np.array([6.0, -2.0]) + 3.0 * z[:, :1] * along + 1.0 * z[:, 1:] * across
    found = bias_and_scatter(xy)
    assert found.mean_mm == pytest.approx((6.0, -2.0), abs=0.06)
    assert found.bias_mm == pytest.approx(np.hypot(6.0, 2.0), abs=0.06)
    assert found.circular_error_mm == pytest.approx(circular_error(3.0, 1.0), rel=0.02)
    # In the limit of many marks the ellipse is that of chi squared with two degrees of freedom.
    scale = np.sqrt(stats.chi2.ppf(0.95, 2))
    assert found.major_mm == pytest.approx(3.0 * scale, rel=0.02)
    assert found.minor_mm == pytest.approx(1.0 * scale, rel=0.02)
    assert found.major_deg == pytest.approx(30.0, abs=1.0)
    # Moving all of them moves the bias alone.
    other = bias_and_scatter(xy + np.array([10.0, 0.0]))
    assert other.circular_error_mm == pytest.approx(found.circular_error_mm)
    assert other.major_mm == pytest.approx(found.major_mm)


@pytest.mark.parametrize("n", [3, 6, 12])
def test_the_ellipse_holds_95_of_100_further_marks_also_of_few(n):
    """Hotelling's region for one more mark, quantile by scipy."""
    rng = np.random.default_rng(n)
    xy = rng.standard_normal((n, 2)) * [2.0, 5.0]
    found = bias_and_scatter(xy)
    scale = 2.0 * (n + 1) * (n - 1) / (n * (n - 2)) * stats.f.ppf(0.95, 2, n - 2)
    values = np.sort(np.linalg.eigvalsh(np.cov(xy.T)))
    assert (found.minor_mm, found.major_mm) == pytest.approx(tuple(np.sqrt(scale * values)))


def test_95_of_100_further_marks_are_counted_in_it():
    rng, n, held, tries = np.random.default_rng(8), 5, 0, 400
    for _ in range(tries):
        more = rng.standard_normal((n + 1, 2)) * [2.0, 5.0]
        own = bias_and_scatter(more[:-1])
        turn = np.deg2rad(own.major_deg)
        axes = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        a, b = axes @ (more[-1] - own.mean_mm)
        held += (a / own.major_mm) ** 2 + (b / own.minor_mm) ** 2 <= 1.0
    assert held / tries == pytest.approx(0.95, abs=4 * np.sqrt(0.95 * 0.05 / tries))


def test_the_drawn_ellipse_is_that_ellipse():
    xy = np.random.default_rng(5).normal(size=(9, 2)) * [4.0, 1.0] + [2.0, 3.0]
    found = bias_and_scatter(xy)
    line = found.ellipse_mm()
    n = len(xy)
    inverse = np.linalg.inv(np.cov(xy.T))
    away = line - xy.mean(axis=0)
    squared = np.einsum("ij,jk,ik->i", away, inverse, away)
    scale = 2.0 * (n + 1) * (n - 1) / (n * (n - 2)) * stats.f.ppf(0.95, 2, n - 2)
    assert squared == pytest.approx(np.full(len(line), scale))
    assert bias_and_scatter(xy[:2]).ellipse_mm() is None


def test_too_little_is_refused():
    for bad in ([], [[np.nan, 1.0]], [[np.inf, 0.0], [1.0, 2.0]]):
        with pytest.raises(FieldRefused, match=r"(?i)no marks"):
            bias_and_scatter(bad)


def attempt(number, entry_mm=2.0, **changes):
    values = {
        "number": number, "at_utc": "2030-01-01T00:00:00+00:00", "head_key": "ladder:adult",
        "nasion_mm": 1.0, "by_eye_mm": None, "entry_mm": entry_mm, "entry_front_back_mm": 0.0,
        "entry_left_right_mm": 0.0, "tilt_deg": 1.0, "past_inner_mm": -1.0, "tip_error_mm": 0.5,
        "verdict": "agrees", "fails": (),
    }  # fmt: skip
    return SimpleNamespace(**{**values, **changes})


def test_a_learning_curve_finds_a_fall_and_no_fall():
    rng = np.random.default_rng(2)
    falling = [attempt(k, 15.0 - 0.8 * k + rng.normal(0, 0.5)) for k in range(15)]
    curve = learning_curve(falling)["entry_mm"]
    assert curve.per_ten == pytest.approx(-8.0, abs=1.0)
    assert curve.per_ten_95[0] < -7.0 < curve.per_ten_95[1] < 0.0 or curve.per_ten_95[1] < 0.0
    assert "falls by about" in curve.words
    assert [p.number for p in curve.points] == list(range(15))
    assert curve.points[2].median_lately == np.median([p.error for p in curve.points[:3]])
    flat = [attempt(k, 5.0 + rng.normal(0, 2.0)) for k in range(12)]
    assert "from chance" in learning_curve(flat)["entry_mm"].words
    assert "from 4 attempts" in learning_curve(flat[:4])["entry_mm"].words
    assert "by_eye_mm" not in learning_curve(flat)
    # Short of the inner table is no error; signs of the tip's depth do not cancel.
    short = learning_curve([attempt(k, past_inner_mm=-3.0, tip_error_mm=-2.0) for k in range(7)])
    assert short["past_inner_mm"].points[0].error == 0.0
    assert short["tip_error_mm"].points[0].error == 2.0
    assert learning_curve([]) == {}


def test_what_to_practise_next():
    assert "ladder:adult" in what_next([])
    fine = [attempt(k) for k in range(6)]
    assert "ladder:small" in what_next(fine)
    every = [attempt(k, head_key=f"ladder:{key}") for k, key in enumerate(
        ("adult", "small", "large", "thick", "thin", "haematoma", "asymmetric", "turned",
         "no-suture"))]  # fmt: skip
    assert "random" in what_next(every)
    wrong = [*fine, attempt(7, fails=("wrong side",)), attempt(8, 30.0)]
    assert "choosing the side" in what_next(wrong)
    assert "1 time in the last 5" in what_next(wrong)
    rash = [*fine, attempt(7, verdict="less cautious")]
    assert "asks for a change" in what_next(rash)
    # An old failure is past.
    assert "ladder:small" in what_next([attempt(0, fails=("wrong side",)), *fine])
    off = [attempt(k, 9.0, entry_front_back_mm=-9.0 + 0.1 * k) for k in range(5)]
    assert "9.0 mm off" in what_next(off)
    assert "mostly behind the true point" in what_next(off)
    around = [attempt(k, 9.0, entry_front_back_mm=9 * np.cos(k), entry_left_right_mm=9 * np.sin(k))
              for k in (0.0, 1.26, 2.51, 3.77, 5.03)]  # fmt: skip
    assert "the marks scatter" in what_next(around)
    assert "holding the drill" in what_next([attempt(k, tilt_deg=12.0) for k in range(3)])
    deep = [attempt(k, past_inner_mm=1.5) for k in range(3)]
    assert "drill stop" in what_next(deep)
