"""Covariance that common masters give two sums, against sums of drawn frames."""

import astropy.units as u
import numpy as np
import pytest

from beamreduce.campaign import CalibratedBy, Exposure
from beamreduce.frame import (
    DarkRate,
    MasterFrame,
    MasterSet,
    SummedFrames,
    shared_covariance,
)

SHAPE = (3, 4)
ADU = 300.0  # a photon


def exposure(name, seconds=10.0, kind="beam"):
    return Exposure(
        exposure=name, file=f"{name}.fits", kind=kind, exposure_time=seconds * u.s
    )


BIAS, DARK, FLAT, OTHER = (
    (exposure("z", 0.0, "bias"),),
    (exposure("d", 30.0, "dark"),),
    (exposure("f", 5.0, "flat"),),
    (exposure("g", 5.0, "flat"),),
)


def summed(name, count, seconds, photons=0.0, **masters):
    masters = {"bias": BIAS, "dark": DARK, "flat": (), "dark_use": "rate", **masters}
    rows = [
        CalibratedBy(exposure=exposure(f"{name}{k}", seconds), **masters)
        for k in range(count)
    ]
    return SummedFrames(exposures=rows, photons=np.full(SHAPE, photons))


def master(variance, mean=1.0):
    return MasterFrame(
        mean=np.full(SHAPE, mean),
        variance=np.full(SHAPE, variance),
        count=3,
        without_data=np.zeros(SHAPE, bool),
        name="m.fits",
    )


def rate(variance, weight):
    return DarkRate(
        rate=np.ones(SHAPE), variance=np.full(SHAPE, variance), bias_weight=weight
    )


def shared(one, two, masters):
    return shared_covariance(one, two, masters=lambda item: masters, adu_per_photon=ADU)


def test_a_bias_alone():
    one, two = summed("a", 4, 10.0, dark=()), summed("b", 7, 10.0, dark=())
    found = shared(one, two, MasterSet(bias=master(2.5)))
    np.testing.assert_allclose(found * ADU**2, 4 * 7 * 2.5)


def test_a_dark_of_the_same_time():
    own = {"bias": (), "dark_use": "same_time"}
    found = shared(
        summed("a", 4, 10.0, **own),
        summed("b", 7, 10.0, **own),
        MasterSet(dark=master(3.0)),
    )
    np.testing.assert_allclose(found * ADU**2, 4 * 7 * 3.0)


@pytest.mark.parametrize("times", [(10.0, 10.0), (10.0, 40.0), (1.0, 300.0)])
def test_the_difference_is_as_noisy_as_errors_of_the_masters_make_it(times):
    """var(A - s B) from the errors themselves, one draw of bias and dark at a time."""
    count, seconds = (6, 3), times
    weight, scale = 1 / 30.0, 6 * times[0] / (3 * times[1])
    masters = MasterSet(bias=master(4.0), dark=rate(0.01, weight))
    one, two = (summed(name, n, t) for name, n, t in zip("ab", count, seconds, strict=True))
    rng = np.random.default_rng(20250611)
    bias, dark = rng.normal(0, 2.0, 200_000), rng.normal(0, 0.1, 200_000)
    # (dark - bias)/t: an error of the bias comes back with the weight, reversed.
    error = dark - weight * bias
    a, b = (n * bias + n * t * error for n, t in zip(count, seconds, strict=True))
    sizes = [
        masters.pedestal_variance(count=n, seconds=n * t)
        for n, t in zip(count, seconds, strict=True)
    ]
    common = shared(one, two, masters) * ADU**2
    wanted = sizes[0] + scale**2 * sizes[1] - 2 * scale * common
    # A variance of n draws is known to √(2/n) = 0.3 %; four times that.
    largest = (sizes[0] + scale**2 * sizes[1])[0, 0]
    np.testing.assert_allclose(wanted, np.var(a - scale * b), atol=0.013 * largest)


def test_nothing_is_left_of_masters_where_all_times_are_alike():
    masters = MasterSet(bias=master(4.0), dark=rate(0.01, 1 / 30))
    one, two = summed("a", 6, 10.0), summed("b", 3, 10.0)
    sizes = [masters.pedestal_variance(count=n, seconds=10.0 * n) for n in (6, 3)]
    left = sizes[0] + 4 * sizes[1] - 4 * shared(one, two, masters) * ADU**2
    np.testing.assert_allclose(left, 0.0, atol=1e-9 * sizes[0].max())


def test_a_flat_is_shared_in_proportion_to_the_photons():
    masters = MasterSet(flat=master(1e-4, mean=0.8), bad=np.zeros(SHAPE, bool))
    own = {"bias": (), "dark": (), "dark_use": "none", "flat": FLAT}
    one, two = (
        summed("a", 4, 10.0, photons=50.0, **own),
        summed("b", 2, 10.0, photons=6.0, **own),
    )
    found = shared(one, two, masters)
    np.testing.assert_allclose(found, 50 * 6 * 1e-4 / 0.8**2)
    # Half of one sum was divided by another flat.
    mixed = summed("c", 4, 10.0, **{**own, "flat": OTHER})
    half = SummedFrames(exposures=[*one.exposures, *mixed.exposures], photons=one.photons)
    np.testing.assert_allclose(shared(half, two, masters), found / 2)


def test_other_masters_share_nothing():
    masters = MasterSet(bias=master(4.0), dark=rate(0.01, 1 / 30))
    one = summed("a", 6, 10.0)
    for own in ({"bias": (exposure("y", 0.0, "bias"),)}, {"dark": OTHER}):
        assert shared(one, summed("b", 3, 10.0, **own), masters) == 0.0
    none = {"bias": (), "dark": (), "dark_use": "none"}
    found = shared(summed("a", 6, 10.0, **none), summed("b", 3, 10.0, **none), MasterSet())
    assert np.all(found == 0.0)


def test_the_response_divides_noise_of_the_pedestal():
    masters = MasterSet(
        bias=master(2.0), flat=master(0.0, mean=0.5), bad=np.zeros(SHAPE, bool)
    )
    one, two = (
        summed(name, n, 10.0, dark=(), flat=FLAT) for name, n in (("a", 4), ("b", 2))
    )
    found = shared(one, two, masters)
    np.testing.assert_allclose(found * ADU**2, 4 * 2 * 2.0 / 0.25)
