"""Rings of a background: what is shared with the image, and what is declared."""

import astropy.units as u
import numpy as np
import pytest

from beamreduce.background import Background, Polynomial, background_in_rings, subtract
from beamreduce.encircled_energy import net_rings
from beamreduce.rings import count_in_image, plan_for
from tests.background.images import PIXEL, photon_image

SHAPE = (41, 41)
RADII = np.array([3.0, 6.0, 12.0]) * PIXEL


def rings_of(image, background):
    plan = plan_for(image, (20.0, 20.0), RADII)
    return count_in_image(image, plan), background_in_rings(background, plan, image.usable)


def beam_off(**noise):
    return Background(method="exposure", level=np.full(SHAPE, 1.0), **noise)


def test_noise_of_common_masters_cancels_in_the_net_rings():
    """Two sums of variance 0.5 and 0.3 a pixel, 0.2 of each the same: 0.4 is left."""
    image = photon_image(np.full(SHAPE, 4.0), noise=0.5)
    noise = {"photon_variance": np.full(SHAPE, 0.3)}
    apart = net_rings(*rings_of(image, beam_off(**noise)), RADII[-1])
    common = beam_off(**noise, shared_variance=np.full(SHAPE, 0.2))
    net = net_rings(*rings_of(image, common), RADII[-1])
    pixels = np.pi * 12.0**2  # every pixel's share of all rings adds to one inside
    left = apart.covariance.sum() - net.covariance.sum()
    # Pixels on the edge count with their share squared: a third of them less, of 75.
    assert left == pytest.approx(0.4 * pixels, rel=75 / 3 / pixels)
    np.testing.assert_allclose(
        net.noise_covariance, apart.noise_covariance - 2 * shared_part(image, common)
    )
    # Each of the two gives up the same.
    np.testing.assert_allclose(
        net.background_covariance,
        apart.background_covariance - shared_part(image, common),
    )
    np.testing.assert_allclose(subtract(image, common).variance, 4.0 + 0.5 + 0.3 - 0.4)


def shared_part(image, background):
    return rings_of(image, background)[1].shared


def test_more_shared_than_there_is_leaves_nothing_negative_to_show():
    image = photon_image(np.zeros(SHAPE), noise=0.1)
    common = beam_off(photon_variance=0.1, shared_variance=np.full(SHAPE, 0.2))
    assert subtract(image, common).variance.min() == 0.0


def test_declared_modes_are_no_statistical_noise():
    image = photon_image(np.full(SHAPE, 4.0))
    plain = net_rings(*rings_of(image, beam_off()), RADII[-1])
    mode = Polynomial.flat(0.05, SHAPE)
    declared = beam_off(systematic_modes=(mode,))
    net = net_rings(*rings_of(image, declared), RADII[-1])
    np.testing.assert_array_equal(net.covariance, plain.covariance)
    area = np.pi * np.diff((RADII / PIXEL).to_value(u.one) ** 2, prepend=0.0)
    np.testing.assert_allclose(net.systematic_modes, 0.05 * area[None], rtol=1e-9)
