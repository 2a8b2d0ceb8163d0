"""The center of least HPD: where it is, that it follows the image, and where it fails."""

import numpy as np
import pytest

from beamreduce.encircled_energy import crossing_diameters_mm, least_hpd
from beamreduce.errors import MeasurementError
from beamreduce.rings import overlap_sums
from tests.made_images import gaussian_image, photons_on_pixels, read_only


def found(net, seed=1, **settings):
    variance = np.maximum(net, 0.0)
    return least_hpd(net, variance, np.random.default_rng(seed), replicates=2, **settings)


@pytest.mark.parametrize("center", [(31.0, 33.0), (31.5, 33.5), (30.27, 32.81)])
def test_a_round_image_without_noise_is_found_where_it_is(center):
    net = 1e5 * gaussian_image((64, 66), center, 5.0)
    c = found(net, reference_px=25.0)
    # Interpolating the curve of growth over steps of 1/20 half-power radius leaves a
    # ripple of the HPD with the center; 25 centers average it to a few mpixel.
    assert c.xy == pytest.approx(center, abs=0.02)
    assert c.half_power_radius == pytest.approx(5 * np.sqrt(2 * np.log(2)), rel=0.02)


def test_no_center_near_it_has_a_smaller_hpd():
    # Two unlike spots: neither the mean nor the brightest point is the answer.
    net = 7e4 * gaussian_image((96, 96), (44.0, 48.0), 5.0)
    net += 3e4 * gaussian_image((96, 96), (58.0, 50.0), 4.0)
    c = found(net, reference_px=35.0)
    radii = np.append(np.linspace(1, 30, 291), 45.0)
    total = net.sum()

    def hpd(x, y):
        growth = np.append(overlap_sums(net, (x, y), radii[:-1]), total)
        return crossing_diameters_mm(radii, growth, (0.5,))[0, 0]

    best = hpd(*c.xy)
    ring = [hpd(c.x + 3 * np.cos(a), c.y + 3 * np.sin(a)) for a in np.arange(0, 6.3, 0.5)]
    assert best < min(ring)


def test_a_large_ring_is_centered_although_circles_about_it_leave_the_frame():
    # A defocused image that fills half the frame: circles about centers to the side hold
    # less of it, which must not look like a smaller HPD.
    rng = np.random.default_rng(3)
    radius, turn = rng.normal(30, 2, 200_000), rng.uniform(0, 2 * np.pi, 200_000)
    net = photons_on_pixels(
        (128, 128), 63.2 + radius * np.cos(turn), 64.1 + radius * np.sin(turn)
    )
    c = found(net, reference_px=50.0)
    # Median radius of N photons about a center d off is flat to d², so the scatter of
    # the center is of the order R/√N, 0.07 pixel.
    assert c.xy == pytest.approx((63.2, 64.1), abs=0.3)


def test_flips_move_it_along():
    rng = np.random.default_rng(4)
    net = photons_on_pixels((60, 64), rng.normal(30.2, 4, 5000), rng.normal(28.9, 4, 5000))
    c = found(net, reference_px=25.0)
    flipped = found(net[:, ::-1], reference_px=25.0)
    turned = found(net.T, reference_px=25.0)
    assert flipped.xy == pytest.approx((63 - c.x, c.y), abs=1e-6)
    assert turned.xy == pytest.approx((c.y, c.x), abs=1e-6)


def test_inputs_are_only_read():
    net = read_only(1e4 * gaussian_image((40, 40), (20, 20), 4.0))
    found(net)


def test_two_equal_spots_have_no_least_between_them():
    # Between spots 10 σ apart half the flux fills the largest circle, not the least.
    net = 5e4 * gaussian_image((128, 128), (49.0, 64.0), 3.0)
    net += 5e4 * gaussian_image((128, 128), (79.0, 64.0), 3.0)
    with pytest.raises(MeasurementError, match="no least near the centroid"):
        found(net)


def test_nothing_but_noise_is_refused():
    net = np.random.default_rng(6).normal(-0.2, 1.0, (64, 64))
    with pytest.raises(MeasurementError, match=r"net photons|no net photons"):
        least_hpd(net, np.ones_like(net), np.random.default_rng(1))
