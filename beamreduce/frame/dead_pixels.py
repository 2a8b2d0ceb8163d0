"""Pixels of a summed exposure that stay dark where their neighbours are lit."""

import numba
import numpy as np

_SAMPLED_PIXELS = 20_000
_SIGMAS = 7.0
_LEAST_PHOTONS = 50.0
_DARK_PART = 0.2


def find_dead_pixels(photons: np.ndarray, noise_variance: np.ndarray) -> np.ndarray:
    """Return pixels of a summed exposure that stay dark, or lie far below zero.

    Flagged is less than a fifth of what the third-darkest of the eight neighbours
    holds, by at least 7 sigma. An edge of the image cannot look like that (at least
    three dark pixels follow each other there); in sparse images nothing is flagged.
    Flagged is also what lies 7 sigma below zero, and below the middle of an image from
    which too much dark was taken off: light cannot do that, a writer's mark for "no
    data" can.

    Parameters
    ----------
    photons
        Sum of the exposures of one measurement, photons a pixel.
    noise_variance
        Variance a pixel other than that of the photons, photons squared.
    """
    step = max(1, photons.size // _SAMPLED_PIXELS)
    zero = min(float(np.median(photons.ravel()[::step])), 0.0)
    below, dark = _candidates(photons, zero - _SIGMAS)
    dead = np.zeros(photons.shape, dtype=bool)
    if below.any():
        rows, columns = np.nonzero(below)
        sigma = np.sqrt(1.0 + np.abs(noise_variance[rows, columns]))
        dead[rows, columns] = photons[rows, columns] < zero - _SIGMAS * sigma
    if dark.any():
        rows, columns = np.nonzero(dark)
        dead[rows, columns] |= _darker_than_neighbours(
            photons, noise_variance, (rows, columns)
        )
    return dead


def _darker_than_neighbours(
    photons: np.ndarray, noise_variance: np.ndarray, at: tuple[np.ndarray, np.ndarray]
) -> np.ndarray:
    rows, columns = at
    steps = [(j, i) for j in (-1, 0, 1) for i in (-1, 0, 1) if (j, i) != (0, 0)]
    neighbours = np.array([photons[rows + j, columns + i] for j, i in steps])
    expected = np.partition(neighbours, 2, axis=0)[2]
    own = photons[at]
    sigma = np.sqrt(np.maximum(expected, 1.0) + np.abs(noise_variance[at]))
    found = (expected > _LEAST_PHOTONS) & (own < _DARK_PART * expected)
    return found & (expected - own > _SIGMAS * sigma)


@numba.njit(cache=True, nogil=True)
def _candidates(photons: np.ndarray, least: float) -> tuple[np.ndarray, np.ndarray]:
    """Pixels below a value, and such that may be darker than lit neighbours.

    Where the third-darkest neighbour holds over 50 photons six of them do, so that the
    3 x 3 hold more than 225 even with two dark ones among them. Pixels along the edge
    do not have eight neighbours.
    """
    ny, nx = photons.shape
    below = np.zeros((ny, nx), dtype=np.bool_)
    dark = np.zeros((ny, nx), dtype=np.bool_)
    three = np.empty(nx)
    for y in range(ny):
        for x in range(nx):
            below[y, x] = photons[y, x] < least
        if not 0 < y < ny - 1:
            continue
        for x in range(nx):
            three[x] = photons[y - 1, x] + photons[y, x] + photons[y + 1, x]
        for x in range(1, nx - 1):
            nine = three[x - 1] + three[x] + three[x + 1]
            lit = nine > 4.5 * _LEAST_PHOTONS
            dark[y, x] = lit & (8 * photons[y, x] < _DARK_PART * nine)
    return below, dark
