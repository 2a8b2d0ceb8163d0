"""Yields: published intervals, batches that suffice, Shewhart's constants."""

import numpy as np
import pytest
from scipy.stats import binom, norm

from beamreduce.errors import SettingsError
from beamreduce.reflectors import (
    Yield,
    batch_that_suffices,
    c4,
    control_chart,
    group_yields,
    probability_that_batch_suffices,
    tolerance_factor,
    upper_tolerance_limit,
    yield_interval,
)


@pytest.mark.parametrize(
    ("good", "formed", "score", "exact"),
    [
        # Newcombe 1998, Stat. Med. 17, 857, table I, methods 3 and 5.
        (81, 263, (0.2553, 0.3662), (0.2527, 0.3676)),
        (15, 148, (0.0624, 0.1605), (0.0578, 0.1617)),
        (0, 20, (0.0000, 0.1611), (0.0000, 0.1684)),
        (1, 29, (0.0061, 0.1718), (0.0009, 0.1776)),
    ],
)
def test_published_intervals(good, formed, score, exact):
    assert yield_interval(good, formed, exact=False) == pytest.approx(score, abs=6e-5)
    assert yield_interval(good, formed) == pytest.approx(exact, abs=6e-5)


def test_an_even_bet_and_a_safe_one():
    """Common practice: 68 of 100 good, so 10 000 formed for 6 800 placed is a coin toss."""
    known = Yield(known=0.68)
    even = probability_that_batch_suffices(6800, 10_000, known)
    assert even == pytest.approx(0.505, abs=5e-4)
    assert batch_that_suffices(6800, known, confidence=0.95) == 10_113
    # The smallest that does: one less does not, by the binomial sum itself.
    found = batch_that_suffices(6800, known, confidence=0.95)
    assert binom.sf(6799, found, 0.68) >= 0.95 > binom.sf(6799, found - 1, 0.68)


def test_a_trial_says_less_than_a_known_yield():
    seen = Yield(good=68, formed=100)
    known = batch_that_suffices(680, Yield(known=0.68))
    assert batch_that_suffices(680, seen) > 1.05 * known
    large = Yield(good=680_000, formed=1_000_000)
    assert batch_that_suffices(680, large) == pytest.approx(known, abs=2)


def test_batch_after_a_trial_by_drawing():
    """The probability of sufficing, against yields drawn from the beta law."""
    rng = np.random.default_rng(13)
    yields = rng.beta(68.5, 32.5, 200_000)
    seen = np.mean(rng.binomial(110, yields) >= 70)
    found = probability_that_batch_suffices(70, 110, Yield(good=68, formed=100))
    assert found == pytest.approx(seen, abs=4 * 0.5 / 200_000**0.5)


def test_coverage_of_the_exact_interval():
    """Clopper & Pearson cover at least what they claim, whatever the yield."""
    for share in (0.05, 0.3, 0.68, 0.9):
        inside = 0.0
        for good in range(41):
            low, high = yield_interval(good, 40)
            if low <= share <= high:
                inside += binom.pmf(good, 40, share)
        assert inside >= 0.95


def test_a_failing_mandrel_shows_and_the_others_do_not():
    counts = {f"M{i}": (70 + i % 5, 100) for i in range(20)} | {"M99": (40, 100)}
    groups = group_yields("mandrel", counts)
    assert {g.name: g.stands_out for g in groups if g.stands_out} == {"M99": "low"}


def test_no_false_alarm_in_one_family_of_twenty():
    rng = np.random.default_rng(14)
    alarms = 0
    for _ in range(200):
        counts = {str(i): (int(rng.binomial(50, 0.7)), 50) for i in range(12)}
        alarms += any(group.stands_out for group in group_yields("batch", counts))
    # At most 5 % of 200, with 3.5 standard deviations of counting.
    assert alarms <= 10 + 3.5 * (200 * 0.05 * 0.95) ** 0.5


@pytest.mark.parametrize(
    ("n", "constant"), [(2, 0.7979), (5, 0.9400), (10, 0.9727), (25, 0.9896)]
)
def test_constants_of_charts(n, constant):
    # Montgomery, Introduction to Statistical Quality Control, appendix VI.
    assert c4(n) == pytest.approx(constant, abs=6e-5)


def test_chart_limits_with_the_tabled_factor():
    # A3(5) = 1.427 in the same table: limits are the mean ± A3 times the mean s.
    rng = np.random.default_rng(15)
    batches = {str(i): rng.normal(0.5, 0.05, 5) for i in range(25)}
    chart = control_chart("Sq", batches)
    mean_s = np.mean([np.std(values, ddof=1) for values in batches.values()])
    half = chart.points[0].upper - chart.center
    assert half == pytest.approx(1.427 * mean_s, rel=4e-4)
    drifted = control_chart("Sq", {**batches, "late": rng.normal(0.8, 0.05, 5)})
    assert drifted.points[-1].signal == "above"
    assert chart.center == pytest.approx(np.mean(list(batches.values())))


@pytest.mark.parametrize(
    ("n", "content", "confidence", "factor"),
    [
        # NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3, the worked example by
        # the noncentral t (from memory); the approximate formula there gives 1.8752.
        (43, 0.90, 0.99, 1.8740),
        # Odeh and Owen 1980, Tables for Normal Tolerance Limits, table 1 (from memory).
        (10, 0.90, 0.95, 2.355),
        (20, 0.95, 0.95, 2.396),
    ],
)
def test_tolerance_factors_of_published_tables(n, content, confidence, factor):
    found = tolerance_factor(n, content=content, confidence=confidence)
    assert found == pytest.approx(factor, abs=6e-4)


def test_a_tolerance_limit_holds_as_often_as_it_claims():
    rng = np.random.default_rng(16)
    true = np.exp(0.2 * norm.ppf(0.9))  # ln of the sizes has a standard deviation of 0.2
    limits = [
        upper_tolerance_limit(np.exp(rng.normal(0, 0.2, 15)), content=0.9, confidence=0.95)
        for _ in range(1000)
    ]
    held = np.mean(np.array(limits) >= true)
    # Counting of 1 000 trials, three standard deviations.
    assert held == pytest.approx(0.95, abs=3 * (0.95 * 0.05 / 1000) ** 0.5)


def test_no_tolerance_limit_without_sizes():
    assert upper_tolerance_limit([0.5]) is None
    assert upper_tolerance_limit([0.5, 0.0]) is None
    with pytest.raises(SettingsError, match="at least 2 values"):
        tolerance_factor(1)
