"""Rings, pixels and totals hold the same light; plans that cannot be are refused."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from beamreduce.errors import SettingsError
from beamreduce.raytrace import ErrorLaw, FigureErrors, ImageGrid, Light, MirrorState
from beamreduce.raytrace.collect import TracePlan, collect, empty_tallies, targets_of
from beamreduce.raytrace.ray_block import (
    FATE,
    KEPT,
    KEPT_CHANCE,
    KEPT_HIT,
    RAYS,
    ROWS,
    SLOPE_X,
    SLOPE_Y,
    X,
    Y,
)
from tests.raytrace.made_mirrors import ARCSEC, SOURCE, image_plane, nest, run

EVERYTHING = np.zeros((2, 2, 1))
EVERYTHING[:, 0] = 1.0


def count(plan, lines, quadrant=0):
    """Tallies of rays given as x, y, slope x, slope y, all reflected twice."""
    block, kept = np.zeros(ROWS * RAYS), np.zeros((2, KEPT, RAYS))
    rays = lines.shape[1]
    for row, values in zip((X, Y, SLOPE_X, SLOPE_Y), lines, strict=True):
        block[row : row + rays] = values
    block[FATE : FATE + rays] = 0.0
    kept[:, KEPT_HIT], kept[:, KEPT_CHANCE] = 1.0, 1.0
    tallies = empty_tallies(plan, (1, 4, 1))
    targets = targets_of(plan, 4)
    collect(block, rays, kept, (1.0, quadrant, 0), (EVERYTHING, 1.0), targets, tallies)
    return tallies


@given(
    seed=st.integers(0, 2**31),
    rings=st.integers(1, 300),
    center=st.tuples(st.floats(-1, 1), st.floats(-1, 1)),
)
def test_rings_are_counted_as_by_sorting(seed, rings, center):
    rng = np.random.default_rng(seed)
    radii = np.cumsum(rng.exponential(1.0, rings) ** 2 + 1e-9)
    radii *= 3 / radii[-1]
    lines = rng.normal(0, [[1], [1], [1e-3], [1e-3]], (4, 200))
    plan = TracePlan(distances_mm=[100.0, 700.0], ring_radii_mm=radii, centers_mm=center)
    tallies = count(plan, lines)
    for d, z in enumerate((100.0, 700.0)):
        offset = np.hypot(
            lines[0] + lines[2] * z - center[0], lines[1] + lines[3] * z - center[1]
        )
        expected = np.bincount(np.searchsorted(radii, offset), minlength=rings + 1)
        assert np.array_equal(tallies.rings[d, :, 0], expected)


def test_a_ray_on_a_circle_belongs_inside_and_one_at_the_center_to_the_first_ring():
    plan = TracePlan(distances_mm=[1.0], ring_radii_mm=[1.0, 2.0])
    lines = np.array([[0.0, 1.0, 2.0, 2.5], [0.0] * 4, [0.0] * 4, [0.0] * 4])
    assert count(plan, lines).rings[0, :, 0].tolist() == [2, 1, 1]


@given(seed=st.integers(0, 2**31))
def test_pixels_have_their_centers_at_whole_numbers(seed):
    rng = np.random.default_rng(seed)
    grid = ImageGrid(pixel_mm=0.3, shape=(9, 12), center_xy=(5.3, 4.1))
    plan = TracePlan(distances_mm=[50.0], image=grid)
    lines = rng.normal(0, [[1], [1], [1e-3], [1e-3]], (4, 200))
    image = count(plan, lines).image[0, :, :, 0]
    x = (lines[0] + lines[2] * 50) / 0.3 + 5.3
    y = (lines[1] + lines[3] * 50) / 0.3 + 4.1
    edges = np.arange(10) - 0.5, np.arange(13) - 0.5
    assert np.array_equal(image, np.histogram2d(y, x, bins=edges)[0])


def test_each_quadrant_has_its_own_center():
    centers = np.zeros((1, 4, 2))
    centers[0, 2] = (5.0, 0.0)
    plan = TracePlan(distances_mm=[1.0], ring_radii_mm=[1.0], centers_mm=centers)
    line = np.array([[5.0], [0.0], [0.0], [0.0]])
    assert count(plan, line, quadrant=2).rings[0, :, 0].tolist() == [1, 0]
    assert count(plan, line, quadrant=1).rings[0, :, 0].tolist() == [0, 1]


def test_rings_pixels_and_totals_of_a_trace_hold_the_same_light():
    law = ErrorLaw.gaussian(15 * ARCSEC)
    mirror = MirrorState(
        prescription=nest(130.0, 134.0, thickness=0.2),
        figure=FigureErrors(primary=law, secondary=law),
    )
    radii = np.array([[0.5, 1.0, 2.0], [0.6, 1.2, 2.4]])
    found = run(
        mirror,
        Light(source_distance_mm=SOURCE),
        [image_plane(), image_plane() + 30],
        ring_radii_mm=radii,
        image=ImageGrid(pixel_mm=0.05, shape=(161, 161), center_xy=(80.0, 80.0)),
    )
    inside = found.rings_mm2.sum(axis=-1) + found.beyond_mm2
    assert inside == pytest.approx(np.full((2, 1), found.area_mm2[0]), rel=1e-12)
    y, x = np.indices((161, 161)) - 80
    for k in range(2):
        image = found.image_mm2[k, 0]
        assert image.sum() == pytest.approx(found.area_mm2[0], rel=1e-3)
        assert image.sum() <= found.area_mm2[0] * (1 + 1e-12)
        within = image[np.hypot(x, y) * 0.05 <= radii[k, 1]].sum()
        assert within == pytest.approx(found.enclosed_mm2[k, 0, 1], rel=0.02)
        mean = np.array([(image * x).sum(), (image * y).sum()]) / image.sum() * 0.05
        expected = np.nansum(
            found.centroid_mm(found.plan.distances_mm[k])[:, 0]
            * found.quadrant_area_mm2 / found.area_mm2[0],
            axis=0,
        )  # fmt: skip
        assert mean == pytest.approx(expected, abs=2e-3)


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"distances_mm": [0.0]}, "distances_mm must be above zero"),
        ({"distances_mm": [math.inf]}, "distances_mm must be above zero"),
        ({"ring_radii_mm": [2.0, 1.0]}, "ring_radii_mm must rise from above zero"),
        ({"ring_radii_mm": [0.0, 1.0]}, "ring_radii_mm must rise from above zero"),
        ({"ring_radii_mm": [[1.0], [2.0], [3.0]]}, "must be one list, or one a distance"),
        ({"fates": ("lost",)}, "fates must be among focused, primary_only"),
        ({"fates": ()}, "fates must be among"),
        ({"shifts": 1}, "shifts must be at least 2; got 1"),
    ],
)
def test_plans_that_cannot_be_are_refused(settings, message):
    with pytest.raises(SettingsError, match=message):
        TracePlan(**({"distances_mm": [100.0, 200.0]} | settings))


@pytest.mark.parametrize(
    ("centers", "message"),
    [
        (np.zeros(3), "centers_mm must be x and y"),
        (np.zeros((3, 2)), "centers_mm must be x and y"),
        (np.array([math.nan, 0.0]), "centers_mm must be finite"),
    ],
)
def test_centers_that_cannot_be_are_refused(centers, message):
    plan = TracePlan(distances_mm=[100.0, 200.0], centers_mm=centers)
    with pytest.raises(SettingsError, match=message):
        plan.centers(4)


@pytest.mark.parametrize(("pixel", "shape"), [(0.0, (3, 3)), (0.1, (0, 3))])
def test_images_without_pixels_are_refused(pixel, shape):
    with pytest.raises(SettingsError, match="an image must have pixels of a size above"):
        ImageGrid(pixel_mm=pixel, shape=shape, center_xy=(0, 0))
