"""Sums inside circles: closed forms, symmetries and what must not matter."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from beamreduce.errors import SettingsError
from beamreduce.rings import overlap_sums
from tests.made_images import read_only

# Sums of up to 40 × 40 pixels in double precision: rounding stays far below this share
# of the sum of absolute values.
ROUNDING = 1e-12

sizes = st.integers(1, 40)
places = st.one_of(
    st.floats(-12.0, 52.0),
    st.integers(-24, 104).map(lambda n: n / 2),  # centers, edges and corners of pixels
)
radius_lists = st.lists(
    st.one_of(st.floats(1e-3, 70.0), st.integers(1, 140).map(lambda n: n / 2)),
    min_size=1,
    max_size=12,
    unique=True,
).map(lambda radii: np.array(sorted(radii)))
seeds = st.integers(0, 2**32 - 1)


def made(ny, nx, seed):
    return np.random.default_rng(seed).normal(size=(ny, nx))


@given(places, places, radius_lists)
def test_even_light_gives_the_area_of_the_circle(x, y, radii):
    ny, nx = 40, 41
    inside = radii[radii <= min(x + 0.5, nx - 0.5 - x, y + 0.5, ny - 0.5 - y)]
    if inside.size == 0:
        return
    sums = overlap_sums(np.ones((ny, nx)), (x, y), inside)
    np.testing.assert_allclose(sums, np.pi * inside**2, rtol=ROUNDING)


@pytest.mark.parametrize("radius", [1e-6, 1e-3, 0.1, 0.25, 0.499])
@pytest.mark.parametrize("offset", [(0.0, 0.0), (0.3, -0.2), (-0.499, 0.499)])
def test_a_circle_below_a_pixel_sees_its_own_pixel_only(radius, offset):
    if max(abs(offset[0]), abs(offset[1])) + radius > 0.5:
        radius = 0.5 - max(abs(offset[0]), abs(offset[1]))
    image = np.zeros((7, 9))
    image[3, 4] = 5.0
    sums = overlap_sums(image, (4 + offset[0], 3 + offset[1]), np.array([radius]))
    assert sums[0] == pytest.approx(5 * np.pi * radius**2, rel=1e-10)


def test_a_center_on_a_corner_shares_the_circle_among_four_pixels():
    image = np.arange(1.0, 17.0).reshape(4, 4)
    radius = 0.8
    sums = overlap_sums(image, (1.5, 1.5), np.array([radius]))
    quarter = np.pi * radius**2 / 4
    assert sums[0] == pytest.approx(quarter * image[1:3, 1:3].sum(), rel=ROUNDING)


def test_a_center_on_an_edge_halves_the_circle():
    image = np.array([[1.0, 10.0]])
    sums = overlap_sums(image, (0.5, 0.0), np.array([0.3]))
    assert sums[0] == pytest.approx(11 * np.pi * 0.3**2 / 2, rel=ROUNDING)


@given(sizes, sizes, places, places, seeds)
def test_a_circle_around_everything_holds_everything(ny, nx, x, y, seed):
    image = made(ny, nx, seed)
    sums = overlap_sums(image, (x, y), np.array([100.0]))
    assert sums[0] == pytest.approx(image.sum(), abs=ROUNDING * np.abs(image).sum())


@given(sizes, sizes, places, places, radius_lists, seeds)
@settings(max_examples=60)
def test_flips_and_quarter_turns_change_nothing(ny, nx, x, y, radii, seed):
    image = made(ny, nx, seed)
    expected = overlap_sums(image, (x, y), radii)
    same = [
        overlap_sums(image[:, ::-1], (nx - 1 - x, y), radii),
        overlap_sums(image[::-1], (x, ny - 1 - y), radii),
        overlap_sums(image.T, (y, x), radii),
        overlap_sums(np.rot90(image), (y, nx - 1 - x), radii),
    ]
    for sums in same:
        np.testing.assert_allclose(sums, expected, atol=ROUNDING * np.abs(image).sum())


@given(sizes, sizes, places, places, radius_lists, st.integers(2, 4), seeds)
@settings(max_examples=60)
def test_splitting_every_pixel_evenly_changes_nothing(ny, nx, x, y, radii, parts, seed):
    image = made(ny, nx, seed)
    fine = np.kron(image, np.full((parts, parts), 1 / parts**2))
    center = (parts * (x + 0.5) - 0.5, parts * (y + 0.5) - 0.5)
    np.testing.assert_allclose(
        overlap_sums(fine, center, parts * radii),
        overlap_sums(image, (x, y), radii),
        atol=ROUNDING * np.abs(image).sum(),
    )


@given(sizes, sizes, places, places, radius_lists, seeds)
@settings(max_examples=60)
def test_every_radius_stands_alone(ny, nx, x, y, radii, seed):
    image = made(ny, nx, seed)
    alone = [overlap_sums(image, (x, y), radii[k : k + 1])[0] for k in range(radii.size)]
    together = overlap_sums(image, (x, y), radii)
    np.testing.assert_allclose(together, alone, atol=ROUNDING * np.abs(image).sum())


@given(sizes, sizes, places, places, radius_lists, seeds)
@settings(max_examples=40)
def test_sums_add_and_scale_with_the_image(ny, nx, x, y, radii, seed):
    one, other = made(ny, nx, seed), made(ny, nx, seed + 1)
    joint = overlap_sums(3 * one - 2 * other, (x, y), radii)
    parts = 3 * overlap_sums(one, (x, y), radii) - 2 * overlap_sums(other, (x, y), radii)
    np.testing.assert_allclose(joint, parts, atol=5 * ROUNDING * one.size)


@given(sizes, sizes, places, places, radius_lists, seeds)
@settings(max_examples=40)
def test_more_circle_never_holds_fewer_photons(ny, nx, x, y, radii, seed):
    image = np.abs(made(ny, nx, seed))
    sums = overlap_sums(image, (x, y), radii)
    slack = ROUNDING * image.sum()
    assert np.all(np.diff(sums, prepend=0.0) >= -slack)
    assert np.all(sums <= image.sum() + slack)


@given(st.integers(0, 6), st.integers(0, 6), st.floats(0.0, 30.0), radius_lists, seeds)
@settings(max_examples=40)
def test_an_empty_border_moves_the_center_only(right, down, x, radii, seed):
    image = made(12, 17, seed)
    padded = np.pad(image, ((down, 3), (right, 5)))
    np.testing.assert_allclose(
        overlap_sums(padded, (x + right, 5.2 + down), radii),
        overlap_sums(image, (x, 5.2), radii),
        atol=ROUNDING * np.abs(image).sum(),
    )


def test_zero_radius_holds_nothing_and_far_circles_nothing():
    image = np.ones((5, 5))
    np.testing.assert_array_equal(overlap_sums(image, (2, 2), np.array([0.0])), [0.0])
    np.testing.assert_array_equal(overlap_sums(image, (1e6, 2), np.array([1.0])), [0.0])


@pytest.mark.parametrize("kind", [bool, np.uint16, np.int64, np.float32])
def test_other_number_types_count_the_same(kind):
    image = (made(9, 11, 3) > 0).astype(kind)
    radii = np.array([1.0, 2.5, 6.0])
    sums = overlap_sums(image, (4.2, 5.1), radii)
    np.testing.assert_array_equal(
        sums, overlap_sums(image.astype(float), (4.2, 5.1), radii)
    )


def test_inputs_are_only_read():
    image, radii = read_only(made(9, 11, 4)), read_only([1.0, 2.5, 6.0])
    sums = overlap_sums(image, (4.2, 5.1), radii)
    np.testing.assert_array_equal(sums, overlap_sums(image.copy(), (4.2, 5.1), radii))


@pytest.mark.parametrize(
    ("radii", "words"),
    [
        ([2.0, 1.0], "rising order"),
        ([1.0, 1.0], "rising order"),
        ([-1.0, 1.0], "not below zero"),
        ([1.0, np.nan], "finite"),
        ([1.0, np.inf], "finite"),
        ([], "list of numbers"),
        ([[1.0, 2.0]], "list of numbers"),
    ],
)
def test_radii_that_cannot_be_used_are_refused(radii, words):
    with pytest.raises(SettingsError, match=words):
        overlap_sums(np.ones((5, 5)), (2, 2), np.array(radii))


def test_image_and_center_that_cannot_be_used_are_refused():
    with pytest.raises(SettingsError, match=r"two axes; got shape \(3, 4, 5\)"):
        overlap_sums(np.ones((3, 4, 5)), (2, 2), np.array([1.0]))
    with pytest.raises(SettingsError, match="center_xy must be finite; got"):
        overlap_sums(np.ones((3, 4)), (np.nan, 2), np.array([1.0]))
