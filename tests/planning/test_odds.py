"""Probabilities and counts."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from entrypoint.errors import FieldRefused
from entrypoint.planning.odds import (
    combined_sd,
    count_of,
    normal_cdf,
    normal_quantile,
    probability_below,
    share_below,
)


@given(st.floats(-8, 8))
def test_cdf_and_quantile_agree_with_an_independent_library(z):
    assert normal_cdf(z) == pytest.approx(norm.cdf(z), rel=1e-9, abs=1e-15)
    p = normal_cdf(min(z, 5.0))
    assert normal_quantile(p) == pytest.approx(norm.ppf(p), abs=1e-7)


@pytest.mark.parametrize("p", [0.0, 1.0, -0.1, float("nan")])
def test_no_quantile_of_certainty(p):
    with pytest.raises(FieldRefused, match="robability"):
        normal_quantile(p)


def test_both_spreads_enter():
    assert probability_below(10.0, 14.0, 3.0, 4.0) == pytest.approx(norm.cdf(-0.8))
    assert probability_below(10.0, 14.0, 3.0, 4.0) > probability_below(10.0, 14.0, 3.0)
    assert combined_sd(3.0, None, 4.0) == 5.0


@given(st.floats(-1e3, 1e3), st.floats(0, 50), st.floats(0, 50))
def test_never_certain(value, sd, definition):
    p = probability_below(10.0, value, sd, definition)
    assert 0.0 < p < 1.0
    assert 1 <= count_of(p) <= 999
    assert count_of(p) >= min(p * 1000 - 1e-6, 999)


def test_share_of_draws_is_never_all_or_none():
    assert share_below(0.0, [1.0] * 98) == pytest.approx(0.01)
    assert share_below(2.0, np.ones(98).tolist()) == pytest.approx(0.99)
