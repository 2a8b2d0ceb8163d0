"""The joint fit as a user calls it."""

import numpy as np
import pytest

from beamreduce.background import from_wings
from beamreduce.background.wing_starts import combined
from beamreduce.errors import MeasurementError, SettingsError
from beamreduce.image import PixelFlag
from beamreduce.record import Uncertain
from tests.background.images import PIXEL, distances, flat_value, king, photon_image

SHAPE = (201, 201)
CENTER = (99.6, 100.3)


def wings(image, start=30, **settings):
    return from_wings(image, center_xy=CENTER, start=start * PIXEL, **settings)


def total_error(background):
    modes = background.modes + background.model_modes
    return np.hypot.reduce([flat_value(mode) for mode in modes])


def test_level_under_a_wing_is_found_where_a_plain_mean_is_wrong():
    rng = np.random.default_rng(20250111)
    expected = 0.1 + king(SHAPE, CENTER, photons=20_000, core_px=8)
    image = photon_image(rng.poisson(expected))
    background, wing = wings(image)
    error = total_error(background)
    assert abs(flat_value(background.level) - 0.1) < 3 * error
    plain = image.photons[distances(SHAPE, CENTER) > 60].mean()
    assert plain - 0.1 > 3 * error
    assert wing.detected
    assert "wing falls as r^-" in background.notes["background_fit"]
    assert background.method == "wings"


def test_without_a_wing_the_level_is_that_of_the_frame():
    rng = np.random.default_rng(20250112)
    background, wing = wings(photon_image(rng.poisson(0.1, SHAPE)))
    assert abs(flat_value(background.level) - 0.1) < 3 * total_error(background)
    assert not wing.detected
    assert "no wing found" in background.notes["background_fit"]


def test_a_hot_patch_in_the_mask_does_not_matter():
    rng = np.random.default_rng(20250113)
    photons = rng.poisson(0.2 + king(SHAPE, CENTER, photons=20_000, core_px=8))
    flags = np.zeros(SHAPE, np.uint8)
    flags[20:30, 150:170] = PixelFlag.BAD
    spoiled = photons.copy()
    spoiled[20:30, 150:170] = 500
    first, _ = wings(photon_image(photons, flags=flags))
    second, _ = wings(photon_image(spoiled, flags=flags))
    assert flat_value(first.level) == flat_value(second.level)


def test_a_core_that_reaches_into_the_rings_moves_the_start_outward():
    # A flat disc of 40 px is no sensible wing; beyond it there is only the level.
    rng = np.random.default_rng(20250114)
    expected = 0.5 + 20.0 * (distances(SHAPE, CENTER) < 40)
    background, wing = wings(photon_image(rng.poisson(expected)))
    assert wing.start_px > 40
    assert "nearer in no sensible wing fits" in background.notes["background_fit"]
    assert abs(flat_value(background.level) - 0.5) < 3 * total_error(background)


def test_light_that_no_wing_describes_enlarges_the_error():
    rng = np.random.default_rng(20250115)
    r = distances(SHAPE, CENTER)
    expected = 0.5 + 3.0 * ((r > 75) & (r < 85))
    background, _ = wings(photon_image(rng.poisson(expected)))
    assert "no wing describes the rings" in background.notes["background_fit"]
    assert flat_value(background.model_modes[0]) > flat_value(background.modes[0])


@pytest.mark.parametrize("photons", [0, 30])
def test_too_few_photons_fall_back_to_the_plain_mean(photons):
    image = np.zeros(SHAPE)
    image[20 : 20 + photons, 5] = 1
    background, wing = wings(photon_image(image))
    assert wing is None
    # The largest rectangle about the center less the circle where the fit starts, which
    # begins with whole rings of half a pixel.
    area = 2 * (99.6 + 0.5) * 2 * (99.7 + 0.5) - np.pi * 30**2
    edge = 2 * np.pi * 30 * 0.5 / area
    assert flat_value(background.level) == pytest.approx(photons / area, rel=edge)
    sigma = np.sqrt(max(photons, 1)) / area
    assert flat_value(background.modes[0]) == pytest.approx(sigma, rel=edge)
    assert "too few to fit" in background.notes["background_fit"]


def test_rings_must_reach_out_beyond_the_start():
    image = photon_image(np.ones(SHAPE))
    with pytest.raises(SettingsError, match=r"1\.4 times .* got 0\.6 mm to 0\.79"):
        wings(image, start=30, outer=40 * PIXEL)
    flags = np.full(SHAPE, PixelFlag.BAD, np.uint8)
    with pytest.raises(MeasurementError, match="no usable pixel about the center"):
        wings(photon_image(np.zeros(SHAPE), flags=flags))


def test_only_differences_beyond_chance_count_as_model():
    chosen = Uncertain(value=1.0, statistical=0.1)
    # Chance allows √(0.2² − 0.1²) = 0.173.
    near = Uncertain(value=1.15, statistical=0.2)
    assert combined(chosen, (near,)).model == 0.0
    far = Uncertain(value=1.5, statistical=0.2)
    assert combined(chosen, (far,)).model == pytest.approx(np.sqrt(0.25 - 0.03))
    assert combined(chosen, ()) == chosen
