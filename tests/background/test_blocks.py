"""Sums over blocks against sums done pixel by pixel."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from beamreduce.background.blocks import block_sums, box_for, excess_scatter, powers
from beamreduce.image import PixelFlag
from tests.background.images import photon_image


@settings(max_examples=25, deadline=None)
@given(
    ny=st.integers(8, 40),
    nx=st.integers(8, 40),
    box=st.integers(1, 50),
    seed=st.integers(0, 2**32 - 1),
)
def test_blocks_fill_the_frame_and_lose_no_photon(ny, nx, box, seed):
    image = photon_image(np.random.default_rng(seed).poisson(0.7, (ny, nx)))
    blocks = block_sums(image, np.ones((ny, nx), bool), box)
    assert blocks.photons.sum() == image.photons.sum()
    assert blocks.moments[:, 0].sum() == ny * nx
    assert blocks.moments[:, 0].min() >= min(box, ny) * min(box, nx)


def test_moments_and_noise_are_sums_over_the_pixels_that_count():
    rng = np.random.default_rng(11)
    flags = np.zeros((12, 20), np.uint8)
    flags[2, 3] = PixelFlag.BAD
    flags[7, 15] = PixelFlag.BAD | PixelFlag.FILLED
    noise = rng.uniform(0, 1, (12, 20))
    image = photon_image(rng.poisson(3, (12, 20)), flags=flags, noise=noise)
    chosen = np.ones((12, 20), bool)
    chosen[:, 0] = False
    blocks = block_sums(image, chosen, 4, degree=2)
    counts = chosen & (flags == 0)
    x = (np.arange(20) - 10) / 20 * np.ones((12, 1))
    y = ((np.arange(12) - 6) / 12)[:, None] * np.ones(20)
    at = 0
    for row in range(0, 12, 4):
        for column in range(0, 20, 4):
            here = np.zeros((12, 20), bool)
            here[row : row + 4, column : column + 4] = True
            here &= counts
            wanted = [np.sum((x**i * y**j)[here]) for i, j in powers(2)]
            np.testing.assert_allclose(blocks.moments[at], wanted, atol=1e-12)
            assert blocks.photons[at] == image.photons[here].sum()
            assert blocks.noise[at] == pytest.approx(noise[here].sum())
            at += 1
    assert at == blocks.photons.size


def test_blocks_of_which_the_mask_leaves_less_than_half_are_dropped():
    chosen = np.ones((8, 8), bool)
    chosen[:4, :4] = np.arange(16).reshape(4, 4) >= 9  # 7 of 16 left
    chosen[4:, :4] = np.arange(16).reshape(4, 4) >= 8  # 8 of 16 left
    blocks = block_sums(photon_image(np.ones((8, 8))), chosen, 4)
    assert sorted(blocks.photons) == [8, 16, 16]


@pytest.mark.parametrize("level", [0.02, 0.1, 0.4])
def test_half_a_block_expects_25_photons(level):
    box = box_for(level)
    assert box**2 * level / 2 >= 25 > (box - 1) ** 2 * level / 2


def test_excess_scatter_makes_chi_square_one_and_leaves_chance_alone():
    # χ² of n = 50 has the standard deviation √100 = 10 (closed form).
    assert excess_scatter(79.9, 50) == 0.0
    assert excess_scatter(20.0, 50) == 0.0
    excess = excess_scatter(200.0, 50)
    assert math.hypot(1.0, excess) ** 2 == pytest.approx(200.0 / 50)
    assert excess_scatter(5.0, 0) == 0.0
