"""Rings joined for the fold: nothing lost, enough photons in each."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from beamreduce.infinity.coarse_rings import coarse_rings
from tests.infinity.made_rings import net_of


def rings_of(photons, rings, seed):
    radii = np.geomspace(0.01, 5.0, rings)
    light = np.diff(1 - np.exp(-(radii**2) / 0.5), prepend=0.0)
    rng = np.random.default_rng(seed)
    return net_of(radii, rng.poisson(photons * light / light.sum()), 5000.0)


@given(
    photons=st.floats(60, 1e6), rings=st.integers(5, 400), seed=st.integers(0, 2**32 - 1)
)
def test_every_ring_has_photons_and_none_are_lost(photons, rings, seed):
    net = rings_of(photons, rings, seed)
    coarse = coarse_rings(net)
    assert coarse.photons.sum() == pytest.approx(net.photons.sum())
    assert coarse.covariance.sum() == pytest.approx(net.covariance.sum())
    assert coarse.radius_mm[-1] == net.radius_mm[-1]
    assert np.all(np.diff(coarse.radius_mm) > 0)
    assert np.isin(coarse.radius_mm, net.radius_mm).all()
    assert coarse.photons.min() >= min(25, net.photons.sum())


def test_many_photons_give_about_forty_rings_of_like_light():
    coarse = coarse_rings(rings_of(1e6, 400, 20261125))
    assert 35 <= coarse.photons.size <= 42
    core = coarse.growth <= 0.9 * coarse.growth[-1]
    assert np.count_nonzero(core) >= 25
    # The innermost has a tenth of the light, the others a thirty-sixth; and one of the 400
    # fine rings (2 %) more or less.
    assert coarse.photons[0] == pytest.approx(0.1 * coarse.growth[-1], rel=0.2)
    assert coarse.photons[1:][core[1:]].max() < 0.05 * coarse.growth[-1]


def test_few_photons_end_in_one_ring():
    coarse = coarse_rings(rings_of(20, 50, 20261125))
    assert coarse.photons.size == 1


def test_wings_below_zero_after_subtraction():
    net = rings_of(1e4, 100, 20261125)
    net.photons[-30:] -= 40.0
    coarse = coarse_rings(net)
    assert coarse.photons.sum() == pytest.approx(net.photons.sum())
    assert coarse.poisson_part.min() >= 25
