import numpy as np
import pytest

from beamreduce.frame.neighbours import boxes, far_from_neighbours


def by_definition(image, without_data, limit):
    """Pixel by pixel, with the 5 x 5 moved inward at edges."""
    ny, nx = image.shape
    far = np.zeros(image.shape, dtype=bool)
    for y, x in np.argwhere(~without_data):
        top, left = (max(0, min(at - 2, n - 5)) for at, n in ((y, ny), (x, nx)))
        box = np.s_[top : top + 5, left : left + 5]
        values = image[box][~without_data[box]]
        low, high = image[y, x] - limit, image[y, x] + limit
        far[y, x] = max((values < low).sum(), (values > high).sum()) > values.size / 2
    return far


@pytest.mark.parametrize("shape", [(3, 4), (5, 5), (8, 16), (17, 23), (9, 41)])
@pytest.mark.parametrize("seed", range(4))
def test_it_is_its_definition(shape, seed):
    rng = np.random.default_rng(seed)
    image = rng.normal(0.0, 1.0, shape)
    image[rng.random(shape) < 0.1] += 20.0
    image[rng.random(shape) < 0.05] -= 20.0
    image[:, shape[1] // 2 :] += 8.0 * (seed % 2)
    without_data = rng.random(shape) < 0.05
    image[without_data] = 0.0
    found = far_from_neighbours(image, without_data, 7.0)
    assert np.array_equal(found, by_definition(image, without_data, 7.0))
    assert found.any() or shape == (3, 4)


def test_a_box_is_moved_inward_at_the_edges():
    image = np.arange(64.0).reshape(8, 8)
    rows, columns = np.array([0, 4, 7]), np.array([7, 4, 1])
    values = boxes(image, rows, columns)
    for k, (top, left) in enumerate(((0, 3), (2, 2), (3, 0))):
        assert np.array_equal(values[:, k], image[top : top + 5, left : left + 5].ravel())
