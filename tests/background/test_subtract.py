"""Net image and mean level."""

import numpy as np
import pytest

from beamreduce.background import Background, Polynomial, mean_level, subtract
from beamreduce.errors import SettingsError
from beamreduce.image import PixelFlag
from tests.background.images import PIXEL, distances, photon_image

SHAPE = (40, 50)


def test_net_is_photons_less_level_and_nothing_where_not_usable():
    flags = np.array([[0, PixelFlag.BAD, PixelFlag.SATURATED, 0]], np.uint8)
    photons = np.array([[5.0, 0, 0, -0.25]])
    image = photon_image(photons, flags=flags, noise=0.5)
    variance = np.array([[0.1, 0.1, 0.1, -0.1]])
    background = Background(
        method="exposure",
        level=np.array([[1.0, 2, 3, 4]]),
        photon_variance=variance,
    )
    net = subtract(image, background)
    np.testing.assert_allclose(net.photons, [[4.0, 0, 0, -4.25]])
    np.testing.assert_allclose(net.variance, [[5.6, 0, 0, 0.5]])
    assert net.usable.tolist() == [[True, False, False, True]]


def test_filled_pixels_are_net_of_background_too():
    flags = np.array([[PixelFlag.BAD | PixelFlag.FILLED, 0]], np.uint8)
    image = photon_image([[0.0, 3.0]], flags=flags)
    background = Background(method="annulus", level=Polynomial.flat(1.0, (1, 2)))
    assert subtract(image, background).photons.tolist() == [[-1.0, 2.0]]


def test_method_none_takes_nothing_off():
    photons = np.random.default_rng(3).poisson(2.0, SHAPE)
    image = photon_image(photons)
    none = Background.none(SHAPE)
    np.testing.assert_array_equal(subtract(image, none).photons, photons)
    level = mean_level(image, none, center_xy=(20, 20), radius=5 * PIXEL)
    assert (level.value, level.uncertainty) == (0.0, 0.0)


def test_a_background_of_another_shape_is_refused():
    image = photon_image(np.ones(SHAPE))
    with pytest.raises(SettingsError, match="shape of the image"):
        subtract(image, Background.none((50, 40)))


def test_mean_of_a_plane_over_a_circle_is_its_value_at_the_center():
    # 1 + x/10 − y/20 in units of the frame; a plane is odd about any point (derived).
    plane = Polynomial(np.array([[1.0, 0.1], [-0.05, 0.0]]), SHAPE)
    background = Background(
        method="surface",
        level=plane,
        modes=(plane, plane),
        model_modes=(plane,),
        systematic_modes=(plane, plane, plane),
    )
    level = mean_level(
        photon_image(np.ones(SHAPE)), background, center_xy=(30.3, 17.2), radius=11 * PIXEL
    )
    wanted = 1 + 0.1 * (30.3 - 25) / 50 - 0.05 * (17.2 - 20) / 40
    # The plane is sampled at the middles of pixels; those on the edge shift the mean by
    # about the tenth of a pixel's step.
    assert level.value == pytest.approx(wanted, abs=0.1 * 0.1 / 50)
    assert level.statistical == pytest.approx(np.sqrt(2) * level.value)
    assert level.systematic == pytest.approx(np.sqrt(3) * level.value)
    assert level.model == pytest.approx(level.value)


def test_noise_of_the_beam_off_pixels_averages_out_over_the_circle():
    background = Background(
        method="exposure", level=np.full(SHAPE, 2.0), photon_variance=np.full(SHAPE, 0.3)
    )
    level = mean_level(
        photon_image(np.ones(SHAPE)), background, center_xy=(25, 20), radius=10 * PIXEL
    )
    assert level.value == pytest.approx(2.0)
    # √(Σ variance)/area with area π 10².
    assert level.statistical == pytest.approx(np.sqrt(0.3 / (np.pi * 100)), rel=1e-9)


def test_what_lies_outside_the_frame_does_not_count():
    image = photon_image(np.ones(SHAPE))
    array = np.full(SHAPE, 3.0)
    background = Background(method="exposure", level=array)
    level = mean_level(image, background, center_xy=(2, 2), radius=20 * PIXEL)
    assert level.value == pytest.approx(3.0)
    assert np.count_nonzero(distances(SHAPE, (2, 2)) < 20) < np.pi * 400 / 2
