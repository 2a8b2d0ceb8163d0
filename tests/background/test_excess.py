"""Scatter beyond counting is measured, and counting alone shows none."""

import astropy.units as u
import numpy as np
import pytest

from beamreduce.background import excess_about_image, excess_of_beam_off, from_exposure
from beamreduce.image import FocalImage

SHAPE = (200, 240)


def image_of(photons, noise=0.0):
    return FocalImage(
        photons=photons,
        flags=np.zeros(photons.shape, dtype=np.uint8),
        noise_variance=noise,
        variance_per_photon=1.0,
        pixel_size=20 * u.um,
        detector_distance=5 * u.m,
        live_time=1 * u.s,
    )


def with_hits(photons, rng, hits, size):
    """Add charged particles: each leaves the charge of `size` photons over two pixels."""
    y = rng.integers(0, photons.shape[0] - 1, hits)
    x = rng.integers(0, photons.shape[1], hits)
    for row in (y, y + 1):
        np.add.at(photons, (row, x), size / 2)
    return photons


def repeats(make, count=60, seed=20261125):
    return np.array([make(np.random.default_rng([seed, k])) for k in range(count)])


def test_counting_alone_has_no_excess_even_with_a_gradient():
    slope = 0.05 * (1 + 0.5 * np.linspace(-1, 1, SHAPE[1]))

    def once(rng):
        photons = rng.poisson(np.broadcast_to(slope, SHAPE)).astype(float)
        return excess_of_beam_off(image_of(photons + rng.normal(0, 0.1, SHAPE), 0.01))

    found = repeats(once)
    # A block of 100 pixels expects 5 photons and 1 of noise: variance 6, of which the
    # mean of 480 squares is known to 6 √(2/480) = 0.39, or 0.0039 a pixel. Clipped at
    # zero the mean is 0.4 of that.
    assert found.mean() < 2 * 0.4 * 0.0039
    assert found.max() < 4 * 0.0039


def test_hits_are_measured():
    hits, size = 40, 60.0

    def once(rng):
        photons = rng.poisson(0.05, SHAPE).astype(float)
        return excess_of_beam_off(image_of(with_hits(photons, rng, hits, size)))

    found = repeats(once)
    expected = hits * size**2 / np.prod(SHAPE)
    # Few blocks hold two hits, and 14 % of the hits fall across two blocks, where the
    # two halves count as (1/2)² + (1/2)² of the square: 5 % less for 1 in 10 rows.
    assert found.mean() == pytest.approx(expected * (1 - 0.05), rel=0.06)


def test_wing_of_a_round_image_is_no_excess():
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    radius = np.hypot(x - 120, y - 100)
    expected = 0.03 + 400.0 / (radius + 10) ** 2

    def once(rng):
        image = image_of(rng.poisson(expected).astype(float))
        return excess_about_image(image, center_xy=(120.0, 100.0), inner_px=60.0)

    found = repeats(once)
    # At 60 pixels some 0.1 photons a pixel: 10 a block; scatter of the mean of some 300
    # squares 10 √(2/300) = 0.8, or 0.008 a pixel.
    assert found.mean() < 0.008


def test_scatter_of_quarter_frames_is_described():
    quarter = np.s_[: SHAPE[0] // 2, : SHAPE[1] // 2]

    def once(rng):
        beam = with_hits(rng.poisson(0.1, SHAPE).astype(float), rng, 40, 60.0)
        off = with_hits(rng.poisson(0.1, SHAPE).astype(float), rng, 40, 60.0)
        background = from_exposure(image_of(off), scale=1.0)
        part = beam[quarter]
        variance = (
            part.sum() + np.broadcast_to(background.photon_variance, SHAPE)[quarter].sum()
        )
        variance += background.excess_variance * part.size
        return (part.sum() - background.level[quarter].sum()) / np.sqrt(variance)

    pulls = repeats(once, count=400)
    # Hits fall into the quarter by a binomial law (variance 3/4 of a Poisson law), and 5 %
    # of the square are lost across blocks; 3 σ of the rms are 10 %.
    hits = 40 * 60.0**2 / 4
    counted = 0.1 * np.prod(SHAPE) / 4
    expected = np.sqrt((counted + 0.75 * hits) / (counted + 0.95 * hits))
    assert pulls.std() == pytest.approx(expected, rel=0.11)
