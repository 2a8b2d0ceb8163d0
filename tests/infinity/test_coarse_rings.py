"""Rings joined for the fold: nothing lost, enough photons in each."""

import astropy.units as u
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special, stats

from beamreduce.background.in_rings import BackgroundRings
from beamreduce.encircled_energy import net_rings, standard_radii
from beamreduce.infinity.coarse_rings import coarse_rings
from beamreduce.rings import count_in_image, plan_for
from tests.infinity.made_rings import net_of
from tests.made_images import PIXEL_MM, focal_image, photons_on_pixels


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
    coarse = coarse_rings(net, 0.0)
    assert coarse.photons.sum() == pytest.approx(net.photons.sum())
    assert coarse.covariance.sum() == pytest.approx(net.covariance.sum())
    assert coarse.radius_mm[-1] == net.radius_mm[-1]
    assert np.all(np.diff(coarse.radius_mm) > 0)
    assert np.isin(coarse.radius_mm, net.radius_mm).all()
    assert coarse.photons.min() >= min(25, net.photons.sum())


def test_many_photons_give_about_forty_rings_of_like_light():
    coarse = coarse_rings(rings_of(1e6, 400, 20261125), 0.0)
    assert 35 <= coarse.photons.size <= 42
    core = coarse.growth <= 0.9 * coarse.growth[-1]
    assert np.count_nonzero(core) >= 25
    # The innermost has a tenth of the light, the others a thirty-sixth; and one of the 400
    # fine rings (2 %) more or less.
    assert coarse.photons[0] == pytest.approx(0.1 * coarse.growth[-1], rel=0.2)
    assert coarse.photons[1:][core[1:]].max() < 0.05 * coarse.growth[-1]


def test_few_photons_end_in_one_ring():
    coarse = coarse_rings(rings_of(20, 50, 20261125), 0.0)
    assert coarse.photons.size == 1


def test_wings_below_zero_after_subtraction():
    net = rings_of(1e4, 100, 20261125)
    net.photons[-30:] -= 40.0
    coarse = coarse_rings(net, 0.0)
    assert coarse.photons.sum() == pytest.approx(net.photons.sum())
    assert coarse.poisson_part.min() >= 25


HPD_PX = 11
SIGMA_PX = HPD_PX / 1.349


def cusp_in_pixels(center, photons):
    """Expected photons a pixel of in-plane Gaussian errors: density exp(-r²/2σ²)/r."""
    half = 5 * HPD_PX
    radius = SIGMA_PX * special.ndtri((1 + (np.arange(4000) + 0.5) / 4000) / 2)
    image = np.zeros((2 * half + 1,) * 2)
    for k, r in enumerate(np.array_split(radius, 40)):
        turn = 2 * np.pi * (np.arange(720) + k * 0.618 % 1) / 720
        x = (half + center[0] + np.outer(r, np.cos(turn))).ravel()
        y = (half + center[1] + np.outer(r, np.sin(turn))).ravel()
        image += photons_on_pixels(image.shape, x, y)
    return image * photons / image.sum(), (half + center[0], half + center[1])


def cusp_in_rings(radius_px):
    """The same without pixels but blurred by p²/6 an axis (noncentral χ², closed form)."""
    offset = SIGMA_PX * special.ndtri((1 + (np.arange(20_000) + 0.5) / 20_000) / 2)
    return np.array([stats.ncx2.cdf(6 * r**2, 2, 6 * offset**2).mean() for r in radius_px])


@pytest.mark.parametrize("center", [(0.0, 0.0), (0.5, 0.5), (0.41, -0.06)])
def test_rings_do_not_feel_where_in_its_pixel_the_center_lies(center):
    """Expected counts, no noise: what they differ by from a round blur adds to χ²."""
    photons = 40_000
    image, where = cusp_in_pixels(center, photons)
    image = focal_image(image)
    reference = 4.5 * HPD_PX * PIXEL_MM * u.mm
    radii = standard_radii(
        HPD_PX / 2 * PIXEL_MM * u.mm, reference_radii=reference, largest_radius=reference
    )
    counts = count_in_image(image, plan_for(image, where, radii))
    net = net_rings(counts, BackgroundRings.none(radii.size), reference)

    def added(coarse):
        inside = cusp_in_rings(coarse.radius_mm / PIXEL_MM)
        off = coarse.photons - photons * np.diff(inside, prepend=0.0)
        return off @ np.linalg.solve(coarse.covariance, off)

    coarse = coarse_rings(net, PIXEL_MM)
    assert coarse.photons.size > 12
    assert added(coarse) < 1
    assert added(coarse_rings(net, 0.0)) > 30  # as if there were no pixels
