"""The size of an image about a center, the rough center, and one that the user gave."""

import numpy as np
import pytest
from hypothesis import given as examples
from hypothesis import settings
from hypothesis import strategies as st

from beamreduce.errors import MeasurementError
from beamreduce.image import given
from beamreduce.image.center import (
    fitting_radius,
    growth_near_center,
    half_power_radius,
    largest_radius,
    rough_center,
)
from tests.made_images import gaussian_image, read_only


def test_the_largest_circle_touches_the_nearest_edge_of_the_frame():
    # Pixels reach half a pixel beyond their centers.
    assert largest_radius((20, 30), (14.5, 9.5)) == 10.0
    assert largest_radius((20, 30), (2.0, 9.5)) == 2.5
    assert largest_radius((20, 30), (14.5, 18.0)) == 1.5
    assert largest_radius((20, 30), (-1.0, 9.5)) < 0


def test_a_reference_radius_that_does_not_fit_becomes_the_largest_circle():
    assert fitting_radius((20, 30), (14.5, 9.5), 4.0) == 4.0
    assert fitting_radius((20, 30), (14.5, 9.5), 40.0) == 10.0
    assert fitting_radius((20, 30), (14.5, 9.5), None) == 10.0


@examples(
    st.tuples(st.integers(1, 30), st.integers(1, 30)),
    st.floats(-3.0, 33.0),
    st.floats(-3.0, 33.0),
    st.floats(0.3, 25.0),
    st.integers(0, 2**32 - 1),
)
@settings(max_examples=100)
def test_growth_counts_each_pixel_by_its_share(shape, x, y, reference, seed):
    image = np.random.default_rng(seed).normal(size=shape)
    growth = growth_near_center(image, x, y, reference)
    rows, columns = np.indices(shape)
    radius = np.hypot(columns - x, rows - y)
    # At radius 0 nothing is inside by definition; from there on the share rises.
    for k in range(1, growth.size):
        share = np.clip(reference * k / (growth.size - 1) - radius + 0.5, 0, 1)
        assert growth[k] == pytest.approx((share * image).sum(), abs=1e-10)


@pytest.mark.parametrize("sigma", [3.0, 8.0])
@pytest.mark.parametrize("center", [(60.0, 63.0), (60.5, 63.5), (59.7, 64.2)])
def test_half_power_radius_of_a_gaussian(sigma, center):
    # r50 = 1.1774 σ, and the pixel widens σ² by 1/12. Whole pixels enter over one pixel,
    # so the sum depends a little on how the lattice lies: a twentieth of a pixel.
    net = gaussian_image((128, 124), center, sigma)
    wide = np.sqrt(sigma**2 + 1 / 12)
    found = half_power_radius(net, center, 45.0)
    assert found == pytest.approx(wide * np.sqrt(2 * np.log(2)), abs=0.05)


@examples(st.floats(0.0, 1.0), st.floats(0.0, 1.0), st.integers(0, 2**32 - 1))
@settings(max_examples=40)
def test_half_power_radius_changes_without_jumps(x, y, seed):
    # Jumps with the center once kept one centroid in six of sparse images from settling.
    net = np.random.default_rng(seed).poisson(500 * gaussian_image((48, 48), (24, 24), 5))
    net = net.astype(float)
    step = 1e-6
    here = half_power_radius(net, (24 + x, 24 + y), 15.0)
    there = half_power_radius(net, (24 + x + step, 24 + y), 15.0)
    # Between two quarter-pixel radii at least one photon's share enters, or they are
    # crossed at once: the slope stays below some hundreds.
    assert abs(there - here) < 1e3 * step


def test_half_power_radius_reaches_far_images():
    net = gaussian_image((400, 400), (200.0, 200.0), 60.0)
    found = half_power_radius(net, (200.0, 200.0), 199.0)
    inside = 1 - np.exp(-(199.0**2) / (2 * 60**2))
    assert found == pytest.approx(60 * np.sqrt(-2 * np.log(1 - inside / 2)), rel=1e-3)


@pytest.mark.parametrize("level", [0.0, -1.0])
def test_no_net_photons_have_no_size(level):
    with pytest.raises(
        MeasurementError, match=r"net photons inside 10\.0 pixels.*expected"
    ):
        half_power_radius(np.full((40, 40), level), (20.0, 20.0), 10.0)


@pytest.mark.parametrize("shape", [(64, 64), (301, 65), (7, 7), (1, 1)])
def test_the_rough_center_lies_in_the_brightest_part(shape):
    net = np.zeros(shape)
    row, column = shape[0] // 3, shape[1] // 2
    net[row, column] = 5.0
    x, y = rough_center(net)
    box = max(min(shape) // 32, 1)
    assert abs(x - column) <= 2 * box
    assert abs(y - row) <= 2 * box


def test_the_rough_center_is_not_led_by_single_bright_pixels():
    rng = np.random.default_rng(9)
    net = rng.poisson(0.05, (256, 256)) - 0.05
    net[20, 30] += 40.0
    net += rng.poisson(500 * gaussian_image(net.shape, (180.0, 150.0), 10.0))
    x, y = rough_center(net)
    assert np.hypot(x - 180, y - 150) < 20


def test_a_given_center_is_taken_as_it_is():
    net = gaussian_image((64, 64), (30.0, 30.0), 4.0)
    c = given(read_only(net), (31, 29.5), reference_px=20.0)
    assert c.xy == (31.0, 29.5)
    assert (c.x_uncertainty, c.y_uncertainty, c.rule) == (0.0, 0.0, "given")
    # Miscentring by d widens: about its center r50 is 4.77 (with pixel and share).
    assert 4.77 < c.half_power_radius < 5.0


@pytest.mark.parametrize("center", [(-0.6, 30), (30, 63.5), (np.nan, 30), (30, np.nan)])
def test_a_given_center_outside_the_image_is_refused(center):
    with pytest.raises(MeasurementError, match="lies outside the image of 64 × 64 pixels"):
        given(np.ones((64, 64)), center)
