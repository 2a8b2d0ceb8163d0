"""Intervals, ratios and correlated draws: closed forms, repeats and refusals.

The published tables are in external/test_counting_statistics.py.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from beamreduce.errors import SettingsError
from beamreduce.statistics import (
    correlated_normals,
    poisson_interval,
    ratio_with_uncertainty,
)
from tests.made_images import read_only


@given(st.floats(0.0, 1e6), st.floats(0.2, 4.0))
def test_an_interval_holds_the_counts_and_grows_with_sigma(counts, sigma):
    lower, upper = poisson_interval(counts, sigma=sigma)
    wider = poisson_interval(counts, sigma=1.2 * sigma)
    assert wider[0] <= lower <= counts < upper < wider[1]


@given(st.integers(1, 500), st.floats(0.5, 3.0))
@settings(max_examples=30)
def test_the_limits_leave_a_normal_tail_on_each_side(counts, sigma):
    # The definition: at the lower limit n or more, at the upper n or fewer, are seen as
    # rarely as a normal number beyond sigma.
    lower, upper = poisson_interval(counts, sigma=sigma)
    tail = stats.norm.sf(sigma)
    assert stats.poisson.sf(counts - 1, lower) == pytest.approx(tail, rel=1e-8)
    assert stats.poisson.cdf(counts, upper) == pytest.approx(tail, rel=1e-8)


def test_no_counts_have_a_limit_above_only():
    lower, upper = poisson_interval(np.array([0.0, 4.0]))
    assert lower[0] == 0.0
    assert upper[0] == pytest.approx(-np.log(stats.norm.sf(1.0)))


@pytest.mark.parametrize("mean", [0.5, 3.0, 12.0])
def test_an_interval_covers_at_least_what_it_says(mean):
    # Central intervals of a discrete law cover no less than 1 - 2 tails (Garwood 1936).
    seen = np.arange(200)
    lower, upper = poisson_interval(seen)
    covered = stats.poisson.pmf(seen, mean)[(lower <= mean) & (mean <= upper)].sum()
    assert covered >= 1 - 2 * stats.norm.sf(1.0) - 1e-12


@pytest.mark.parametrize("counts", [-1.0, np.nan, np.inf, [3.0, -2.0]])
def test_counts_below_zero_or_unknown_are_refused(counts):
    with pytest.raises(SettingsError, match="counts must be finite and not below zero"):
        poisson_interval(counts)


def test_a_ratio_scatters_as_it_says():
    rng = np.random.default_rng(20240617)
    a, b = rng.normal(50.0, 1.0, 20_000), rng.normal(-80.0, 1.2, 20_000)
    ratio, error = ratio_with_uncertainty((50.0, 1.0), (-80.0, 1.2))
    assert ratio == -0.625
    # The scatter of 20 000 is known to 0.5 %; second order adds (1.2/80)², 0.02 %.
    assert error == pytest.approx(np.std(a / b), rel=0.02)


@given(st.floats(0.1, 100), st.floats(0.01, 10), st.floats(0.1, 100), st.floats(0.01, 10))
def test_a_ratio_and_its_inverse_have_the_same_relative_error(a, sa, b, sb):
    one, inverse = (
        ratio_with_uncertainty((a, sa), (b, sb)),
        ratio_with_uncertainty((b, sb), (a, sa)),
    )
    assert one[0] * inverse[0] == pytest.approx(1.0)
    assert one[1] / one[0] == pytest.approx(inverse[1] / inverse[0])


def test_a_ratio_to_nothing_is_refused():
    with pytest.raises(SettingsError, match="denominator of a ratio must not be zero"):
        ratio_with_uncertainty((1.0, 0.1), (0.0, 0.1))


def covariances():
    rng = np.random.default_rng(3)
    factors = rng.normal(size=(6, 3))
    banded = np.eye(6) + 0.4 * (np.eye(6, k=1) + np.eye(6, k=-1))
    indefinite = np.diag([4.0, 1.0, 1.0, 2.0, 0.0, 0.0])
    indefinite[4, 4] = -1e-9  # rounding
    return {
        "full": factors @ factors.T + np.diag(np.arange(1.0, 7.0)),
        "singular": factors @ factors.T,
        "banded": banded,
        "one mode": np.outer(factors[:, 0], factors[:, 0]),
        "indefinite by rounding": indefinite,
    }


@pytest.mark.parametrize("name", covariances())
def test_draws_have_the_covariance(name):
    covariance = covariances()[name]
    draws = 20_000
    vectors = correlated_normals(covariance, draws, np.random.default_rng(20240618))
    assert vectors.shape == (draws, 6)
    variance = np.maximum(covariance.diagonal(), 0)
    # Standard errors of 6 means and 36 covariances of normal numbers; 4.5 of them.
    assert np.all(np.abs(vectors.mean(axis=0)) <= 4.5 * np.sqrt(variance / draws))
    size = np.sqrt(np.outer(variance, variance) + covariance**2)
    slack = 1e-5 * variance.max()  # directions below a millionth are not drawn
    off = np.abs(np.cov(vectors.T) - covariance)
    assert np.all(off <= 4.5 * size / np.sqrt(draws) + slack)


def test_draws_repeat_with_the_stream_and_only_read():
    covariance = read_only(covariances()["full"])
    one = correlated_normals(covariance, 5, np.random.default_rng(1))
    two = correlated_normals(covariance, 5, np.random.default_rng(1))
    np.testing.assert_array_equal(one, two)


def test_nothing_to_draw():
    vectors = correlated_normals(np.zeros((4, 4)), 7, np.random.default_rng(1))
    np.testing.assert_array_equal(vectors, np.zeros((7, 4)))
