"""Planned rings against the other kernel, brute force and closed forms."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from beamreduce.errors import SettingsError
from beamreduce.rings import overlap_sums, plan_rings
from tests.made_images import read_only
from tests.rings.test_overlap import ROUNDING, made, places, radius_lists, seeds, sizes


def shares(shape, center_xy, radii):
    """Share of every pixel in every ring, pixel by pixel from the circle sums."""
    ny, nx = shape
    table = np.empty((radii.size, ny * nx))
    for pixel in range(ny * nx):
        image = np.zeros(ny * nx)
        image[pixel] = 1.0
        inside = overlap_sums(image.reshape(shape), center_xy, radii)
        table[:, pixel] = np.diff(inside, prepend=0.0)
    return table


@given(sizes, sizes, places, places, radius_lists, seeds)
@settings(max_examples=100)
def test_rings_add_up_to_circles(ny, nx, x, y, radii, seed):
    image = made(ny, nx, seed)
    plan = plan_rings(image.shape, (x, y), radii)
    np.testing.assert_allclose(
        np.cumsum(plan.sums(image)),
        overlap_sums(image, (x, y), radii),
        atol=ROUNDING * np.abs(image).sum(),
    )


@given(st.integers(1, 9), st.integers(1, 9), places, places, radius_lists, seeds)
@settings(max_examples=30)
def test_covariance_is_that_of_independent_pixels(ny, nx, x, y, radii, seed):
    center = (x / 5, y / 5)
    variance = made(ny, nx, seed)  # single pixels may be below zero: noise about zero
    plan = plan_rings((ny, nx), center, radii)
    share = shares((ny, nx), center, radii)
    brute = (share * variance.ravel()) @ share.T
    np.testing.assert_allclose(plan.covariance(variance), brute, atol=1e-12)


def test_many_rings_inside_one_pixel():
    radii = np.linspace(0.01, 0.49, 40)
    image = np.full((3, 3), 7.0)
    plan = plan_rings(image.shape, (1.0, 1.0), radii)
    np.testing.assert_allclose(plan.sums(image), 7 * plan.area_px, rtol=1e-9)
    assert not plan.whole_pixel_sums(image).any()


@given(places, places, radius_lists)
@settings(max_examples=40)
def test_each_larger_circle_holds_more_of_a_pixel_it_crosses(x, y, radii):
    plan = plan_rings((13, 12), (x / 4, y / 4), radii)
    same = np.diff(plan.edge_pixel.astype(int)) == 0
    assert np.all(np.diff(plan.edge_circle.astype(int))[same] == 1)
    assert np.all(np.diff(plan.edge_area)[same] > -1e-12)
    assert np.all((plan.edge_area > -1e-12) & (plan.edge_area < 1 + 1e-12))
    # The circle after the last one that crosses a pixel bounds its outermost ring.
    last = np.append(~same, True) if plan.edge_pixel.size else []
    ring = plan.ring_of_pixel.ravel()[plan.edge_pixel[last]]
    np.testing.assert_array_equal(ring, plan.edge_circle[last] + 1)


def test_whole_pixels_and_shared_pixels_are_apart():
    image = np.ones((9, 9))
    plan = plan_rings(image.shape, (4, 4), np.array([1.6, 3.0]))
    # Wholly inside 1.6: the 3 × 3 block but its corners (far corner at 2.12), so 5; the
    # far corners of (±2, 0) and (±2, ±1) lie at 2.55 and 2.92, but the circle of 1.6
    # crosses those pixels as well (nearest points at 1.5 and 1.58), so ring 1 has no
    # whole pixel but (±2, ±2) reaching 3.54: none.
    np.testing.assert_array_equal(plan.whole_pixel_sums(image), [5.0, 0.0])
    np.testing.assert_allclose(plan.sums(image), plan.area_px, rtol=1e-12)


def test_area_is_that_of_full_rings_wherever_the_image_ends():
    plan = plan_rings((4, 4), (0, 0), np.array([1.0, 20.0]))
    np.testing.assert_allclose(plan.area_px, [np.pi, np.pi * 399])
    assert plan.sums(np.ones((4, 4))).sum() == pytest.approx(16)


def test_inputs_are_only_read():
    image = read_only(made(9, 11, 4))
    plan = plan_rings(image.shape, (4.2, 5.1), read_only([1.0, 2.5, 6.0]))
    np.testing.assert_array_equal(plan.sums(image), plan.sums(image.copy()))
    plan.covariance(read_only(np.abs(image)))


def test_a_plan_serves_only_its_shape():
    plan = plan_rings((9, 11), (4, 5), np.array([1.0]))
    with pytest.raises(SettingsError, match=r"got \(11, 9\), planned \(9, 11\)"):
        plan.sums(np.ones((11, 9)))
    with pytest.raises(SettingsError, match=r"got \(1, 9\), planned \(9, 11\)"):
        plan.covariance(np.ones((1, 9)))


def test_rings_that_cannot_be_planned_are_refused():
    with pytest.raises(SettingsError, match="innermost ring must be above zero"):
        plan_rings((5, 5), (2, 2), np.array([0.0, 1.0]))
    with pytest.raises(SettingsError, match="center_xy must be finite; got"):
        plan_rings((5, 5), (2, np.inf), np.array([1.0]))
    # Ring numbers have 16 bits; more would wrap round without a word.
    with pytest.raises(SettingsError, match="at most 65535; got 65536"):
        plan_rings((5, 5), (2, 2), np.linspace(0.1, 3.0, 65536))
