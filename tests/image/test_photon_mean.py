"""The centroid: the fixed point that its rule says, carried along by the image."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from beamreduce.errors import MeasurementError
from beamreduce.image import centroid
from beamreduce.image.center import half_power_radius
from tests.made_images import gaussian_image, photons_on_pixels, read_only

fractions = st.floats(-0.5, 0.5)


def two_spots(shape=(96, 96), shift=(0.0, 0.0)):
    """Unlike spots, so that nothing is symmetric; without noise."""
    dx, dy = shift
    one = gaussian_image(shape, (46.0 + dx, 48.0 + dy), 5.0)
    other = gaussian_image(shape, (58.0 + dx, 41.0 + dy), 4.0)
    return 7e4 * one + 3e4 * other


@given(fractions, fractions)
@settings(max_examples=25)
def test_a_round_image_is_found_where_it_is(dx, dy):
    net = 1e5 * gaussian_image((64, 66), (32 + dx, 31 + dy), 5.0)
    c = centroid(net, net, reference_px=25.0)
    # Whole pixels enter over one pixel at the circle, so the mean depends a little on how
    # the lattice lies: 0.01 pixel, which moves an HPD by (0.01/5)²/4 = 1e-6 of itself.
    assert c.xy == pytest.approx((32 + dx, 31 + dy), abs=0.01)
    assert c.half_power_radius == pytest.approx(
        half_power_radius(net, c.xy, 25.0), rel=1e-12
    )


def test_it_is_the_mean_inside_the_circle_whose_radius_is_its_hpd():
    # The rule, worked out anew: pixels count by the share (r + 1/2 - distance) in 0..1.
    net = two_spots()
    c = centroid(net, net, reference_px=40.0)
    rows, columns = np.indices(net.shape)
    distance = np.hypot(columns - c.x, rows - c.y)
    radii = np.linspace(0, 40, 4001)
    inside = [(np.clip(r - distance + 0.5, 0, 1) * net).sum() for r in radii]
    hpd = 2 * np.interp(inside[-1] / 2, inside, radii)
    weight = np.clip(hpd - distance + 0.5, 0, 1) * net
    mean = (weight * columns).sum() / weight.sum(), (weight * rows).sum() / weight.sum()
    # It settles when a step is below 1e-3, and steps shrink by g each (g = 0.2 here).
    assert mean == pytest.approx(c.xy, abs=1e-3)


@given(fractions, fractions)
@settings(max_examples=15)
def test_a_shift_below_a_pixel_moves_it_along(dx, dy):
    still = two_spots()
    moved = two_spots(shift=(dx, dy))
    a = centroid(still, still, reference_px=40.0)
    b = centroid(moved, moved, reference_px=40.0)
    assert (b.x - a.x, b.y - a.y) == pytest.approx((dx, dy), abs=0.02)  # twice 0.01


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=25)
def test_flips_and_quarter_turns_move_it_along(seed):
    rng = np.random.default_rng(seed)
    net = photons_on_pixels((64, 70), rng.normal(33.0, 5, 800), rng.normal(30.0, 5, 800))
    net += rng.poisson(0.02, net.shape) - 0.02
    c = centroid(net, np.abs(net), reference_px=25.0)
    flipped = centroid(net[:, ::-1], np.abs(net[:, ::-1]), reference_px=25.0)
    turned = centroid(net.T, np.abs(net.T), reference_px=25.0)
    # The rough start differs, and steps end below 1e-3 pixel or a fifth of σ.
    near = 0.25 * np.hypot(c.x_uncertainty, c.y_uncertainty)
    assert flipped.xy == pytest.approx((69 - c.x, c.y), abs=near)
    assert turned.xy == pytest.approx((c.y, c.x), abs=near)


def test_more_light_changes_the_uncertainty_only():
    net = two_spots()
    one = centroid(net, net, reference_px=40.0)
    four = centroid(4 * net, 4 * net, reference_px=40.0)
    assert four.xy == pytest.approx(one.xy, abs=1e-6)
    assert four.x_uncertainty == pytest.approx(one.x_uncertainty / 2, rel=1e-3)


def test_uncertainty_of_a_gaussian():
    # Mean inside a circle of radius a = HPD that follows it (derived): ψ = (x - c) for
    # r < a, so σ² = E[ψ²]/(E[ψ′])²/N with E[ψ²] = σ²(P - k), E[ψ′] = P - k,
    # P = 1 - exp(-a²/2σ²) = 15/16, k = (a²/2σ²) exp(-a²/2σ²) = 4 ln 2/16.
    number, sigma = 2e4, 8.0
    inside = 15 / 16 - 4 * np.log(2) / 16
    expected = sigma / np.sqrt(number * inside)
    net = number * gaussian_image((128, 128), (63.7, 64.2), sigma)
    c = centroid(net, net, reference_px=60.0)
    # Derivatives are differences over a sixth of the radius, and pixels have corners: 2 %.
    assert c.x_uncertainty == pytest.approx(expected, rel=0.02)
    assert c.y_uncertainty == pytest.approx(expected, rel=0.02)


def test_uncertainty_where_the_circle_cuts_through_a_second_spot():
    # More photons inside make the circle smaller, which leaves out more of the spot: this
    # half of the uncertainty comes through the radius, and all of it by repetition.
    rng = np.random.default_rng(20240630)
    net = 18_000 * gaussian_image((110, 120), (50.2, 54.7), 4.0)
    net += 12_000 * gaussian_image((110, 120), (68.2, 54.7), 7.0)
    offsets, errors = [], []
    for _ in range(300):
        drawn = rng.poisson(net).astype(float)
        c = centroid(drawn, drawn, reference_px=45.0)
        offsets.append(c.x)
        errors.append(c.x_uncertainty)
    # A scatter of 300 is known to 1/√600 = 4.1 %: four of these.
    assert np.std(offsets) == pytest.approx(np.sqrt(np.mean(np.square(errors))), rel=0.16)


def test_only_light_inside_its_circle_counts():
    net = 1e5 * gaussian_image((128, 128), (50.0, 60.0), 3.0)
    c = centroid(net, net, reference_px=40.0)
    net[100:110, 100:110] += 5.0
    assert centroid(net, net, reference_px=40.0).xy == pytest.approx(c.xy, abs=1e-6)


def test_one_bright_pixel_is_its_own_center():
    net = np.zeros((32, 32))
    net[10, 12] = 100.0
    assert centroid(net, net).xy == pytest.approx((12.0, 10.0))


def test_sparse_photons_always_settle():
    # 500 photons on 0.05 a pixel; when the circle changed by jumps 4 % of these failed.
    rng = np.random.default_rng(20240614)
    for _ in range(60):
        x, y = rng.normal(64.3, 8, 500), rng.normal(63.6, 8, 500)
        image = photons_on_pixels((128, 128), x, y) + rng.poisson(0.05, (128, 128))
        c = centroid(image - 0.05, image, reference_px=50.0)
        assert np.hypot(c.x - 64.3, c.y - 63.6) < 6 * c.x_uncertainty


def test_inputs_are_only_read():
    net = read_only(two_spots())
    centroid(net, net)


def test_nothing_to_center_is_said():
    empty = np.zeros((32, 32))
    with pytest.raises(MeasurementError, match="check that the beam was on"):
        centroid(empty, empty)
    with pytest.raises(MeasurementError, match="check that the beam was on"):
        centroid(empty - 0.1, empty)
