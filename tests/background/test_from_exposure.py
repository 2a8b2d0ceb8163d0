"""Scaled beam-off exposures."""

import math

import numpy as np
import pytest
from scipy import ndimage

from beamreduce.background import from_exposure
from beamreduce.background.model import draw
from beamreduce.errors import MeasurementError, SettingsError
from beamreduce.image import PixelFlag
from tests.background.images import flat_value, photon_image


def test_level_and_variance_are_scaled_pixel_by_pixel():
    photons = np.array([[0.0, 1, 2], [3, 4, -0.5]])
    noise = np.array([[0.1, 0.2, 0.3], [0.4, 0.5, 0.6]])
    background = from_exposure(
        photon_image(photons, noise=noise, per_photon=1.5), scale=0.2
    )
    np.testing.assert_allclose(background.level, 0.2 * photons)
    np.testing.assert_allclose(background.photon_variance, 0.04 * (1.5 * photons + noise))
    assert background.modes == ()


def test_uncertainty_of_the_scale_is_a_mode_with_the_shape_of_the_level():
    photons = np.array([[1.0, 2], [3, 4]])
    background = from_exposure(photon_image(photons), scale=0.5, scale_uncertainty=0.02)
    (mode,) = background.modes
    np.testing.assert_allclose(mode, 0.02 * photons)


def test_what_is_declared_of_the_scale_is_a_systematic_mode():
    photons = np.array([[1.0, 2], [3, 4]])
    background = from_exposure(photon_image(photons), scale=0.5, scale_systematic=0.03)
    (mode,) = background.systematic_modes
    np.testing.assert_allclose(mode, 0.03 * photons)
    assert background.modes == ()


@pytest.mark.parametrize(
    "flag", [PixelFlag.BAD, PixelFlag.SATURATED, PixelFlag.BAD | PixelFlag.FILLED]
)
def test_pixels_without_data_get_the_mean_of_their_neighbours(flag):
    columns = np.indices((41, 41))[1]
    photons = 4.0 + 0.05 * columns  # at this level the box is 5 pixels a side
    flags = np.zeros((41, 41), np.uint8)
    flags[20, 10] = flag
    flags[20, 30] = flag
    background = from_exposure(photon_image(photons, flags=flags), scale=2.0)
    # A box symmetric about the pixel has the plane's own value as its mean.
    assert background.level[20, 10] == pytest.approx(2 * photons[20, 10], rel=1e-9)
    assert background.level[20, 30] == pytest.approx(2 * photons[20, 30], rel=1e-9)
    assert "2 pixels" in background.notes["background_filled"]
    assert background.level[0, 0] == 2 * photons[0, 0]


def test_neighbours_of_sparse_images_reach_out_to_25_photons():
    photons = np.random.default_rng(20250107).poisson(0.05, (200, 200))
    flags = np.zeros((200, 200), np.uint8)
    flags[100, 100] = PixelFlag.BAD
    background = from_exposure(photon_image(photons, flags=flags), scale=1.0)
    # 25 photons have a relative error of 1/5.
    assert background.level[100, 100] == pytest.approx(0.05, rel=4 / 5)


def test_a_large_hole_falls_back_to_the_mean_of_the_image():
    photons = np.full((60, 60), 9.0)
    photons[:, 30:] = 11.0
    flags = np.zeros((60, 60), np.uint8)
    flags[10:50, 10:50] = PixelFlag.BAD
    background = from_exposure(photon_image(photons, flags=flags), scale=1.0)
    assert background.level[30, 30] == pytest.approx(10.0)


def test_no_photon_at_all_still_has_an_error():
    background = from_exposure(photon_image(np.zeros((10, 20))), scale=0.5)
    assert not background.level.any()
    (mode,) = background.modes
    # One photon over 200 pixels, scaled (derived: gamma law for N = 0).
    assert flat_value(mode) == pytest.approx(0.5 / 200)
    assert "no photon" in background.notes["background_photons"]
    assert draw(mode, (10, 20)).shape == (10, 20)


@pytest.mark.parametrize("scale", [0.0, -1.0, np.nan, np.inf])
def test_a_scale_that_is_no_scale_is_refused(scale):
    with pytest.raises(SettingsError, match="scale of the background must be above zero"):
        from_exposure(photon_image(np.ones((4, 4))), scale=scale)


@pytest.mark.parametrize("name", ["scale_uncertainty", "scale_systematic"])
def test_a_negative_uncertainty_of_the_scale_is_refused(name):
    with pytest.raises(SettingsError, match=rf"{name} .* not be negative"):
        from_exposure(photon_image(np.ones((4, 4))), scale=1.0, **{name: -0.1})


def test_an_image_without_usable_pixels_is_refused():
    flags = np.full((4, 4), PixelFlag.BAD, np.uint8)
    with pytest.raises(MeasurementError, match="no usable pixel"):
        from_exposure(photon_image(np.zeros((4, 4)), flags=flags), scale=1.0)


@pytest.mark.parametrize("level", [0.02, 0.3, 3.0])
def test_means_of_neighbours_are_those_of_a_box_filter(level):
    """Against scipy's uniform filter of photons and of pixels, nothing beyond the frame."""
    rng = np.random.default_rng(20250311)
    photons = rng.poisson(level, (90, 70)).astype(float)
    bad = rng.random((90, 70)) < 0.1
    bad[0, :9] = bad[-1, -1] = True
    bad[40:60, 30:50] = True
    image = photon_image(photons, flags=np.where(bad, PixelFlag.BAD, 0).astype(np.uint8))
    mean = image.photons.sum() / (~bad).sum()
    side = int(min(max(math.sqrt(25 / mean), 5), 90)) // 2 * 2 + 1
    part, total = (
        ndimage.uniform_filter(values, side, mode="constant")
        for values in ((~bad).astype(float), image.photons)
    )
    expected = np.where(part > 0.25, total / np.maximum(part, 1e-9), mean)
    expected[~bad] = photons[~bad]
    np.testing.assert_allclose(
        from_exposure(image, scale=1.0).level, expected, rtol=0, atol=1e-11
    )
