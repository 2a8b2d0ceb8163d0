import math

import pytest
from scipy.special import gammaincinv

from beamreduce.frame.chi_square import chi_square_quantile


@pytest.mark.parametrize("freedom", [1, 2, 3, 7, 30, 99, 1000])
@pytest.mark.parametrize("probability", [1e-10, 1e-3, 0.3, 0.5])
def test_quantiles_are_those_of_the_gamma_law(freedom, probability):
    """Against scipy; ln P is a difference of terms of size a ln a, each good to 1e-16."""
    truth = 2 * gammaincinv(freedom / 2, probability)
    assert chi_square_quantile(freedom, probability) == pytest.approx(truth, rel=1e-12)


def test_two_degrees_are_exponential():
    for probability in (1e-12, 0.1, 0.5):
        truth = -2 * math.log1p(-probability)
        assert chi_square_quantile(2, probability) == pytest.approx(truth, rel=1e-13)


@pytest.mark.parametrize(
    ("freedom", "probability"), [(0, 0.1), (3, 0.0), (3, 0.6), (3, math.nan)]
)
def test_other_arguments_are_refused(freedom, probability):
    with pytest.raises(ValueError, match=r"freedom must be at least 1 and probability"):
        chi_square_quantile(freedom, probability)
