"""Diameters from curves, and their uncertainty by bootstrap, by formula and by mode."""

import astropy.units as u
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from beamreduce.background import BackgroundRings
from beamreduce.encircled_energy import (
    HALF_POWER,
    NINETY,
    analytic_uncertainty_mm,
    crossing_diameters_mm,
    measure_diameters,
    net_rings,
    standard_radii,
)
from beamreduce.errors import MeasurementError, SettingsError
from tests.made_images import PIXEL_MM, read_only, ring_counts

RADII = standard_radii(
    0.5 * u.mm, reference_radii=2.0 * u.mm, largest_radius=2.0 * u.mm
).value
AREA_PX = np.pi * np.diff(RADII**2, prepend=0.0) / PIXEL_MM**2


def gaussian_photons(number, sigma_mm):
    return number * np.diff(1 - np.exp(-(RADII**2) / (2 * sigma_mm**2)), prepend=0.0)


def net_of(photons, background=None):
    rings = ring_counts(RADII, photons)
    return net_rings(rings, background or BackgroundRings.none(RADII.size), 2.0 * u.mm)


def crossing(cumulative, fractions=(0.5,), radius=None):
    if radius is None:
        radius = np.arange(1.0, len(cumulative) + 1)
    return crossing_diameters_mm(radius, np.array(cumulative), fractions)[0]


def test_even_light_within_rings_gives_the_closed_form():
    # A uniform disc of radius 2: diameter for share q is 2 R √q.
    radius = np.linspace(0.25, 2.0, 8)
    shares = (0.1, 0.5, 0.9)
    found = crossing(radius**2, shares, radius)
    np.testing.assert_allclose(found, 4 * np.sqrt(shares), rtol=1e-12)


def test_two_crossings_meet_in_the_middle():
    # The curve reaches 5 at radius 2, falls back, and rises through 5 again at radius 4.
    found = crossing([2.0, 5.0, 4.0, 5.0, 10.0])
    assert found[0] == pytest.approx(2 + 4)


def test_a_curve_that_overshoots_is_read_on_its_way_up():
    # Too much background taken off bends the curve down; half of its last value, 4, is
    # passed once between radii 1 (2 photons) and 2 (10 photons).
    found = crossing([2.0, 10.0, 9.0, 8.0])
    assert found[0] == pytest.approx(2 * np.sqrt(1 + 3 * 2 / 8))


def test_a_level_that_a_ring_ends_on_exactly():
    assert crossing([1.0, 2.0, 4.0])[0] == pytest.approx(4.0)
    # Nothing between radii 1 and 3: any of them would do; we give the least.
    assert crossing([2.0, 2.0, 2.0, 4.0])[0] == pytest.approx(1 + 1)


def test_a_curve_that_starts_below_zero():
    found = crossing([-1.0, 3.0, 4.0])
    assert found[0] == pytest.approx(2 * np.sqrt(1 + 3 * 3 / 4))


@given(
    st.lists(st.floats(0.0, 1.0), min_size=3, max_size=30),
    st.floats(1e-3, 1e3),
    st.floats(1e-3, 1e3),
)
@settings(max_examples=60)
def test_diameters_scale_with_the_radii_and_not_with_the_photons(photons, size, factor):
    growth = np.cumsum(np.array(photons) + 1e-3)
    radius = np.linspace(0.5, 3.0, growth.size)
    one = crossing_diameters_mm(radius, growth, (0.5, 0.9))
    other = crossing_diameters_mm(size * radius, factor * growth, (0.5, 0.9))
    np.testing.assert_allclose(other, size * one, rtol=1e-9)
    assert one[0, 0] <= one[0, 1] <= 2 * radius[-1]


def test_without_net_photons_there_is_no_diameter():
    assert np.isnan(crossing([1.0, 0.5, 0.0])).all()
    assert np.isnan(crossing([1.0, 0.5, -2.0])).all()


@pytest.mark.parametrize("fraction", [0.0, 1.0, -0.1, 1.5, np.nan])
def test_shares_lie_between_zero_and_one(fraction):
    with pytest.raises(SettingsError, match="shares must lie between 0 and 1"):
        crossing([1.0, 2.0], (fraction,))


@pytest.mark.parametrize("sigma_mm", [0.3, 0.42, 0.45])
def test_standard_radii_are_fine_enough(sigma_mm):
    # The promise is 1e-4 of a diameter where the half-power radius is as told.
    half_power = sigma_mm * np.sqrt(2 * np.log(2))
    radii = standard_radii(
        half_power * u.mm, reference_radii=5.5 * sigma_mm * u.mm, largest_radius=3 * u.mm
    ).value
    growth = 1 - np.exp(-(radii**2) / (2 * sigma_mm**2))
    growth = growth[radii <= 5.5 * sigma_mm * (1 + 1e-9)]
    total = growth[-1]
    found = crossing(growth, (0.5, 0.9), radii[: growth.size])
    expected = 2 * sigma_mm * np.sqrt(-2 * np.log(1 - total * np.array([0.5, 0.9])))
    np.testing.assert_allclose(found, expected, rtol=1e-4)


@given(st.floats(0.01, 3.0), st.lists(st.floats(0.5, 5.0), min_size=1, max_size=4))
@settings(max_examples=100)
def test_standard_radii_rise_and_end_at_every_reference_radius(half_power, references):
    largest = max(references) * 1.3
    radii = standard_radii(
        half_power * u.mm, reference_radii=references * u.mm, largest_radius=largest * u.mm
    ).value
    assert np.all(np.diff(radii, prepend=0.0) > 0)
    assert set(references) <= set(radii.tolist())
    assert radii[-1] == pytest.approx(largest)
    assert radii.size < 500


def test_the_same_stream_gives_the_same_replicates_and_inputs_are_only_read():
    photons = read_only(gaussian_photons(3000.0, 0.4).round())
    net = net_of(photons)
    one = measure_diameters(net, np.random.default_rng(5), replicates=50)
    two = measure_diameters(net, np.random.default_rng(5), replicates=50)
    np.testing.assert_array_equal(one.replicates_mm, two.replicates_mm)
    assert one.diameter_mm == two.diameter_mm


@pytest.mark.parametrize("fraction", [0.3, HALF_POWER, NINETY])
def test_analytic_uncertainty_of_a_gaussian(fraction):
    # σ(d) = 2 √(q(1-q)/N)/EE′(r): with 1-q = exp(-r²/2σ²), EE′ = (1-q) r/σ². The slope is
    # a secant; the docstring says within 1 %, and rings of 1/50 add less than 0.1 %.
    sigma = 0.3
    net = net_of(gaussian_photons(1e4, sigma))
    radius = sigma * np.sqrt(-2 * np.log(1 - fraction))
    slope = (1 - fraction) * radius / sigma**2
    expected = 2 * np.sqrt(fraction * (1 - fraction) / 1e4) / slope
    assert analytic_uncertainty_mm(net, fraction) == pytest.approx(expected, rel=0.011)


@pytest.mark.parametrize("fraction", [HALF_POWER, NINETY])
@pytest.mark.parametrize(("level", "error"), [(0.0, 0.0), (0.02, 0.0), (0.02, 0.002)])
def test_bootstrap_and_formula_agree(fraction, level, error):
    background = BackgroundRings(
        photons=level * AREA_PX,
        covariance=np.diag(0.5 * level * AREA_PX),
        modes=error * AREA_PX[None, :],
        model_modes=np.zeros((0, RADII.size)),
    )
    net = net_of(gaussian_photons(1e5, 0.4) + level * AREA_PX, background)
    measured = measure_diameters(net, np.random.default_rng(77), replicates=4000)
    # A standard deviation of 4 000 draws is known to 1/√8000 = 1.1 %, so 3.4 % for three
    # of these; the secant of the formula adds 1 %, and the crossing of noisy curves is
    # linear to (σ/d)², below 1e-4.
    assert measured.of(fraction).statistical == pytest.approx(
        analytic_uncertainty_mm(net, fraction), rel=0.045
    )


def test_model_modes_are_kept_apart():
    photons = gaussian_photons(1e5, 0.4) + 0.02 * AREA_PX
    mode = 0.002 * AREA_PX[None, :]
    background = BackgroundRings(
        photons=0.02 * AREA_PX,
        covariance=np.zeros((RADII.size, RADII.size)),
        modes=mode[:0],
        model_modes=mode,
    )
    measured = measure_diameters(net_of(photons, background), np.random.default_rng(1))
    # By hand: the background raised and lowered, the larger change of the diameter.
    value = crossing(np.cumsum(photons - 0.02 * AREA_PX), radius=RADII)[0]
    changes = [
        crossing(np.cumsum(gaussian_photons(1e5, 0.4) + sign * mode[0]), radius=RADII)[0]
        for sign in (-1, 1)
    ]
    expected = max(abs(change - value) for change in changes)
    assert measured.of(HALF_POWER).model == pytest.approx(expected, rel=1e-6)
    # The statistical part knows nothing of it.
    without = measure_diameters(
        net_of(
            photons,
            BackgroundRings(**{**vars(background), "model_modes": mode[:0]}),
        ),
        np.random.default_rng(1),
    )
    assert measured.of(HALF_POWER).statistical == without.of(HALF_POWER).statistical


def test_photons_lost_in_background_are_said_to_be():
    level = 1.0
    photons = gaussian_photons(60.0, 0.4) + level * AREA_PX
    background = BackgroundRings(
        photons=level * AREA_PX,
        covariance=np.zeros((RADII.size, RADII.size)),
        modes=np.zeros((0, RADII.size)),
        model_modes=np.zeros((0, RADII.size)),
    )
    # 31 000 background photons, so the 60 lie 0.34 σ above nothing.
    with pytest.raises(MeasurementError, match="not distinguishable from background"):
        measure_diameters(net_of(photons, background), np.random.default_rng(2))


def test_one_replicate_has_no_scatter():
    with pytest.raises(SettingsError, match="replicates must be at least 2; got 1"):
        measure_diameters(
            net_of(gaussian_photons(1e4, 0.4)), np.random.default_rng(2), replicates=1
        )
