"""Wing shapes fitted to sums without noise, against closed forms."""

import math

import numpy as np
import pytest
from scipy.integrate import quad

from beamreduce.background import Background
from beamreduce.background.wing_fit import fit_wing
from beamreduce.background.wing_model import wing_shape
from beamreduce.background.wing_rings import wing_rings
from tests.background.images import PIXEL, distances, photon_image

CENTER = (100.0, 100.0)
SHAPE = (201, 201)
START = 25.0


def fitted(exponent, *, level=0.5, amplitude=200.0, core=0.0, known=None):
    r = np.maximum(distances(SHAPE, CENTER), START / 2)
    wing = ((r**2 + core**2) / (START**2 + core**2)) ** (-exponent / 2)
    expected = level + amplitude * wing
    rings = wing_rings(photon_image(expected), center_xy=CENTER, outer_px=None, known=known)
    return fit_wing(rings, START)


def step(tried):
    """Distance between the values of the grid that were tried."""
    return np.diff(np.unique(tried)).max()


@pytest.mark.parametrize("exponent", [2.4, 3.0, 4.0])
def test_level_amplitude_and_exponent_of_a_power_law_are_found(exponent):
    wing = fitted(exponent)
    best = int(np.argmax(wing.weight))
    assert wing.exponent[best] == pytest.approx(exponent, abs=step(wing.exponent))
    assert wing.core_px[best] <= step(wing.core_px)
    assert abs(wing.amplitude[best] - 200.0) < wing.amplitude_sigma[best]
    assert wing.level[best] == pytest.approx(0.5, abs=3 * wing.level_sigma[best])
    assert wing.chi_square < 1.0
    assert wing.detected
    assert not wing.diverges


def test_weights_sum_to_one_and_shapes_are_one_at_the_start():
    wing = fitted(3.0)
    assert wing.weight.sum() == pytest.approx(1.0)
    at_start = wing_shape(np.array([START]), wing.exponent, wing.core_px, START)
    np.testing.assert_allclose(at_start, 1.0)


@pytest.mark.parametrize(("exponent", "core"), [(3.0, 0.0), (2.6, 7.5), (4.0, 15.0)])
def test_photons_beyond_a_radius_are_the_integral_of_the_shape(exponent, core):
    wing = fitted(exponent, core=core, amplitude=2e3, level=2.0)
    radius = 60.0

    def per_radius(r):
        shape = ((r**2 + core**2) / (START**2 + core**2)) ** (-exponent / 2)
        return 2 * math.pi * r * 2e3 * shape

    truth = quad(per_radius, radius, 2000.0, limit=200)[0]
    # Beyond 2000 px the core no longer matters: 2π ∫ r^(1−p) dr.
    truth += per_radius(2000.0) * 2000.0 / (exponent - 2)
    beyond = wing.photons_beyond(radius * PIXEL)
    # With 2e3 photons a pixel the right shape has all the weight but for neighbours
    # that differ less than the counting error.
    assert abs(beyond.value - truth) < 2 * beyond.uncertainty
    assert beyond.uncertainty < 0.1 * truth


def test_wings_that_fall_too_slowly_have_no_finite_flux():
    wing = fitted(1.6, amplitude=2000.0)
    assert wing.detected
    assert wing.diverges
    assert wing.photons_beyond(60 * PIXEL) is None


def test_no_wing_gives_zero_with_an_upper_uncertainty():
    rng = np.random.default_rng(20250110)
    rings = wing_rings(
        photon_image(rng.poisson(0.3, SHAPE)), center_xy=CENTER, outer_px=None
    )
    wing = fit_wing(rings, START)
    assert not wing.detected
    beyond = wing.photons_beyond(60 * PIXEL)
    assert beyond.value == 0.0
    # Whatever is there cannot be less uncertain than the count of the outer half.
    outside = 0.3 * np.count_nonzero(distances(SHAPE, CENTER) > 60)
    assert beyond.uncertainty > math.sqrt(outside)


def test_without_a_free_level_none_is_fitted():
    wing = fitted(3.0, level=0.0, known=Background.none(SHAPE))
    assert not wing.level.any()
    assert wing.mean_level().value == 0.0
    best = int(np.argmax(wing.weight))
    assert wing.exponent[best] == pytest.approx(3.0, abs=step(wing.exponent))


def test_the_drawn_wing_is_the_mean_of_the_shapes():
    wing = fitted(3.0, amplitude=2e5)
    radii = np.array([30.0, 50.0, 80.0])
    np.testing.assert_allclose(
        wing.per_pixel(radii * PIXEL), 2e5 * (radii / START) ** -3.0, rtol=0.01
    )
