"""Ring counts from images and from photons, and whether their covariance is the scatter."""

import itertools

import astropy.units as u
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from beamreduce.errors import SettingsError
from beamreduce.image import PixelFlag
from beamreduce.rings import count_in_image, count_photons, plan_for
from tests.made_images import (
    DISTANCE_MM,
    PIXEL_MM,
    focal_image,
    gaussian_image,
    photons_on_pixels,
    read_only,
)

RADII = np.array([0.05, 0.11, 0.2, 0.35]) * u.mm


def counted(photons, center=(20.3, 19.6), radii=RADII, **image_settings):
    image = focal_image(photons, **image_settings)
    return count_in_image(image, plan_for(image, center, radii))


def test_radii_are_lengths_on_the_detector():
    rings = counted(np.ones((40, 41)))
    np.testing.assert_allclose(rings.radius_mm, RADII.value)
    area = np.pi * np.diff((RADII.value / PIXEL_MM) ** 2, prepend=0.0)
    np.testing.assert_allclose(rings.photons, area)
    np.testing.assert_allclose(rings.covered_fraction, 1.0)
    in_um = counted(np.ones((40, 41)), radii=RADII.to(u.um))
    np.testing.assert_allclose(in_um.photons, rings.photons)
    assert rings.detector_distance_mm == DISTANCE_MM


def test_an_angle_is_no_radius():
    image = focal_image(np.ones((5, 5)))
    with pytest.raises(SettingsError, match="radii must have a unit that converts to mm"):
        plan_for(image, (2, 2), [1, 2] * u.arcsec)


def test_unusable_pixels_take_their_area_with_them():
    flags = np.zeros((40, 41), dtype=np.uint8)
    flags[19, 20] = PixelFlag.BAD  # wholly inside the innermost disc
    flags[25, 20] = PixelFlag.SATURATED
    flags[14, 20] = PixelFlag.BAD | PixelFlag.FILLED  # counts
    photons = np.ones((40, 41))
    photons[19, 20] = photons[25, 20] = 0.0
    rings = counted(photons, flags=flags)
    np.testing.assert_allclose(rings.photons, rings.covered_px)
    missing = rings.area_px - rings.covered_px
    assert missing[0] == pytest.approx(1.0)
    assert missing.sum() == pytest.approx(2.0)


def test_the_frame_ends_where_it_ends():
    rings = counted(np.ones((30, 30)), center=(0, 0), radii=[0.1, 2.0] * u.mm)
    assert rings.covered_px.sum() == pytest.approx(900)
    assert 0 < rings.covered_fraction[1] < rings.covered_fraction[0] < 1


def test_scaling_photons_scales_counts_and_covariance():
    photons = np.random.default_rng(8).poisson(3.0, (40, 41)).astype(float)
    one, seven = counted(photons), counted(7 * photons)
    np.testing.assert_allclose(seven.photons, 7 * one.photons)
    np.testing.assert_allclose(seven.covariance, 7 * one.covariance)
    np.testing.assert_allclose(seven.poisson_part, 7 * one.poisson_part)


@pytest.mark.parametrize(
    ("level", "noise_variance", "per_photon"),
    [(2.0, 0.0, 1.0), (0.3, 0.5, 1.07), (0.02, 0.4, 1.2)],
)
def test_covariance_is_the_scatter_of_repeats(level, noise_variance, per_photon):
    rng = np.random.default_rng(20240611)
    source = 400 * gaussian_image((40, 41), (20.3, 19.6), 4.0) + level
    repeats, counts, quoted = 1500, [], 0.0
    plan = plan_for(focal_image(source), (20.3, 19.6), RADII)
    for _ in range(repeats):
        photons = rng.poisson(source).astype(float)
        # Charge of n photons scatters by n (v - 1) about n; then the detector's noise.
        photons += rng.standard_normal(source.shape) * np.sqrt(
            photons * (per_photon - 1) + noise_variance
        )
        image = focal_image(
            photons, noise_variance=noise_variance, variance_per_photon=per_photon
        )
        rings = count_in_image(image, plan)
        counts.append(rings.photons)
        quoted = quoted + rings.covariance / repeats
    scatter = np.cov(np.array(counts).T)
    # An entry of a sample covariance of normal numbers scatters by
    # √((c_ii c_jj + c_ij²)/(n-1)); 16 entries, so 4 standard deviations.
    size = np.sqrt(np.outer(quoted.diagonal(), quoted.diagonal()) + quoted**2)
    assert np.all(np.abs(scatter - quoted) < 4 * size / np.sqrt(repeats - 1))


def test_the_poisson_part_and_the_rest_make_up_the_variance():
    rng = np.random.default_rng(11)
    photons = rng.poisson(0.2, (40, 41)) + rng.normal(0, 0.6, (40, 41))
    rings = counted(photons, noise_variance=0.36, variance_per_photon=1.1)
    assert np.all(rings.poisson_part >= 0)
    assert np.all(rings.covariance.diagonal() >= 0)
    assert photons.min() < 0
    inside = rings.photons.sum()
    whole = counted(photons, radii=[RADII[-1].value] * u.mm)
    assert inside == pytest.approx(whole.photons[0])


def test_an_empty_noisy_frame_still_has_the_noise_of_its_pixels():
    rng = np.random.default_rng(12)
    photons = rng.normal(-0.5, 0.6, (40, 41))  # sums below zero
    rings = counted(photons, noise_variance=0.36)
    full = 0.36 * plan_share_squares((40, 41), (20.3, 19.6))
    np.testing.assert_allclose(rings.covariance.diagonal(), full)
    assert not rings.poisson_part.any()


def plan_share_squares(shape, center):
    image = focal_image(np.ones(shape))
    return plan_for(image, center, RADII).covariance(np.ones(shape)).diagonal()


def test_inputs_are_only_read():
    flags = read_only(np.zeros((40, 41), dtype=np.uint8))
    rings = counted(read_only(np.ones((40, 41))), flags=flags)
    assert rings.photons.sum() > 0


def photons_at(seed, number):
    rng = np.random.default_rng(seed)
    return rng.normal(0, 0.1, (2, number))


@given(st.integers(0, 2**32 - 1), st.integers(0, 300))
@settings(max_examples=30)
def test_photons_fall_into_the_ring_they_are_in(seed, number):
    x, y = photons_at(seed, number)
    offsets = np.hypot(x, y)
    rings = count_photons(offsets * u.mm, RADII, detector_distance=DISTANCE_MM * u.mm)
    edges = np.concatenate([[0.0], RADII.value])
    expected = [
        np.sum((offsets >= a) & (offsets < b)) for a, b in itertools.pairwise(edges)
    ]
    np.testing.assert_array_equal(rings.photons, expected)
    np.testing.assert_array_equal(rings.covariance, np.diag(expected))
    np.testing.assert_allclose(rings.covered_fraction, 1.0)


def test_photons_and_their_image_agree_but_for_the_pixel():
    sigma_px = 0.1 / PIXEL_MM
    x, y = photons_at(5, 20000)
    center = (40.2, 39.7)
    pixels = photons_on_pixels((80, 80), center[0] + x / PIXEL_MM, center[1] + y / PIXEL_MM)
    from_image = counted(pixels, center=center)
    from_photons = count_photons(np.hypot(x, y) * u.mm, RADII, detector_distance=5 * u.m)
    difference = np.cumsum(from_image.photons - from_photons.photons)
    # A pixel gathers photons over its width and counts them as even over its width: σ²
    # grows by 1/12 of a pixel squared for each.
    square = (RADII.value / PIXEL_MM) ** 2
    narrow, wide = (np.exp(-square / (2 * s2)) for s2 in (sigma_px**2, sigma_px**2 + 1 / 6))
    expected = 20000 * (narrow - wide)
    # A photon in a pixel of which a share s lies inside counts s instead of 0 or 1:
    # variance s (1 - s), 1/6 on average; only pixels within half a diagonal matter.
    radius = np.hypot(x, y)
    near = [np.sum(np.abs(radius - r) < PIXEL_MM * np.sqrt(0.5)) for r in RADII.value]
    assert np.all(np.abs(difference - expected) < 4 * np.sqrt(np.array(near) / 6))


def test_photons_that_cannot_be_counted_are_refused():
    distance = 5 * u.m
    with pytest.raises(SettingsError, match="radii must rise from above zero"):
        count_photons([0.1] * u.mm, [0.2, 0.1] * u.mm, detector_distance=distance)
    with pytest.raises(SettingsError, match=r"not below zero; got -0\.1 mm"):
        count_photons([-0.1] * u.mm, RADII, detector_distance=distance)
    with pytest.raises(SettingsError, match="offsets must be finite"):
        count_photons([np.nan] * u.mm, RADII, detector_distance=distance)
    with pytest.raises(SettingsError, match="detector_distance must be above zero"):
        count_photons([0.1] * u.mm, RADII, detector_distance=0 * u.m)
