"""Shapes taken out of maps, outliers masked, maps that hold nothing."""

import astropy.units as u
import numpy as np
import pytest

from beamreduce.errors import ReflectorError, SettingsError
from beamreduce.reflectors import height_map, remove_shape, roughness
from tests.reflectors.made_maps import as_map


def cylinder(rows=64, columns=80, turned=0.4, curvature=0.05):
    """Exact parabola across an axis that lies askew, with tilt and a far zero."""
    y, x = np.mgrid[0:rows, 0:columns] * 1.0
    across = (y - 31) * np.cos(turned) + (x - 40) * np.sin(turned)
    return curvature * across**2 + 0.7 * x - 0.3 * y + 5000


def test_a_cylinder_askew_leaves_nothing():
    found = remove_shape(as_map(cylinder()))
    assert np.abs(found.map.height_nm).max() < 1e-9
    assert found.coefficients_nm["x0y0"] > 4000


def test_a_cone_needs_a_curvature_that_changes():
    y, x = np.mgrid[-1:1:64j, -1:1:64j]
    cone = 500 * y**2 / (1 + 0.05 * x)
    left = {
        shape: np.abs(remove_shape(as_map(cone), shape=shape).map.height_nm).max()
        for shape in ("plane", "cylinder", "cone")
    }
    assert left["plane"] > 100
    # 500·y²·0.05 x is left by the cylinder, 500·0.05² x² y² by the cone.
    assert 5 < left["cylinder"] < 30
    assert left["cone"] < 2


def test_the_shape_does_not_take_roughness_with_it():
    """Six terms of 5 120 points: the mean square loses 6/5120 of white roughness."""
    rng = np.random.default_rng(41)
    ratios = []
    for _ in range(40):
        rough = rng.normal(0, 1, (64, 80))
        found = remove_shape(as_map(rough + cylinder()))
        ratios.append(roughness(found.map).Sq.value ** 2 / rough.var())
    assert np.mean(ratios) == pytest.approx(1 - 5 / 5120, abs=3.5 * 4e-4)


def test_spikes_and_drop_outs_are_masked_and_nothing_else():
    rng = np.random.default_rng(42)
    rough = rng.normal(0, 1, (128, 128))
    clean = roughness(remove_shape(as_map(rough)).map).Sq.value
    spoilt = rough + cylinder(128, 128)
    where = rng.choice(128 * 128, 60, replace=False)
    spoilt.ravel()[where] += rng.choice([-1, 1], 60) * rng.uniform(30, 3000, 60)
    found = remove_shape(as_map(spoilt))
    assert found.outlier_fraction == pytest.approx(60 / 128**2)
    assert np.array_equal(np.flatnonzero(np.isnan(found.map.height_nm)), np.sort(where))
    assert roughness(found.map).Sq.value == pytest.approx(clean, rel=0.01)


def test_normal_heights_have_no_outliers():
    rng = np.random.default_rng(43)
    found = remove_shape(as_map(rng.normal(0, 1, (512, 512))))
    assert found.outlier_fraction == 0


def test_holes_stay_holes_and_do_not_bias():
    rng = np.random.default_rng(44)
    rough = rng.normal(0, 1, (96, 96))
    holes = rough + cylinder(96, 96)
    holes[rng.random((96, 96)) < 0.25] = np.nan
    holes[20:40, 10:30] = np.nan
    found = remove_shape(as_map(holes))
    assert found.missing_fraction == pytest.approx(np.isnan(holes).mean())
    # 6 600 points left: 1/√(2n) is 0.9 %.
    assert roughness(found.map).Sq.value == pytest.approx(1, abs=3.5 * 0.009)


def test_input_is_not_changed():
    heights = cylinder()
    before = heights.copy()
    given = as_map(heights)
    remove_shape(given)
    assert np.array_equal(heights, before)
    assert not given.height_nm.flags.writeable


@pytest.mark.parametrize(
    ("heights", "words"),
    [
        (np.zeros((1, 1)), "1 × 1 points"),
        (np.zeros((100, 4)), "100 × 4 points"),
        (np.full((64, 64), np.nan), "found no heights"),
        (
            np.where(np.arange(64 * 64).reshape(64, 64) < 50, 1.0, np.nan),
            "found 50 heights",
        ),
    ],
)
def test_maps_that_hold_nothing(heights, words):
    with pytest.raises(ReflectorError, match=words):
        remove_shape(as_map(heights))


def test_a_flat_map_has_no_roughness():
    found = remove_shape(as_map(np.ones((32, 32))))
    with pytest.raises(ReflectorError, match="the same height everywhere"):
        roughness(found.map)


def test_what_makes_no_map():
    with pytest.raises(ReflectorError, match="shape"):
        height_map(np.zeros(9) * u.nm, pixel_size=1 * u.um)
    with pytest.raises(ReflectorError, match="infinite"):
        height_map(np.full((9, 9), np.inf) * u.nm, pixel_size=1 * u.um)
    with pytest.raises(SettingsError, match="heights must have a unit"):
        height_map(np.zeros((9, 9)), pixel_size=1 * u.um)
    with pytest.raises(SettingsError, match="pixel_size must be above zero"):
        height_map(np.zeros((9, 9)) * u.nm, pixel_size=0 * u.um)
    with pytest.raises(SettingsError, match="shape must be one of"):
        remove_shape(as_map(np.zeros((9, 9))), shape="sphere")
    with pytest.raises(SettingsError, match="outlier_limit"):
        remove_shape(as_map(np.zeros((9, 9))), outlier_limit=1)
