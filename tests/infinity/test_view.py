"""Where images of stated light lie, and how much of them is in rings."""

import math

import numpy as np
import pytest

from beamreduce.infinity.ring_shares import OpenAzimuths
from beamreduce.infinity.star import mixture_growths, pair_growths
from beamreduce.infinity.view import View, predicted_center
from tests.external.independent_truth import centroid
from tests.infinity.made_light import ALL, STILL, plane_of

BINS, REACH = 1600, 4.0  # 130 bins an HPD; the fold has about 100
CENTERS = (np.arange(BINS) + 0.5) * 2 * REACH / BINS - REACH
EVEN = (np.arange(144) + 0.5) * math.pi / 72  # the fold has 72


def azimuths(chosen, shift=(0.0, 0.0)):
    return OpenAzimuths(
        azimuth_rad=chosen,
        share=np.full(chosen.size, 1 / 144),
        shift_mm=np.tile(shift, (chosen.size, 1)),
    )


def view(light, *parts, blur=0.02):
    plane = plane_of(light, REACH)
    return View(planes=(plane,) * len(parts), azimuths=parts, blur_mm=blur)


def points(light, *parts):
    """All bins of all azimuths, one by one."""
    x, y, weight = [], [], []
    for part in parts:
        for azimuth, share, shift in zip(
            part.azimuth_rad, part.share, part.shift_mm, strict=True
        ):
            x.append(CENTERS * math.cos(azimuth) + shift[0])
            y.append(CENTERS * math.sin(azimuth) + shift[1])
            weight.append(light * share)
    return np.concatenate(x), np.concatenate(y), np.concatenate(weight)


def gaussian(middle=0.0, width=0.5):
    return np.exp(-0.5 * ((CENTERS - middle) / width) ** 2)


def test_light_of_one_offset_in_a_quadrant():
    """An arc of a quarter turn: its mean lies at 2√2/π of its radius (derived)."""
    light = np.zeros(BINS)
    light[1000] = 1.0
    rho = CENTERS[1000]
    center = predicted_center(view(light, azimuths(EVEN[:36])), STILL, ALL, REACH)
    # The sum over 36 azimuths is right to (their step)²/24 of it: 8e-5.
    expected = 0.9003163 * rho * math.sqrt(0.5)
    assert center == pytest.approx((expected, expected), rel=1e-4)


def test_light_inside_the_axis_moves_a_quadrant_the_other_way():
    light = np.zeros(BINS)
    light[599] = 1.0  # the mirror place of the bin above
    there = predicted_center(view(light, azimuths(EVEN[:36])), STILL, ALL, REACH)
    assert there[0] < 0
    assert there[1] < 0


def test_a_whole_turn_lies_in_the_middle():
    center = predicted_center(view(gaussian(0.3), azimuths(EVEN)), STILL, ALL, REACH)
    assert center == pytest.approx((0.0, 0.0), abs=1e-12)


@pytest.mark.parametrize(
    ("parts", "light"),
    [
        ((azimuths(EVEN[:36]),), gaussian(0.2)),
        ((azimuths(EVEN[:36], (0.8, 0.3)), azimuths(EVEN[36:])), gaussian()),
        ((azimuths(EVEN[:36], (0, -2)), azimuths(EVEN[36:72])), gaussian(0.1, 0.9)),
    ],
)
def test_the_center_is_that_of_images(parts, light):
    """The rule as the independent truths have it, on the same light point by point."""
    x, y, weight = points(light, *parts)
    expected = centroid(x, y, weight, 3.0)
    found = predicted_center(view(light, *parts), STILL, ALL, 3.0)
    # Both stop within 1e-4 of the HPD (below 2 mm) of where the center would settle; a
    # point more or less at the circle moves it by less than that.
    assert found == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize("own", [False, True])
def test_rings_of_a_displaced_quadrant_are_those_of_its_points(own):
    parts = azimuths(EVEN[:36], (0.8, 0.3)), azimuths(EVEN[36:])
    light = gaussian(0.1)
    seen = view(light, *parts)
    x, y, weight = points(light, *parts)
    x0, y0 = predicted_center(seen, STILL, ALL, 3.0) if own else (0.0, 0.0)
    radii = np.array([0.4, 0.8, 1.5, 3.0])
    if own:
        found = mixture_growths(seen, radii, [(STILL, ALL)])[0]
    else:
        found = pair_growths(seen, radii, STILL)[:, 0]
    expected = np.zeros(radii.size)
    rng = np.random.default_rng(20261125)
    for _ in range(12):
        bx, by = rng.normal(0, 0.02, (2, x.size))
        place = np.hypot(x + bx - x0, y + by - y0)
        expected += [weight[place < r].sum() / 12 for r in radii]
    # Offsets are moved to a grid of their own step s, which adds s²/12 along the radius:
    # s²/24 times the slope of the law of radii (below 1/mm²), 2e-5 of the light. Chance
    # decides about the tenth of 2.7 million points that lies near an edge, at most
    # √(0.1/4/2.7e6) = 1e-4 of the light: three times that.
    np.testing.assert_allclose(found, expected, atol=3.5e-4 * weight.sum())


def test_a_view_moves_against_its_center():
    seen = view(gaussian(), azimuths(EVEN[:36])).about(0.3, -0.2)
    np.testing.assert_allclose(seen.azimuths[0].shift_mm, np.tile([-0.3, 0.2], (36, 1)))
