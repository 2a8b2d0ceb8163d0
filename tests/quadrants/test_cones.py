"""Errors of the cones that quadrants tell together: parabolas of χ² with known sums."""

import numpy as np
import pytest

from beamreduce.quadrants import ConesSeen, cones_told, outwards, targets_of

EDGES = (0.0, np.pi / 2)
ALONG = outwards(EDGES)
BASE, SLOPE = 0.2, 5000.0  # mm, mm a rad: the center moves outwards with the error
TRIED = np.linspace(-4e-5, 4e-5, 17)


def seen(best, sigma, jitter=0.0):
    tried = np.unique(np.concatenate([TRIED, best + sigma * np.arange(-4, 5)]))
    noise = jitter * np.random.default_rng(8).standard_normal((tried.size, 1))
    return ConesSeen(
        mean_rad=tried,
        above=((tried - best) / sigma) ** 2,
        place_mm={"image": (BASE + SLOPE * tried[:, None] + noise) * ALONG},
        mixtures=tuple((None, np.array([k])) for k in range(tried.size)),
    )


def moments(told):
    mean = told.weight @ told.mean_rad
    return mean, float(told.weight @ (told.mean_rad - mean) ** 2) ** 0.5


def test_one_error_in_common_is_the_weighted_mean():
    """Normal measurements of one value: weights 1/σ², σ² the inverse of their sum."""
    best, sigma = np.array([2.0, 2.3, 1.9]) * 1e-5, np.array([0.2, 0.3, 0.15]) * 1e-5
    told = cones_told({k: seen(b, s) for k, b, s in zip("abc", best, sigma, strict=True)})
    weight = 1 / sigma**2
    for one in told.values():
        mean, spread = moments(one)
        assert one.common
        # Between the errors that were tried χ² is a curve through its values.
        assert mean == pytest.approx(weight @ best / weight.sum(), abs=0.02 * spread)
        assert spread == pytest.approx(weight.sum() ** -0.5, rel=0.02)
        assert not one.allows_design


def test_quadrants_that_contradict_each_other_are_judged_alone():
    """2 against 4 with 0.2 each: χ² 50 for one degree of freedom."""
    told = cones_told({"a": seen(2e-5, 2e-6), "b": seen(3.4e-5, 2e-6)})
    assert not told["a"].common
    assert moments(told["a"]) == pytest.approx((2e-5, 2e-6), rel=0.02)
    target = targets_of(seen(2e-5, 2e-6), told["a"], EDGES)["image"]
    assert target.outward_mm == 0
    assert target.own_mm == pytest.approx(SLOPE * 2e-6, rel=0.02)
    assert "of this quadrant alone" in target.how


@pytest.mark.parametrize(("chance", "common"), [(0.003, True), (0.0003, False)])
def test_the_contradiction_is_judged_by_chi_square(chance, common):
    from scipy.stats import chi2  # noqa: PLC0415

    sigma = 2e-6
    # Two values that differ by d: χ² = d²/2σ² about their mean.
    apart = sigma * np.sqrt(2 * chi2.isf(chance, 1))
    told = cones_told({"a": seen(2e-5, sigma), "b": seen(2e-5 + apart, sigma)})
    assert told["a"].common is common


def test_cones_as_designed_where_they_are_not_ruled_out():
    """0.6 σ from the design: taken as designed, and the best error stays open."""
    one = seen(3e-6, 5e-6)
    told = cones_told({"a": one})["a"]
    assert told.allows_design
    assert (told.likely_rad, told.other_rad) == (0.0, pytest.approx(3e-6, abs=2e-8))
    target = targets_of(one, told, EDGES)["image"]
    assert target.place_mm == pytest.approx(BASE * ALONG, abs=1e-9)
    # Spread about the mean, and the mean's distance from the design.
    assert target.outward_mm == pytest.approx(SLOPE * np.hypot(5e-6, 3e-6), rel=0.02)


def test_places_are_a_smooth_curve_through_centers_that_jitter():
    one = seen(2e-5, 2e-6, jitter=0.001)
    told = cones_told({"a": one})["a"]
    target = targets_of(one, told, EDGES)["image"]
    away = float((target.place_mm - (BASE + SLOPE * 2e-5) * ALONG) @ ALONG)
    allowed = int((one.above <= 30).sum())
    # Four coefficients of a cubic at most: their mean leverage, four standard errors.
    assert abs(away) < 4 * 0.001 * np.sqrt(4 / allowed)


def test_the_nearest_slope_errors_and_the_next():
    one = seen(0.0, 1e-6)
    first = one.mixture_near(2.1e-6)
    assert one.mean_rad[first[1][0]] == pytest.approx(2e-6)
    assert one.mean_rad[one.mixture_near(2.1e-6, but_not=first)[1][0]] == pytest.approx(
        3e-6
    )


def test_no_quadrant_tells_nothing():
    assert cones_told({}) == {}
