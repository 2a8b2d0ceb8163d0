"""The curve itself: what it is 1 at, what scales it, and its covariance by repetition."""

import astropy.units as u
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from beamreduce.background import BackgroundRings
from beamreduce.encircled_energy import encircled_energy, net_rings
from beamreduce.errors import MeasurementError
from tests.made_images import PIXEL_MM, ring_counts

RADIUS_MM = np.linspace(0.05, 2.0, 40)
AREA_PX = np.pi * np.diff(RADIUS_MM**2, prepend=0.0) / PIXEL_MM**2
REFERENCE = 1.5 * u.mm


def gaussian_rings(number, sigma_mm=0.4):
    """Expected photons of a round Gaussian in every ring (EE = 1 - exp(-r²/2σ²))."""
    return number * np.diff(1 - np.exp(-(RADIUS_MM**2) / (2 * sigma_mm**2)), prepend=0.0)


def flat_background(level, *, error=0.0, variance=0.0):
    mode = error * AREA_PX[None, :]
    return BackgroundRings(
        photons=level * AREA_PX,
        covariance=np.diag(variance * AREA_PX),
        modes=mode if error else mode[:0],
        model_modes=mode[:0],
    )


def curve_of(photons, background=None, reference=REFERENCE):
    rings = ring_counts(RADIUS_MM, photons)
    background = background or BackgroundRings.none(RADIUS_MM.size)
    return encircled_energy(net_rings(rings, background, reference))


def test_it_is_one_at_the_reference_radius_without_uncertainty():
    curve = curve_of(gaussian_rings(5000.0))
    assert curve.reference_radius == REFERENCE
    assert curve.fraction[-1] == 1.0
    assert curve.uncertainty[-1] == pytest.approx(0.0, abs=1e-12)
    assert curve.radius.size == 30


def test_a_gaussian_normalised_at_the_reference_radius():
    curve = curve_of(gaussian_rings(5000.0, sigma_mm=0.5))
    r = curve.radius.to_value(u.mm)
    expected = (1 - np.exp(-2 * r**2)) / (1 - np.exp(-2 * 1.5**2))
    np.testing.assert_allclose(curve.fraction, expected, rtol=1e-12)
    assert curve.net_photons == pytest.approx(5000 * (1 - np.exp(-4.5)))


@given(
    st.lists(st.floats(0.1, 1e4), min_size=40, max_size=40),
    st.floats(1e-3, 1e3),
    st.floats(0.0, 0.01),
)
@settings(max_examples=40)
def test_brighter_changes_the_errors_only(photons, factor, level):
    photons = np.array(photons) + level * AREA_PX
    one = curve_of(photons, flat_background(level, variance=level))
    more = curve_of(
        factor * photons, flat_background(factor * level, variance=factor * level)
    )
    np.testing.assert_allclose(more.fraction, one.fraction, rtol=1e-9)
    # Only the common scale of counts changed, so variances fall with it.
    np.testing.assert_allclose(
        more.covariance, one.covariance / factor, rtol=1e-6, atol=1e-12 / factor
    )


def test_a_background_that_is_taken_off_leaves_the_curve_of_the_image():
    source = gaussian_rings(5000.0)
    with_background = curve_of(source + 0.2 * AREA_PX, flat_background(0.2))
    np.testing.assert_allclose(
        with_background.fraction, curve_of(source).fraction, rtol=1e-10
    )
    assert np.all(with_background.uncertainty[:-1] > curve_of(source).uncertainty[:-1])


def test_rings_are_scaled_to_their_full_area():
    source = gaussian_rings(5000.0)
    covered = np.where(np.arange(40) % 3 == 0, 0.7, 1.0)
    rings = ring_counts(RADIUS_MM, covered * source)
    patchy = type(rings)(**{**vars(rings), "covered_px": covered * AREA_PX})
    net = net_rings(patchy, BackgroundRings.none(40), REFERENCE)
    np.testing.assert_allclose(encircled_energy(net).fraction, curve_of(source).fraction)
    # 0.7 of the photons, scaled by 1/0.7: variance source/0.7.
    np.testing.assert_allclose(
        net.covariance.diagonal(), source[:30] / covered[:30], rtol=1e-12
    )
    inside = np.cumsum((covered * AREA_PX)[:30]) / np.cumsum(AREA_PX[:30])
    np.testing.assert_allclose(net.covered, inside)


@pytest.mark.parametrize(("level", "error"), [(0.0, 0.0), (0.05, 0.0), (0.05, 0.004)])
def test_covariance_is_the_scatter_of_repeats(level, error):
    rng = np.random.default_rng(20240612)
    expected = gaussian_rings(4000.0) + level * AREA_PX
    repeats = 4000
    curves, quoted = [], 0.0
    for _ in range(repeats):
        # The background is measured with an error common to all rings.
        measured = level + error * rng.standard_normal()
        curve = curve_of(rng.poisson(expected), flat_background(measured, error=error))
        curves.append(curve.fraction)
        quoted = quoted + curve.covariance / repeats
    at = np.array([3, 8, 12, 20])
    scatter, quoted = np.cov(np.array(curves).T)[np.ix_(at, at)], quoted[np.ix_(at, at)]
    # Sample covariance of normal numbers: √((c_ii c_jj + c_ij²)/(n-1)), 4 deviations;
    # first-order propagation adds terms of relative size (σ/total)², 5e-4 at most here.
    size = np.sqrt(np.outer(quoted.diagonal(), quoted.diagonal()) + quoted**2)
    assert np.all(np.abs(scatter - quoted) < (4 / np.sqrt(repeats) + 1e-3) * size)


def test_photons_alone_give_the_binomial_error():
    # With N photons inside the reference radius the share inside r is binomial.
    curve = curve_of(gaussian_rings(5000.0))
    q = curve.fraction
    expected = np.sqrt(q * (1 - q) / curve.net_photons)
    np.testing.assert_allclose(curve.uncertainty[:-1], expected[:-1], rtol=1e-9)


def test_angles_are_offset_over_distance():
    curve = curve_of(gaussian_rings(5000.0))
    # 1.5 mm at 5.2 m: 1.5/5200 rad, and a radian has 206264.806247 arcsec.
    assert curve.angle[-1].to_value(u.arcsec) == pytest.approx(59.4994633)


def test_between_radii_the_light_in_a_ring_is_even():
    curve = curve_of(AREA_PX)  # even light: EE = (r/R)² everywhere
    radius = np.array([0.0, 0.013, 0.7, 1.1111, 1.5]) * u.mm
    np.testing.assert_allclose(curve.at(radius), (radius / REFERENCE).value ** 2)


def test_outside_its_range_the_curve_says_nothing():
    curve = curve_of(AREA_PX)
    for radius in (1.6 * u.mm, -0.1 * u.mm):
        with pytest.raises(MeasurementError, match="must lie between 0 and the reference"):
            curve.at(radius)


def test_what_cannot_be_a_curve_is_refused():
    rings = ring_counts(RADIUS_MM, gaussian_rings(5000.0))
    none = BackgroundRings.none(40)
    with pytest.raises(
        MeasurementError, match="one of the rings must end at the reference"
    ):
        net_rings(rings, none, 1.513 * u.mm)
    with pytest.raises(MeasurementError, match=r"rings end between 0\.05 and 2 mm"):
        net_rings(rings, none, 3 * u.mm)
    with pytest.raises(MeasurementError, match=r"are -.*expected more than zero"):
        net_rings(rings, flat_background(50.0), REFERENCE)
    covered = AREA_PX.copy()
    covered[11] = 0.0
    patchy = type(rings)(**{**vars(rings), "covered_px": covered})
    with pytest.raises(MeasurementError, match=r"ends at 0\.6 mm has no usable pixel"):
        net_rings(patchy, none, REFERENCE)
