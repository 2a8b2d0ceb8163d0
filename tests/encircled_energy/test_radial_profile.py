"""Surface brightness in joined rings, its error bars and upper limits."""

import astropy.units as u
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from beamreduce.background import BackgroundRings
from beamreduce.encircled_energy import radial_profile
from beamreduce.errors import MeasurementError, SettingsError
from beamreduce.rings import RingCounts

RADIUS_MM = np.linspace(0.05, 5.0, 100)
AREA_MM2 = np.pi * np.diff(RADIUS_MM**2, prepend=0.0)


def rings(photons, covered=1.0, pixel_mm=0.0):
    """Photon by photon where ``pixel_mm`` is 0, so that areas are in mm²."""
    unit = pixel_mm**2 or 1.0
    return RingCounts(
        radius_mm=RADIUS_MM,
        photons=np.asarray(photons, dtype=float),
        poisson_part=np.asarray(photons, dtype=float),
        covariance=np.diag(np.asarray(photons, dtype=float)),
        covered_px=AREA_MM2 * covered / unit,
        pixel_mm=pixel_mm,
        detector_distance_mm=5500.0,
    )


def flat_background(per_mm2, uncertainty):
    return BackgroundRings(
        photons=per_mm2 * AREA_MM2,
        covariance=np.zeros((AREA_MM2.size, AREA_MM2.size)),
        modes=uncertainty * AREA_MM2[None, :],
        model_modes=np.zeros((0, AREA_MM2.size)),
    )


NO_BACKGROUND = BackgroundRings.none(RADIUS_MM.size)


def core_and_wing(radius_mm):
    """Photons inside a radius: King form, b = 1.5, core radius 0.3 mm, 20 000 in all."""
    return 20_000 * (1 - (1 + (radius_mm / 0.3) ** 2) ** -0.5)


def test_rings_are_joined_without_gaps_and_keep_every_photon():
    photons = np.diff(core_and_wing(RADIUS_MM), prepend=0.0)
    profile = radial_profile(rings(photons), NO_BACKGROUND)
    assert profile.inner[0] == 0 * u.mm
    assert profile.outer[-1] == 5 * u.mm
    assert np.all(profile.inner[1:] == profile.outer[:-1])
    assert set(profile.outer.value) <= set(RADIUS_MM)
    area = np.pi * (profile.outer**2 - profile.inner**2)
    assert (profile.brightness * area).sum().to_value(u.ph) == pytest.approx(photons.sum())


@pytest.mark.parametrize("per_decade", [5, 10])
def test_joined_rings_are_of_equal_width_in_log_radius(per_decade):
    photons = np.diff(core_and_wing(RADIUS_MM), prepend=0.0)
    profile = radial_profile(rings(photons), NO_BACKGROUND, per_decade=per_decade)
    wide = profile.inner > 0.5 * u.mm
    width = np.log10(profile.outer[wide] / profile.inner[wide])
    # Either end lies within one given ring, 0.05 mm, of the ideal one; and the steps are
    # a whole number, at most half a step from what was asked for over some 1.5 decades.
    loose = 2 * np.log10(1.1) + 0.04 / per_decade
    assert np.all(np.abs(width - 1 / per_decade) < loose)


@given(st.floats(0.05, 1.0), st.floats(0.5, 500.0))
def test_a_flat_field_gives_its_level_whatever_part_is_covered(covered, level):
    profile = radial_profile(
        rings(level * AREA_MM2 * covered, covered, pixel_mm=0.02), NO_BACKGROUND
    )
    np.testing.assert_allclose(profile.brightness.to_value(u.ph / u.mm**2), level)


def test_rings_without_usable_pixels_are_left_out():
    covered = np.ones(RADIUS_MM.size)
    covered[(RADIUS_MM > 1.0) & (RADIUS_MM < 2.0)] = 0
    profile = radial_profile(rings(50 * AREA_MM2 * covered, covered), NO_BACKGROUND)
    np.testing.assert_allclose(profile.brightness.value, 50)
    assert profile.brightness.size == profile.inner.size == profile.detected.size
    assert np.any(profile.inner[1:] > profile.outer[:-1])


def test_an_empty_ring_has_the_exact_poisson_limit():
    photons = np.where(RADIUS_MM < 1.0, 400, 0)
    profile = radial_profile(rings(photons), NO_BACKGROUND)
    empty = profile.inner >= 1 * u.mm
    area = np.pi * (profile.outer**2 - profile.inner**2)
    limit = (profile.upper_limit * area)[empty].to_value(u.ph)
    # Gehrels 1986, ApJ 303, 336, table 1: upper limit for n = 0 at S = 2 is 3.783.
    np.testing.assert_allclose(limit, 3.783, atol=0.0005)
    assert not profile.detected[empty].any()
    assert profile.detected[~empty].all()


def repeats(level, uncertainty, count, seed):
    """Profiles of Poisson counts with a background that is wrong by what it says."""
    rng = np.random.default_rng(seed)
    source = np.diff(core_and_wing(RADIUS_MM), prepend=0.0)
    for _ in range(count):
        counts = rng.poisson(source + level * AREA_MM2)
        believed = level + uncertainty * rng.standard_normal()
        yield radial_profile(rings(counts), flat_background(believed, uncertainty))


def true_brightness(profile):
    inside = core_and_wing(profile.outer.value) - core_and_wing(profile.inner.value)
    return inside / (np.pi * (profile.outer.value**2 - profile.inner.value**2))


def test_error_bars_match_the_scatter_of_repeats():
    pulls = []
    for profile in repeats(40.0, 0.8, 1000, seed=20250312):
        pull = (profile.brightness.value - true_brightness(profile)) / (
            profile.uncertainty.value
        )
        pulls.append((pull[0], pull[1], pull[-1]))
    pulls = np.array(pulls)
    # Standard error of the mean 1/sqrt(1000), of the standard deviation 1/sqrt(2000).
    # The mean pull of a count is low by 1/(2 sqrt n) since its error bar follows it;
    # where the innermost disc of 100 photons ends is decided by photons: high by 0.1.
    assert np.all(np.abs(pulls.mean(axis=0)) < 3.5 / np.sqrt(1000) + 0.1)
    assert np.all(np.abs(pulls.std(axis=0) - 1) < 3.5 / np.sqrt(2000))


def test_upper_limits_hold_as_often_as_they_say():
    count = 2000
    held = []
    detected = 0
    for profile in repeats(400.0, 5.0, count, seed=20250313):
        truth = true_brightness(profile)[-1]
        held.append(truth <= profile.upper_limit.value[-1])
        detected += profile.detected[-1]
    # The outermost ring is 1.5 σ bright: the limit is put to use there.
    assert 0.1 < detected / count < 0.5
    # One-sided 2 sigma: 97.72 %. The limit is never below net + 2 sigma, so it may hold
    # more often; three standard errors of the share seen below.
    assert np.mean(held) > 0.9772 - 3 * np.sqrt(0.9772 * 0.0228 / count)


def test_what_is_not_detected_is_faint_against_its_uncertainty():
    profile = next(repeats(400.0, 5.0, 1, seed=20250314))
    ratio = (profile.brightness / profile.uncertainty).value
    assert np.all(ratio[profile.detected] >= 2)
    assert np.all(ratio[~profile.detected] < 2)
    assert 0 < np.count_nonzero(~profile.detected) < ratio.size
    assert np.all(profile.upper_limit > profile.brightness)
    assert np.all(profile.upper_limit > 0)


def test_the_background_and_its_uncertainty_come_along():
    profile = next(repeats(40.0, 0.8, 1, seed=20250315))
    np.testing.assert_allclose(profile.background_uncertainty.value, 0.8)
    assert np.ptp(profile.background.value) == pytest.approx(0, abs=1e-9)


def test_radius_halves_the_area_of_a_ring():
    profile = next(repeats(40.0, 0.8, 1, seed=20250316))
    inner = profile.radius**2 - profile.inner**2
    np.testing.assert_allclose(inner, profile.outer**2 - profile.radius**2)


def test_brightness_per_solid_angle():
    profile = next(repeats(40.0, 0.8, 1, seed=20250317))
    # 1 mm at 5 500 mm is 37.5027 arcsec (1 rad = 206 264.806 arcsec).
    converted = profile.per_square_arcsec(1000 * u.ph / u.mm**2)
    assert converted.unit == u.ph / u.arcsec**2
    assert converted.value == pytest.approx(1000 / (206264.806 / 5500) ** 2, rel=1e-8)


def test_inputs_are_not_changed():
    counts, known = rings(100 * AREA_MM2), flat_background(40, 0.8)
    for array in (counts.photons, counts.covariance, counts.covered_px, known.modes):
        array.setflags(write=False)
    radial_profile(counts, known)


def test_bad_settings_and_no_photons_are_refused():
    some = rings(100 * AREA_MM2)
    with pytest.raises(SettingsError, match="per_decade must be at least 1"):
        radial_profile(some, NO_BACKGROUND, per_decade=0)
    with pytest.raises(SettingsError, match="sigma above zero; got 10 and -1"):
        radial_profile(some, NO_BACKGROUND, sigma=-1)
    with pytest.raises(MeasurementError, match="hold 0 photons; expected more than zero"):
        radial_profile(rings(0 * AREA_MM2), NO_BACKGROUND)
