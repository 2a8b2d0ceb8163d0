"""Circle sums against the exact overlap of two other libraries.

photutils (``circular_overlap_grid``, exact) for every pixel's share, and sep
(``sum_circle`` with ``subpix=0``) for sums. Agreement to 1e-9 of the total.
"""

import numpy as np
import pytest
import sep
from photutils.geometry import circular_overlap_grid

from beamreduce.rings import overlap_sums, plan_rings

NY, NX = 61, 47
AGREEMENT = 1e-9  # of the sum over all pixels

SPECIAL = {
    "middle of a pixel": (20.0, 30.0),
    "corner of a pixel": (20.5, 30.5),
    "edge between columns": (20.5, 30.0),
    "edge between rows": (20.0, 30.5),
    "a hair off a corner": (20.5 + 1e-12, 30.5 - 1e-12),
    "middle of the first pixel": (0.0, 0.0),
    "corner of the frame": (-0.5, -0.5),
    "opposite corner of the frame": (NX - 0.5, NY - 0.5),
    "last pixel": (NX - 1.0, NY - 1.0),
    "on the left border": (-0.5, 31.3),
    "on the top border": (22.7, NY - 0.5),
    "near the border": (0.3, 59.8),
    "outside to the left": (-3.2, 10.0),
    "outside above": (20.0, 70.1),
    "outside below right": (50.0, -4.3),
}
RADII = np.concatenate(
    [
        [1e-4, 0.01, 0.3, 0.5, np.sqrt(0.5), 0.9, 1.0, np.sqrt(2), 1.5, 2.0, 2.5, 5.0],
        np.arange(5.3, 80.0, 0.97),  # the frame's diagonal is 77
        [100.0, 1000.0],
    ]
)


def frame(seed):
    return np.random.default_rng(seed).normal(1.0, 1.0, (NY, NX))


def share(center, radius, shape=(NY, NX)):
    """Share of every pixel, photutils' exact geometry."""
    (x, y), (ny, nx) = center, shape
    edges = (-0.5 - x, nx - 0.5 - x, -0.5 - y, ny - 0.5 - y)
    return circular_overlap_grid(*edges, nx, ny, radius, 1, 1)


def assert_equal_sums(image, center, radii):
    expected = [(image * share(center, r, image.shape)).sum() for r in radii]
    total = np.abs(image).sum()
    np.testing.assert_allclose(
        overlap_sums(image, center, radii), expected, rtol=0, atol=AGREEMENT * total
    )
    plan = plan_rings(image.shape, center, radii)
    np.testing.assert_allclose(
        np.cumsum(plan.sums(image)), expected, rtol=0, atol=AGREEMENT * total
    )


@pytest.mark.parametrize("name", SPECIAL)
def test_special_centers(name):
    assert_equal_sums(frame(1), SPECIAL[name], RADII)


def test_random_centers_and_radii():
    rng = np.random.default_rng(20240619)
    for _ in range(60):
        center = rng.uniform(-8, NX + 8), rng.uniform(-8, NY + 8)
        radii = np.unique(
            np.concatenate([10 ** rng.uniform(-3, 2, 6), rng.uniform(0, 9, 3)])
        )
        assert_equal_sums(frame(2), center, radii)


@pytest.mark.parametrize("shape", [(1, 1), (1, 40), (40, 1), (2, 3)])
def test_narrow_frames(shape):
    rng = np.random.default_rng(20240620)
    image = rng.normal(size=shape)
    for _ in range(20):
        center = rng.uniform(-2, shape[1] + 1), rng.uniform(-2, shape[0] + 1)
        assert_equal_sums(image, center, np.unique(10 ** rng.uniform(-2, 1.7, 5)))


@pytest.mark.parametrize(
    "name", ["middle of a pixel", "corner of a pixel", "near the border"]
)
def test_every_pixels_share(name):
    radii = np.array([0.4, 1.0, 3.3, 12.5, 30.1])
    center = SPECIAL[name]
    plan = plan_rings((NY, NX), center, radii)
    for circle, radius in enumerate(radii):
        inside = (plan.ring_of_pixel.ravel() <= circle).astype(float)
        crossed = plan.edge_circle == circle
        inside[plan.edge_pixel[crossed]] = plan.edge_area[crossed]
        np.testing.assert_allclose(
            inside.reshape(NY, NX), share(center, radius), rtol=0, atol=1e-12
        )


def test_a_full_size_frame():
    rng = np.random.default_rng(20240621)
    image = rng.poisson(0.4, (2048, 2048)).astype(float)
    assert_equal_sums(
        image, (1021.37, 1026.81), np.array([0.7, 33.3, 500.0, 1020.5, 1300.0])
    )


@pytest.mark.parametrize("name", [n for n in SPECIAL if "outside" not in n])
def test_sums_of_a_second_library(name):
    image, (x, y) = frame(3), SPECIAL[name]
    # Below half a diagonal sep counts the pixel whose middle is the center as whole.
    radii = RADII[(RADII > 0.71) & (RADII < 100)]
    n = np.ones(radii.size)
    expected, _, _ = sep.sum_circle(image, x * n, y * n, radii, subpix=0)
    np.testing.assert_allclose(
        overlap_sums(image, (x, y), radii),
        expected,
        rtol=0,
        atol=AGREEMENT * np.abs(image).sum(),
    )
