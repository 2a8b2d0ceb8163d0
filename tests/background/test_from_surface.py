"""The fitted surface: exact where it must be, honest where it cannot be."""

import astropy.units as u
import numpy as np
import pytest

from beamreduce.background import from_surface, mean_level
from beamreduce.errors import MeasurementError, SettingsError
from tests.background.images import PIXEL, distances, photon_image

CENTER = (50.0, 45.0)


def surface(image, radius=15, **settings):
    return from_surface(image, center_xy=CENTER, source_radius=radius * PIXEL, **settings)


def smooth(shape=(96, 110)):
    rows, columns = np.indices(shape)
    x, y = columns / shape[1] - 0.5, rows / shape[0] - 0.5
    return 5 + 2 * x - y + 3 * x * y - 1.5 * x**2 + 0.5 * y**2


def test_a_quadratic_surface_without_noise_is_recovered_exactly():
    truth = smooth()
    hidden = truth + 1000.0 * (distances(truth.shape, CENTER) <= 15)
    background = surface(photon_image(hidden))
    np.testing.assert_allclose(background.level_image(truth.shape), truth, rtol=1e-9)
    assert len(background.modes) == 6
    assert background.model_modes == ()


def test_modes_add_up_to_the_covariance_of_the_fit():
    # Degree 0: the level's variance is Σμ/area², i.e. that of a plain mean (derived).
    image = photon_image(np.full((96, 96), 2.0), noise=0.5, per_photon=1.1)
    background = surface(image, degree=0)
    (mode,) = background.modes
    blocks = distances((96, 96), CENTER) > 15
    variance = mode.coefficients[0, 0] ** 2
    # Blocks cut by the mask to less than half are left out: at most a ring of one block.
    lost = 2 * np.pi * 15 * 8 / blocks.sum()
    assert variance == pytest.approx((1.1 * 2 + 0.5) / blocks.sum(), rel=lost)


def test_variances_come_from_the_model_so_that_low_blocks_do_not_win():
    # With variances from the data, 1/N weights make the fitted mean of Poisson sums the
    # harmonic mean, one photon a block too low (derived); here 1/50.
    rng = np.random.default_rng(20250103)
    errors = []
    for _ in range(40):
        image = photon_image(rng.poisson(0.78, (128, 128)))
        background = surface(image, degree=0)
        errors.append(background.level.coefficients[0, 0] / 0.78 - 1)
    sigma = 1 / np.sqrt(0.78 * 128**2 * 0.9)  # of one fit
    assert abs(np.mean(errors)) < 4 * sigma / np.sqrt(40)
    assert 4 * sigma / np.sqrt(40) < 1 / 50 / 2  # and would see the false one


def test_too_few_blocks_lower_the_degree_with_a_note():
    rng = np.random.default_rng(20250104)
    image = photon_image(rng.poisson(0.05, (110, 110)))  # blocks of 32: 9 of them
    background = surface(image, radius=10)
    assert "degree 1 used" in background.notes["background_degree"]
    assert len(background.modes) == 3
    assert "surface of degree 1" in background.notes["background_fit"]


def test_a_single_row_of_blocks_tells_no_slope_across_it():
    rng = np.random.default_rng(20250105)
    image = photon_image(rng.poisson(4.0, (8, 400)))
    background = from_surface(image, center_xy=(200, 4), source_radius=10 * PIXEL)
    assert "degree 0 used" in background.notes["background_degree"]


def test_box_may_be_pixels_or_a_length_and_is_raised_to_25_photons():
    image = photon_image(np.random.default_rng(8).poisson(0.1, (128, 128)))
    assert "blocks of 30 pixels" in surface(image, box=30).notes["background_fit"]
    assert "blocks of 30 pixels" in surface(image, box=30 * PIXEL).notes["background_fit"]
    raised = surface(image, box=4)
    assert "raised to 2" in raised.notes["background_box"]
    assert "background_box" not in surface(image).notes


def test_chi_square_is_reported_and_a_bad_fit_enlarges_the_error():
    rng = np.random.default_rng(20250106)
    good = surface(photon_image(rng.poisson(smooth())))
    assert "chi-square" in good.notes["background_fit"]
    assert good.model_modes == ()
    rows, columns = np.indices((96, 110))
    wavy = 5 + 4 * np.sin(columns / 7) * np.cos(rows / 9)
    bad = surface(photon_image(rng.poisson(wavy)))
    assert "does not describe" in bad.notes["background_fit"]
    assert len(bad.model_modes) == len(bad.modes)
    level = mean_level(photon_image(wavy), bad, center_xy=CENTER, radius=15 * PIXEL)
    assert level.model > level.statistical


def test_settings_that_cannot_be_used_are_refused():
    image = photon_image(np.ones((96, 110)))
    with pytest.raises(SettingsError, match="degree of the surface must be 0, 1 or 2"):
        surface(image, degree=3)
    with pytest.raises(SettingsError, match="surface_box must be at least one pixel"):
        surface(image, box=0)
    with pytest.raises(SettingsError, match="surface_box must have a unit"):
        surface(image, box=3 * u.s)


def test_too_few_photons_or_no_free_block_are_refused():
    with pytest.raises(MeasurementError, match=r"at least 25 photons .* found 0"):
        surface(photon_image(np.zeros((96, 110))))
    image = photon_image(np.full((30, 30), 0.2))
    with pytest.raises(MeasurementError, match="no block beside the image is half free"):
        from_surface(image, center_xy=(15, 15), source_radius=14 * PIXEL)
