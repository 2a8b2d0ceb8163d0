"""Sectors: which photons are in which, and their error bars by repetition."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special

from beamreduce.errors import MeasurementError, SettingsError
from beamreduce.image import measure_sectors
from tests.made_images import gaussian_image, photons_on_pixels, read_only


def test_sector_0_starts_at_plus_x_and_goes_towards_plus_y():
    net = np.zeros((41, 41))
    for number, (dx, dy) in enumerate([(9, 2), (2, 9), (-2, 9), (-9, 2)]):
        net[20 + dy, 20 + dx] = number + 1.0
    sectors = measure_sectors(net, net, (20, 20), 15.0, count=8)
    assert [s.share.value * 10 for s in sectors[:4]] == pytest.approx([1, 2, 3, 4])
    assert [s.share.value for s in sectors[4:]] == [0.0] * 4
    assert [(s.start_deg, s.end_deg) for s in sectors[:2]] == [(0, 45), (45, 90)]


@given(st.integers(2, 12), st.integers(0, 2**32 - 1))
@settings(max_examples=30)
def test_shares_add_up_and_follow_a_flip(count, seed):
    rng = np.random.default_rng(seed)
    net = rng.poisson(2.0, (41, 43)).astype(float)
    center = (20.3, 19.6)  # no pixel on a border between sectors
    sectors = measure_sectors(net, net, center, 15.0, count=count)
    assert sum(s.share.value for s in sectors) == pytest.approx(1.0)
    flipped = measure_sectors(net[::-1], net[::-1], (20.3, 40 - 19.6), 15.0, count=count)
    mirrored = [s.share.value for s in reversed(flipped)]
    assert mirrored == pytest.approx([s.share.value for s in sectors])


def test_photons_beyond_the_reference_radius_do_not_count():
    net = np.zeros((41, 41))
    net[22, 25], net[22, 39] = 3.0, 50.0
    sectors = measure_sectors(net, net, (20, 20), 15.0)
    assert sectors[0].share.value == 1.0


def test_error_bars_are_the_scatter_of_repeats():
    rng = np.random.default_rng(20240615)
    sigma, center, repeats = 6.0, (40.2, 39.7), 400
    shares, share_errors, radii, radius_errors = [], [], [], []
    for _ in range(repeats):
        x, y = rng.normal(center[0], sigma, 3000), rng.normal(center[1], sigma, 3000)
        net = photons_on_pixels((80, 80), x, y)
        sectors = measure_sectors(net, net, center, 35.0, count=4)
        shares.append([s.share.value for s in sectors])
        share_errors.append([s.share.statistical for s in sectors])
        radii.append([s.half_power_radius_px.value for s in sectors])
        radius_errors.append([s.half_power_radius_px.statistical for s in sectors])
    # A standard deviation of 4 × 400 numbers (shares are correlated by -1/3: take 400)
    # is known to 1/√800 = 3.5 %: three of these. The photons of an image are fixed here;
    # a share is binomial all the same.
    scatter = np.std(shares, axis=0).mean()
    assert scatter == pytest.approx(np.mean(share_errors), rel=0.11)
    # Order statistic; slopes are secants from 0.35 to 0.65, 2 % off for a Gaussian.
    scatter = np.std(radii, axis=0).mean()
    assert scatter == pytest.approx(np.mean(radius_errors), rel=0.09)
    # Medians of one-pixel bins, light taken as even in radius within a bin: the curve's
    # second derivative, 1/σ² over 8 steps squared, is 0.3 % of the level.
    expected = sigma * np.sqrt(2 * np.log(2))
    assert np.mean(radii) == pytest.approx(expected, rel=0.01)


def test_a_pixel_on_a_border_is_divided_by_area():
    net = np.zeros((41, 41))
    net[20, 29] = 8.0
    sectors = measure_sectors(net, net, (20.0, 20.0), 15.0)
    assert [sectors[k].share.value for k in (0, 7)] == pytest.approx([0.5, 0.5])
    # The border a third of a pixel higher: a sixth above it; parts are a tenth.
    sectors = measure_sectors(net, net, (20.0, 20.0 + 1 / 3), 15.0)
    assert [sectors[k].share.value for k in (0, 7)] == pytest.approx([0.2, 0.8])


@pytest.mark.parametrize("center", [(0.0, 0.0), (0.41, -0.06), (0.5, 0.5), (0.3, 0.2)])
@pytest.mark.parametrize("hpd_px", [11, 67])
def test_a_round_image_with_a_cusp_has_equal_sectors_wherever_it_falls(center, hpd_px):
    """In-plane Gaussian errors, HPD 1.349 σ: density exp(−r²/2σ²)/r. No noise.

    Light of whole pixels put where their centers are makes shares differ by 0.06.
    """
    sigma, half = hpd_px / 1.349, 3 * hpd_px
    radius = sigma * special.ndtri((1 + (np.arange(4_000) + 0.5) / 4_000) / 2)
    turn = 2 * np.pi * np.arange(720) / 720
    net = np.zeros((2 * half + 1,) * 2)
    for k, r in enumerate(np.array_split(radius, 100)):
        angle = turn + 2 * np.pi / 720 * (k * 0.618 % 1)
        x = (half + center[0] + np.outer(r, np.cos(angle))).ravel()
        y = (half + center[1] + np.outer(r, np.sin(angle))).ravel()
        net += photons_on_pixels(net.shape, x, y)
    where = half + center[0], half + center[1]
    sectors = measure_sectors(net, net, where, 2.5 * hpd_px)
    off = [s.share.value - 0.125 for s in sectors]
    assert max(map(abs, off)) < 0.004
    # What is left is of the size of the model term.
    assert np.std(off) < 1.5 * sectors[0].share.model


def test_a_sector_without_photons_has_no_radius():
    net = np.zeros((41, 41))
    net[20:25, 25:30] = 10.0
    sectors = measure_sectors(net, net, (20, 20), 15.0)
    assert sectors[0].half_power_radius_px is not None
    assert sectors[5].half_power_radius_px is None


def test_nothing_beyond_the_core():
    sectors = measure_sectors(np.ones((3, 3)), np.ones((3, 3)), (1.0, 1.0), 1.2)
    assert [s.share.value for s in sectors] == pytest.approx([1 / 8] * 8)


def test_inputs_are_only_read():
    net = read_only(1e4 * gaussian_image((41, 41), (20, 20), 4.0))
    measure_sectors(net, net, (20, 20), 15.0)


def test_what_has_no_sectors_is_refused():
    net = np.ones((41, 41))
    with pytest.raises(SettingsError, match="count of sectors must be at least 2; got 1"):
        measure_sectors(net, net, (20, 20), 15.0, count=1)
    with pytest.raises(MeasurementError, match="expected more than zero"):
        measure_sectors(0 * net, net, (20, 20), 15.0)
