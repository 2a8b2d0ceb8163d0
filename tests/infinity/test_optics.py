"""Open azimuths, displaced quadrants and light from off the axis."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from beamreduce.infinity.optics import azimuth_groups
from tests.infinity.made_designs import designed
from tests.infinity.made_rings import perfect_reflection

TURN = 2 * math.pi
NEST = designed()[1]
SOURCE = 86e3
QUADRANTS = tuple((k * TURN / 4, (k + 1) * TURN / 4) for k in range(4))


def optics(**more):
    return perfect_reflection(NEST, SOURCE, **more)


def open_share(made):
    return sum(g.azimuths.share.sum() for g in azimuth_groups(made, 5000.0))


@pytest.mark.parametrize("off_axis", [0.0, 1e-3])
@given(first=st.floats(0, TURN), reach=st.floats(0.1, TURN - 0.01))
def test_an_opening_has_its_share_of_the_turn(off_axis, first, reach):
    made = optics(
        open_rad=(first, first + reach), off_axis_rad=off_axis, off_azimuth_rad=0.4
    )
    assert open_share(made) == pytest.approx(reach / TURN, abs=1e-12)


@pytest.mark.parametrize("off_axis", [0.0, 1e-3])
@pytest.mark.parametrize("between", QUADRANTS)
def test_a_quadrant_is_a_quarter(off_axis, between):
    made = optics(open_rad=between, off_axis_rad=off_axis)
    assert open_share(made) == pytest.approx(0.25, abs=1e-12)


def test_no_opening_is_the_whole_turn():
    assert open_share(optics()) == pytest.approx(1.0)
    assert open_share(optics(off_axis_rad=1e-3)) == pytest.approx(1.0)
    (group,) = azimuth_groups(optics(), 5000.0)
    assert group.azimuths.centered


@pytest.mark.parametrize("off_axis", [0.0, 1e-3])
def test_a_displaced_quadrant_moves_its_own_light_and_no_other(off_axis):
    angle = (2e-5, -3e-5)
    made = optics(quadrant_shifts={QUADRANTS[1]: angle}, off_axis_rad=off_axis)
    for group in azimuth_groups(made, 5000.0):
        inside = (group.azimuths.azimuth_rad // (TURN / 4)).astype(int) == 1
        np.testing.assert_allclose(
            group.azimuths.shift_mm,
            np.where(inside[:, None], 5000.0 * np.array(angle), 0.0),
            atol=1e-12,
        )


@pytest.mark.parametrize("towards", [0.0, math.radians(30), math.radians(240)])
def test_the_tilt_is_that_of_each_azimuth(towards):
    made = optics(off_axis_rad=1e-3, off_azimuth_rad=towards)
    for group in azimuth_groups(made, 5000.0):
        away = group.azimuths.azimuth_rad - towards
        np.testing.assert_allclose(
            np.cos(away), math.cos(group.away_rad), rtol=1e-9, atol=1e-12
        )


@pytest.mark.parametrize("towards", [0.0, math.radians(30), math.radians(240)])
@pytest.mark.parametrize("between", QUADRANTS)
def test_means_over_an_opening_off_the_axis(towards, between):
    """Mean tilt and its square over a quadrant against the integrals of cos and cos²."""
    made = optics(open_rad=between, off_axis_rad=1e-3, off_azimuth_rad=towards)
    groups = azimuth_groups(made, 5000.0)
    tilt = np.cos([g.away_rad for g in groups])
    share = np.array([g.azimuths.share.sum() for g in groups])
    a, b = (edge - towards for edge in between)
    # Steps of 15° about their middles: right to h²/24 of the amplitude, 0.3 % (cos), and
    # h²/6 of half of it (cos² = (1 + cos 2φ)/2), 0.6 %.
    mean = (math.sin(b) - math.sin(a)) / (b - a)
    square = 0.5 + (math.sin(2 * b) - math.sin(2 * a)) / (4 * (b - a))
    assert share @ tilt / share.sum() == pytest.approx(mean, abs=0.003)
    assert share @ tilt**2 / share.sum() == pytest.approx(square, abs=0.006)


def test_blur_of_pixel_and_source():
    """p²/6 an axis for exact ring sums; d/4 for an even disc (both derived)."""
    made = optics(source_diameter_mm=0.8)
    source = 0.8 / 4 * 5500 / SOURCE
    expected = math.hypot(source, 0.05 / math.sqrt(6))
    assert made.blur_mm(5500.0, 0.05) == pytest.approx(expected)
    assert made.for_star().blur_mm(5500.0, 0.05) == pytest.approx(0.05 / math.sqrt(6))


def test_some_energies():
    made = optics()
    assert made.at_energies([0, 0]).energies == 2
