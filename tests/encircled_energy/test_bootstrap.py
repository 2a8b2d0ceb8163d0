"""Replicates of curves of growth, and that rings which decide nothing may be joined."""

import astropy.units as u
import numpy as np
import pytest

from beamreduce.background import BackgroundRings
from beamreduce.encircled_energy import (
    crossing_diameters_mm,
    join_far_rings,
    net_rings,
    resample,
)
from tests.encircled_energy.test_diameters import AREA_PX, RADII, gaussian_photons
from tests.made_images import ring_counts

SHARES = (0.5, 0.9)


def noisy_net(number, covered=1.0):
    """Net rings with shared noise beside the Poisson part and a common mode."""
    photons = (gaussian_photons(number, 0.4) + 0.01 * AREA_PX) * covered
    rings = ring_counts(RADII, photons)
    noise = np.diag(0.3 * photons) + 0.1 * np.sqrt(np.outer(photons, photons))
    changed = {"covariance": np.diag(photons) + noise, "covered_px": AREA_PX * covered}
    mode = 0.003 * AREA_PX[None, :] * covered
    background = BackgroundRings(
        photons=0.01 * AREA_PX * covered,
        covariance=np.zeros((RADII.size, RADII.size)),
        modes=mode,
        model_modes=2 * mode,
        systematic_modes=3 * mode,
    )
    return net_rings(type(rings)(**{**vars(rings), **changed}), background, 2.0 * u.mm)


def test_resampling_keeps_the_mean_and_the_covariance():
    # Shared pixels and detector noise beside the Poisson part, and a common mode.
    rng = np.random.default_rng(20240613)
    net = noisy_net(3000.0)
    replicates = 4000
    curves = resample(net, replicates, rng)
    summed = np.cumsum(np.cumsum(net.covariance, axis=0), axis=1)
    at = np.array([10, 40, 80, 150, -1])
    quoted = summed[np.ix_(at, at)]
    spread = np.sqrt(quoted.diagonal())
    # 5 means and 25 covariances of 4 000 draws: 4 standard errors.
    offset = curves.mean(axis=0)[at] - net.growth[at]
    assert np.all(np.abs(offset) < 4 * spread / np.sqrt(replicates))
    size = np.sqrt(np.outer(spread**2, spread**2) + quoted**2)
    scatter = np.cov(curves.T[at])
    assert np.all(np.abs(scatter - quoted) < 4 * size / np.sqrt(replicates))


def at_edges(net, radius_mm):
    at = np.searchsorted(net.radius_mm, radius_mm)
    np.testing.assert_array_equal(net.radius_mm[at], radius_mm)
    return at


def summed(covariance):
    return np.cumsum(np.cumsum(covariance, axis=0), axis=1)


PATCHY = np.where(np.arange(RADII.size) % 7 == 0, 0.8, 1.0)


@pytest.mark.parametrize("covered", [1.0, PATCHY], ids=["whole", "patchy"])
@pytest.mark.parametrize("number", [1e3, 1e5])
def test_joined_rings_keep_the_curve_and_its_covariance(number, covered):
    net = noisy_net(number, covered)
    joined = join_far_rings(net, SHARES)
    at = at_edges(net, joined.radius_mm)
    np.testing.assert_allclose(joined.growth, net.growth[at], rtol=1e-12)
    np.testing.assert_allclose(
        summed(joined.covariance), summed(net.covariance)[np.ix_(at, at)], rtol=1e-9
    )
    model = np.cumsum(joined.scale * joined.model_modes, axis=1)
    np.testing.assert_allclose(
        model, np.cumsum(net.scale * net.model_modes, axis=1)[:, at], rtol=1e-12
    )
    np.testing.assert_allclose(
        1.5 * joined.model_modes, joined.systematic_modes, rtol=1e-12
    )
    np.testing.assert_array_equal(joined.covered, net.covered[at])
    assert joined.radius_mm[-1] == net.radius_mm[-1]
    # The diameters themselves do not change by a bit more than rounding.
    one = crossing_diameters_mm(net.radius_mm, net.growth, SHARES)
    other = crossing_diameters_mm(joined.radius_mm, joined.growth, SHARES)
    np.testing.assert_allclose(other, one, rtol=1e-12)


def test_many_photons_need_few_rings_and_few_photons_many():
    plain = ring_counts(RADII, gaussian_photons(1e7, 0.4))
    none = BackgroundRings.none(RADII.size)
    bright = join_far_rings(net_rings(plain, none, 2.0 * u.mm), SHARES)
    faint = join_far_rings(noisy_net(100.0), SHARES)
    # HPD and W90 of 10⁷ photons are known to 2e-4: one ring each, two edges, the last.
    assert bright.radius_mm.size <= 8
    assert faint.radius_mm.size > RADII.size / 2


@pytest.mark.parametrize("number", [1e3, 1e5])
def test_joined_rings_scatter_alike(number):
    net, replicates = noisy_net(number, PATCHY), 6000
    scatter = []
    for rings, seed in ((net, 20240628), (join_far_rings(net, SHARES), 20240629)):
        curves = resample(rings, replicates, np.random.default_rng(seed))
        scatter.append(crossing_diameters_mm(rings.radius_mm, curves, SHARES).std(axis=0))
    # Two scatters of 6 000 draws differ by √2/√12 000 = 1.3 %: four of these, as the tail
    # of W90 at 10³ photons is wider than a normal one.
    np.testing.assert_allclose(scatter[0], scatter[1], rtol=0.052)
