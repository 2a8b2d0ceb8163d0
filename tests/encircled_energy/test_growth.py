"""The curve of growth and what a wrong background does to it."""

import astropy.units as u
import numpy as np
import pytest

from beamreduce.background import BackgroundRings
from beamreduce.encircled_energy import growth_curve
from beamreduce.errors import MeasurementError
from beamreduce.rings import RingCounts

PIXEL_MM = 0.02
RADIUS_MM = np.linspace(0.1, 5.0, 50)
AREA_PX = np.pi * np.diff(RADIUS_MM**2, prepend=0.0) / PIXEL_MM**2


def rings(photons, covered=1.0):
    return RingCounts(
        radius_mm=RADIUS_MM,
        photons=photons,
        poisson_part=photons,
        covariance=np.diag(photons),
        covered_px=AREA_PX * covered,
        pixel_mm=PIXEL_MM,
        detector_distance_mm=5500.0,
    )


def background(level, *, modes=(), model_modes=(), variance=0.0):
    """Flat background; modes and variance in photons a pixel."""
    area = AREA_PX
    return BackgroundRings(
        photons=level * area,
        covariance=np.diag(variance * area),
        modes=np.array([mode * area for mode in modes]).reshape(-1, area.size),
        model_modes=np.array([mode * area for mode in model_modes]).reshape(-1, area.size),
    )


def test_a_flat_error_of_the_background_grows_with_the_area():
    source = 300 * np.exp(-RADIUS_MM)
    growth = growth_curve(rings(source + 0.1 * AREA_PX), background(0.1, modes=(0.003,)))
    error = 0.003 * np.pi * (RADIUS_MM / PIXEL_MM) ** 2
    np.testing.assert_allclose(growth.photons, np.cumsum(source), rtol=1e-9)
    np.testing.assert_allclose(growth.raised, np.cumsum(source) - error, rtol=1e-9)
    np.testing.assert_allclose(growth.lowered, np.cumsum(source) + error, rtol=1e-9)


def test_modes_and_model_modes_join_in_quadrature():
    growth = growth_curve(
        rings(AREA_PX), background(0.1, modes=(0.003,), model_modes=(0.004,))
    )
    np.testing.assert_allclose(
        growth.background_uncertainty, 0.005 * np.cumsum(AREA_PX), rtol=1e-12
    )


def test_modes_that_cancel_over_the_rings_leave_the_outer_curve_alone():
    # A tilted change that is up inside and down outside: summed before it is squared.
    tilt = np.where(RADIUS_MM < 2.55, 1.0, -1.0)
    known = background(0.1)
    known = BackgroundRings(
        photons=known.photons,
        covariance=known.covariance,
        modes=tilt[None, :],
        model_modes=known.model_modes,
    )
    growth = growth_curve(rings(AREA_PX), known)
    assert growth.background_uncertainty[-1] == pytest.approx(0, abs=1e-9)
    assert growth.background_uncertainty[24] == pytest.approx(25)


def test_rings_are_scaled_to_their_full_area():
    whole = growth_curve(rings(AREA_PX), background(0.0, modes=(0.01,)))
    # The background knows the covered area only, as the rings do.
    half = background(0.0)
    half = BackgroundRings(
        photons=half.photons,
        covariance=half.covariance,
        modes=0.005 * AREA_PX[None, :],
        model_modes=half.model_modes,
    )
    growth = growth_curve(rings(AREA_PX / 2, covered=0.5), half)
    np.testing.assert_allclose(growth.photons, whole.photons)
    np.testing.assert_allclose(growth.background_uncertainty, whole.background_uncertainty)


def test_background_uncertainty_matches_the_scatter_of_repeats():
    rng = np.random.default_rng(20250311)
    known = background(0.1, modes=(0.002, 0.001), model_modes=(0.0015,), variance=0.004)
    expected = growth_curve(rings(AREA_PX), known).background_uncertainty
    repeats = 4000
    change = sum(
        rng.standard_normal((repeats, 1)) * mode
        for mode in (*known.modes, *known.model_modes)
    )
    noise = rng.standard_normal((repeats, RADIUS_MM.size))
    change = change + noise * np.sqrt(known.covariance.diagonal())
    scatter = np.cumsum(change, axis=1).std(axis=0)
    # Standard error of a standard deviation: 1/sqrt(2 n); four of them for 50 radii.
    np.testing.assert_allclose(expected, scatter, rtol=4 / np.sqrt(2 * repeats))


def test_no_background_leaves_three_equal_lines():
    growth = growth_curve(rings(AREA_PX), BackgroundRings.none(RADIUS_MM.size))
    np.testing.assert_array_equal(growth.raised, growth.lowered)
    assert growth.radius[-1] == 5 * u.mm
    assert growth.detector_distance == 5500 * u.mm


def test_a_ring_without_usable_pixels_is_refused():
    covered = np.ones(50)
    covered[3] = 0
    with pytest.raises(MeasurementError, match=r"ring that ends at 0\.4 mm has no usable"):
        growth_curve(rings(AREA_PX, covered), background(0.1))
