"""The fitted Gaussian's center: closed forms, symmetry, and images that it cannot fit."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from beamreduce.errors import MeasurementError
from beamreduce.image import gaussian
from tests.made_images import gaussian_image, read_only

fractions = st.floats(-0.5, 0.5)


@given(fractions, fractions)
@settings(max_examples=15)
def test_a_gaussian_is_found_where_it_is(dx, dy):
    net = 1e5 * gaussian_image((64, 66), (32 + dx, 31 + dy), 5.0)
    c = gaussian(net, net, reference_px=25.0)
    # A pixel-integrated Gaussian is a Gaussian to σ^-4/hundreds: 1e-4 pixel.
    assert c.xy == pytest.approx((32 + dx, 31 + dy), abs=1e-3)


def test_uncertainty_of_least_squares_with_equal_weights():
    # Flat noise of variance v a pixel, model A exp(-r²/2σ²) over the whole plane:
    # Σ (∂f/∂x)² = A² π/2, so σ(x) = √(2v/π)/A (derived); the window of radius HPD cuts
    # (1 + t) e^-t of the sum, t = a²/σ² = 8 ln 2.
    sigma, number, v = 6.0, 1e4, 0.3
    height = number / (2 * np.pi * sigma**2)
    cut = (1 + 8 * np.log(2)) * np.exp(-8 * np.log(2))
    expected = np.sqrt(2 * v / np.pi / (1 - cut)) / height
    net = number * gaussian_image((96, 96), (47.3, 48.2), sigma)
    c = gaussian(net, np.full(net.shape, v), reference_px=45.0)
    # The pixel widens σ² by 1/12 in 36: 0.25 % of the height.
    assert c.x_uncertainty == pytest.approx(expected, rel=0.01)
    assert c.y_uncertainty == pytest.approx(expected, rel=0.01)


def test_a_flip_moves_it_along():
    rng = np.random.default_rng(7)
    net = rng.poisson(900 * gaussian_image((64, 70), (33.2, 30.1), 5.0)) - 0.02
    c = gaussian(net, np.abs(net), reference_px=25.0)
    flipped = gaussian(net[::-1], np.abs(net), reference_px=25.0)
    # The window follows the centroid, which settles to a fifth of its uncertainty.
    assert flipped.xy == pytest.approx((c.x, 63 - c.y), abs=0.25 * c.y_uncertainty)


def test_inputs_are_only_read():
    net = read_only(1e4 * gaussian_image((48, 48), (24, 24), 5.0))
    gaussian(net, net)


def test_one_bright_pixel_and_even_light_are_refused():
    one = np.zeros((32, 32))
    one[10, 12] = 100.0
    for net in (one, np.ones((32, 32))):
        with pytest.raises(MeasurementError, match="a Gaussian does not fit the image"):
            gaussian(net, net)
