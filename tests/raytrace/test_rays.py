"""Where light comes from, and how evenly points are spread."""

import math

import astropy.units as u
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from beamreduce.errors import SettingsError
from beamreduce.raytrace import Light
from beamreduce.raytrace.rays import rotation_to, spread_points


def test_quantities_come_in_and_lengths_go_on():
    light = Light.near(86 * u.m, 0.5 * u.mm).off_axis(2 * u.arcmin, 30 * u.deg)
    assert light.source_distance_mm == 86_000
    assert light.source_diameter_mm == 0.5
    assert light.off_axis_rad == pytest.approx(math.radians(2 / 60), rel=1e-12)
    assert light.azimuth_rad == pytest.approx(math.pi / 6, rel=1e-12)
    assert Light.star().parallel
    assert not light.parallel


@given(angle=st.floats(0, 0.1), azimuth=st.floats(-7, 7))
def test_the_source_stands_where_its_angle_and_azimuth_say(angle, azimuth):
    tilted = Light(source_distance_mm=5e4, off_axis_rad=angle, azimuth_rad=azimuth)
    aside = math.sin(angle) * np.array([math.cos(azimuth), math.sin(azimuth)])
    assert tilted.place_mm[:2] == pytest.approx(5e4 * aside, abs=1e-6)
    assert np.linalg.norm(tilted.place_mm) == pytest.approx(5e4, rel=1e-12)
    assert tilted.to_detector @ tilted.direction == pytest.approx([0, 0, 1], abs=1e-12)
    shifted = Light(
        source_distance_mm=5e4,
        off_axis_rad=angle,
        azimuth_rad=azimuth,
        off_axis_by="source_shift",
    )
    assert shifted.place_mm[2] == pytest.approx(-5e4, rel=1e-12)
    assert np.array_equal(shifted.to_detector, np.eye(3))


@given(x=st.floats(-0.2, 0.2), y=st.floats(-0.2, 0.2))
def test_rotations_are_rotations_and_take_the_axis_along(x, y):
    turn = rotation_to(np.array([x, y, 1.0]))
    assert turn @ turn.T == pytest.approx(np.eye(3), abs=1e-14)
    assert np.linalg.det(turn) == pytest.approx(1, abs=1e-12)
    aim = np.array([x, y, 1.0]) / math.sqrt(1 + x * x + y * y)
    assert turn[:, 2] == pytest.approx(aim, abs=1e-14)


def points(numbers, count, seed=1):
    steps = spread_points(numbers, 1, np.random.default_rng(seed))
    index = np.arange(count, dtype=np.uint64)[:, np.newaxis]
    return (steps.start[0] + index * steps.step) / 2.0**64


@pytest.mark.parametrize("numbers", [2, 4, 6, 10])
def test_points_fill_space_more_evenly_than_chance(numbers):
    count = 4096
    spread = points(numbers, count)
    corner = np.random.default_rng(2).random((200, numbers)) ** (1 / numbers)
    inside = np.array([np.mean(np.all(spread < c, axis=1)) for c in corner])
    volume = corner.prod(axis=1)
    by_chance = np.sqrt(volume * (1 - volume) / count)
    # Root mean square over 200 boxes, in units of what random points would give.
    limit = {2: 0.15, 4: 0.35, 6: 0.5, 10: 0.8}[numbers]
    assert np.sqrt(np.mean(((inside - volume) / by_chance) ** 2)) < limit


def test_one_golden_ratio_for_one_number():
    steps = spread_points(1, 1, np.random.default_rng(1)).step[0] / 2.0**64
    assert steps == pytest.approx((math.sqrt(5) - 1) / 2, abs=1e-15)


def test_shifts_are_independent_and_come_from_the_generator():
    one = spread_points(3, 5, np.random.default_rng(7))
    two = spread_points(3, 5, np.random.default_rng(7))
    assert np.array_equal(one.start, two.start)
    assert len(np.unique(one.start)) == 15
    assert not np.array_equal(
        one.start, spread_points(3, 5, np.random.default_rng(8)).start
    )


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"source_distance_mm": 0.0}, "source_distance_mm must be above zero; got 0"),
        ({"source_distance_mm": math.nan}, "source_distance_mm must be above zero"),
        ({"source_diameter_mm": -1.0}, "source_diameter_mm must not be below zero"),
        ({"off_axis_rad": -0.01}, "off_axis_rad must be between 0 and 0.1 rad"),
        ({"off_axis_rad": 10.0}, "off_axis_rad must be between 0 and 0.1 rad; got 10"),
        ({"azimuth_rad": math.inf}, "azimuth_rad must be finite"),
        ({"off_axis_by": "wish"}, "off_axis_by must be one of mirror_tilt, source_shift"),
    ],
)
def test_light_that_cannot_be_is_refused(settings, message):
    with pytest.raises(SettingsError, match=message):
        Light(**settings)
