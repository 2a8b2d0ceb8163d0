"""Flux beyond the reference radius with every background."""

import numpy as np
import pytest

from beamreduce.background import (
    Background,
    flux_beyond_reference,
    from_annulus,
    from_exposure,
    from_surface,
    from_wings,
)
from tests.background.images import PIXEL, distances, king, king_beyond, photon_image

SHAPE = (256, 256)
CENTER = (127.2, 128.1)
CORE = 6.0
RADIUS = 80.0
LEVEL = 0.1
PHOTONS = 100_000
METHODS = ("exposure", "annulus", "surface", "wings")


def beyond(image, background, radius=RADIUS):
    return flux_beyond_reference(
        image, background, center_xy=CENTER, reference_radius=radius * PIXEL
    )


def find(method, image, rng):
    if method == "exposure":
        beam_off = photon_image(rng.poisson(4 * LEVEL, SHAPE))
        return from_exposure(beam_off, scale=0.25, scale_uncertainty=0.002)
    if method == "annulus":
        return from_annulus(image, center_xy=CENTER, inner=100 * PIXEL)
    if method == "surface":
        return from_surface(image, center_xy=CENTER, source_radius=100 * PIXEL)
    return from_wings(image, center_xy=CENTER, start=40 * PIXEL)[0]


@pytest.mark.parametrize("method", METHODS)
def test_every_background_leads_to_the_flux_of_a_king_wing(method):
    rng = np.random.default_rng(20250120)
    expected = LEVEL + king(SHAPE, CENTER, photons=PHOTONS, core_px=CORE)
    image = photon_image(rng.poisson(expected))
    result = beyond(image, find(method, image, rng))
    truth = king_beyond(RADIUS, core_px=CORE)
    assert abs(result.fraction.value - truth) < 3 * result.fraction.uncertainty
    assert result.fraction.uncertainty < truth
    assert "wing fitted from" in result.note
    assert result.wing.detected


def test_a_known_level_tells_more_than_one_fitted_with_the_wing():
    rng = np.random.default_rng(20250121)
    expected = LEVEL + king(SHAPE, CENTER, photons=PHOTONS, core_px=CORE)
    image = photon_image(rng.poisson(expected))
    known = beyond(image, find("exposure", image, rng)).fraction
    fitted = beyond(image, find("wings", image, rng)).fraction
    assert known.uncertainty < fitted.uncertainty


def test_no_background_is_taken_at_its_word():
    rng = np.random.default_rng(20250122)
    expected = king(SHAPE, CENTER, photons=PHOTONS, core_px=CORE)
    image = photon_image(rng.poisson(expected))
    fraction = beyond(image, Background.none(SHAPE)).fraction
    truth = king_beyond(RADIUS, core_px=CORE)
    assert abs(fraction.value - truth) < 3 * fraction.uncertainty
    # With nothing beside it a wing of this shape is known to its own counting error, and
    # the exponent to a grid step of 0.2 in p − 2 = 1; other shapes are in the model term.
    assert fraction.statistical < 0.2 * truth


@pytest.mark.parametrize("scale", [10.0, 18.0])
def test_an_exponential_wing_is_within_what_shapes_leave_open(scale):
    """A wing that no power law is: I ∝ exp(-r/h), flux beyond R (1 + R/h) exp(-R/h)."""
    distance = distances(SHAPE, CENTER)
    expected = 4e5 * np.exp(-distance / scale) / (2 * np.pi * scale**2) + LEVEL
    truth = (1 + RADIUS / scale) * np.exp(-RADIUS / scale)
    truth /= 1 - truth
    pulls = []
    for seed in range(8):
        rng = np.random.default_rng([20261125, seed])
        image = photon_image(rng.poisson(expected))
        fraction = beyond(image, find("exposure", image, rng)).fraction
        pulls.append((fraction.value - truth) / fraction.uncertainty)
    # A model term is a spread among shapes, not a scatter: below 2 of it, every time.
    assert np.abs(pulls).max() < 2


@pytest.mark.parametrize("method", METHODS)
def test_no_wing_gives_zero_with_an_upper_uncertainty(method):
    rng = np.random.default_rng(20250123)
    core = np.exp(-0.5 * (distances(SHAPE, CENTER) / 6) ** 2)
    image = photon_image(rng.poisson(LEVEL + PHOTONS * core / core.sum()))
    result = beyond(image, find(method, image, rng))
    assert result.fraction.value == 0.0
    assert 0 < result.fraction.uncertainty < 0.1
    assert "no wing" in result.note


def test_a_wing_without_end_gives_none_and_the_reason():
    rng = np.random.default_rng(20250124)
    r = distances(SHAPE, CENTER)
    image = photon_image(rng.poisson(0.05 + 20.0 / np.maximum(r / 10, 1) ** 1.6))
    result = beyond(image, Background.none(SHAPE))
    assert result.fraction is None
    assert "no end" in result.note
    assert result.wing is not None


def test_light_that_no_wing_describes_is_told_in_the_note():
    rng = np.random.default_rng(20250126)
    r = distances(SHAPE, CENTER)
    expected = king(SHAPE, CENTER, photons=PHOTONS, core_px=CORE) + 3.0 * (
        (r > 100) & (r < 110)
    )
    result = beyond(photon_image(rng.poisson(expected)), Background.none(SHAPE))
    assert "no wing describes the rings" in result.note
    assert result.fraction.model > result.fraction.statistical


def test_no_net_photons_give_none_and_the_reason():
    image = photon_image(np.zeros(SHAPE))
    result = beyond(image, Background.none(SHAPE))
    assert result.fraction is None
    assert "no net photons inside" in result.note


def test_a_reference_radius_that_fills_the_frame_still_sees_the_corners():
    rng = np.random.default_rng(20250125)
    expected = LEVEL + king(SHAPE, CENTER, photons=PHOTONS, core_px=CORE)
    image = photon_image(rng.poisson(expected))
    result = beyond(image, find("exposure", image, rng), radius=127.0)
    truth = king_beyond(127.0, core_px=CORE)
    assert abs(result.fraction.value - truth) < 3 * result.fraction.uncertainty


def test_a_reference_radius_far_outside_the_frame_gives_none():
    image = photon_image(np.ones(SHAPE))
    result = beyond(image, Background.none(SHAPE), radius=400.0)
    assert result.fraction is None
    assert "does not reach far enough" in result.note
