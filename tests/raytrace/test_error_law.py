"""Laws of slope errors: quantiles of known distributions, and refusals."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from beamreduce.errors import SettingsError
from beamreduce.raytrace import ErrorLaw
from beamreduce.raytrace.error_law import STEPS

SIGMA = 1e-4


def drawn(law, count=1_000_000):
    """Angles at evenly spread probabilities, by straight lines between quantiles."""
    share = (np.arange(count) + 0.5) / count * STEPS
    return np.interp(share, np.arange(STEPS + 1), law.quantiles_rad)


def test_gaussian_has_its_quantiles_and_its_spread():
    law = ErrorLaw.gaussian(SIGMA)
    for share in (0.001, 0.1, 0.5, 0.75, 0.999):
        found = np.quantile(drawn(law), share)
        assert found == pytest.approx(SIGMA * norm.ppf(share), abs=2e-4 * SIGMA)
    # The outermost steps hold 2.4e-4 of the light, with the right mean but spread evenly.
    assert law.rms_rad == pytest.approx(SIGMA, rel=1e-3)
    assert drawn(law).std() == pytest.approx(law.rms_rad, rel=1e-6)
    assert np.mean(drawn(law)) == pytest.approx(0, abs=1e-9 * SIGMA + 1e-16)


@given(share=st.floats(0.05, 0.95), wide=st.floats(1.5, 8))
def test_mixture_has_the_spread_of_its_parts(share, wide):
    law = ErrorLaw.mixture((share, 1 - share), (SIGMA, wide * SIGMA))
    expected = SIGMA * math.sqrt(share + (1 - share) * wide**2)
    assert law.rms_rad == pytest.approx(expected, rel=2e-3)
    middle = drawn(law, 100_000)
    x = 0.8 * SIGMA
    assert np.mean(middle <= x) == pytest.approx(
        share * norm.cdf(0.8) + (1 - share) * norm.cdf(0.8 / wide), abs=1e-4
    )


def test_ripple_is_the_slope_of_a_sine():
    law = ErrorLaw.ripple(SIGMA)
    phase = (np.arange(100_000) + 0.5) / 100_000 * 2 * np.pi
    slopes = np.sort(SIGMA * np.sin(phase))
    assert np.sort(drawn(law, 100_000)) == pytest.approx(slopes, abs=1e-3 * SIGMA)
    assert law.rms_rad == pytest.approx(SIGMA / math.sqrt(2), rel=1e-4)


def test_lorentzian_has_its_half_width_as_quartile_and_ends_where_slopes_end():
    law = ErrorLaw.lorentzian(SIGMA)
    assert np.quantile(drawn(law), 0.75) == pytest.approx(SIGMA, rel=1e-4)
    assert np.abs(law.quantiles_rad).max() <= 0.1


def test_a_law_from_slopes_or_its_cumulative_distribution_is_the_same_law():
    rng = np.random.default_rng(20261125)
    slopes = rng.uniform(-SIGMA, 2 * SIGMA, 200_000)
    measured = ErrorLaw.from_slopes(slopes)
    tabulated = ErrorLaw.from_cumulative([-SIGMA, 2 * SIGMA], [0.0, 1.0])
    # A quantile of 200 000 slopes of range 3 σ is good to 3 σ · 0.5/√200 000 at worst.
    noise = 4 * 3 * SIGMA * 0.5 / math.sqrt(slopes.size)
    difference = measured.quantiles_rad - tabulated.quantiles_rad
    assert np.abs(difference).max() < noise
    assert tabulated.rms_rad == pytest.approx(SIGMA, rel=1e-6)  # √((1 + 4 - 2)/3)


def test_the_perfect_surface_has_no_error():
    assert ErrorLaw.none().is_zero
    assert ErrorLaw.gaussian(0.0).is_zero
    assert not ErrorLaw.gaussian(SIGMA).is_zero


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: ErrorLaw.gaussian(-1e-4), "sigma_rad must not be below zero; got -0.0001"),
        (lambda: ErrorLaw.gaussian(math.nan), "sigma_rad must not be below zero"),
        (lambda: ErrorLaw.lorentzian(-1.0), "half_width_rad must not be below zero"),
        (lambda: ErrorLaw.ripple(-1.0), "amplitude_rad must not be below zero"),
        (
            lambda: ErrorLaw.mixture((0.5, 0.6), (1e-4, 2e-4)),
            "and add up to 1",
        ),
        (lambda: ErrorLaw.mixture((1.0,), (0.0,)), "sigmas_rad must be above zero"),
        (lambda: ErrorLaw.mixture((1.0,), (1e-4, 2e-4)), "lists of one length"),
        (lambda: ErrorLaw.from_cumulative([0, 0], [0, 1]), "angles_rad must rise"),
        (lambda: ErrorLaw.from_cumulative([0, 1e-3], [0, 1.2]), "rise within 0 to 1"),
        (lambda: ErrorLaw.from_cumulative([0], [0]), "lists of one length"),
        (lambda: ErrorLaw.from_slopes([math.nan, 0.0]), "at least two finite angles"),
        (lambda: ErrorLaw(quantiles_rad=np.zeros(5)), "must hold 8193 angles"),
        (
            lambda: ErrorLaw(quantiles_rad=np.linspace(0, 1, STEPS + 1)),
            "within ±0.1 rad; got 1 rad",
        ),
        (
            lambda: ErrorLaw(quantiles_rad=np.linspace(1e-3, 0, STEPS + 1)),
            "must not fall",
        ),
    ],
)
def test_what_is_no_law_is_refused(call, message):
    with pytest.raises(SettingsError, match=message):
        call()
