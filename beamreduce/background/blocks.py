"""Sums over square blocks of pixels, large enough that their noise is nearly Gaussian."""

import math
from dataclasses import dataclass

import numpy as np
from numba import njit

from beamreduce.background.pixels import plain_pixels
from beamreduce.image.focal_image import FocalImage

LEAST_PHOTONS = 25  # in a block; below, the noise of a sum is too far from Gaussian
_SMALLEST_BOX = 8  # pixels; smaller blocks cost time and tell nothing more
_LEAST_FILLED = 0.5  # part of a block that must be left by the mask


@dataclass(frozen=True, kw_only=True)
class BlockSums:
    """What the blocks of an image hold.

    Parameters
    ----------
    photons
        Photons in each block, shape (n,).
    noise
        Variance of ``photons`` that does not come from photons, shape (n,).
    moments
        Sums of ``X^i Y^j`` over the pixels of each block that count, shape (n, terms),
        in the order of :func:`powers`; the first column is the area in pixels.
    box_px
        Least side of a block in pixels.
    """

    photons: np.ndarray
    noise: np.ndarray
    moments: np.ndarray
    box_px: int


def powers(degree: int) -> list[tuple[int, int]]:
    """Return the powers (i of X, j of Y) of a polynomial, by rising degree."""
    return [(total - j, j) for total in range(degree + 1) for j in range(total + 1)]


def box_for(level: float) -> int:
    """Return the side of a block of which half expects 25 photons.

    Half, because blocks are kept down to the half that the mask leaves.
    """
    return max(_SMALLEST_BOX, math.ceil(math.sqrt(LEAST_PHOTONS / _LEAST_FILLED / level)))


def block_sums(
    image: FocalImage, chosen: np.ndarray, box_px: int, *, degree: int = 0
) -> BlockSums:
    """Sum an image over blocks.

    Parameters
    ----------
    image
        Photons a pixel.
    chosen
        Boolean image: pixels that may count; flagged pixels never do.
    box_px
        Side of the blocks. They are stretched evenly so that they fill the frame.
    degree
        Highest degree of the moments.
    """
    mask = chosen & plain_pixels(image)
    ny, nx = image.shape
    rows, columns = _edges(ny, box_px), _edges(nx, box_px)
    noise = np.broadcast_to(np.asarray(image.noise_variance, dtype=float), image.shape)
    moments = np.array(powers(degree))
    sums = _sum_blocks(
        mask,
        (np.ascontiguousarray(image.photons), np.ascontiguousarray(noise)),
        (rows, columns),
        moments,
    )
    area = sums[:, :, 2]
    kept = area >= _LEAST_FILLED * np.outer(np.diff(rows), np.diff(columns))
    chosen_sums = sums[kept]
    return BlockSums(
        photons=chosen_sums[:, 0],
        noise=chosen_sums[:, 1],
        moments=chosen_sums[:, 2:],
        box_px=box_px,
    )


def excess_scatter(chi_square: float, degrees_of_freedom: int) -> float:
    """Return by how much a fit's errors fall short: ``√(χ²/n − 1)``, or 0.

    Quoted errors times this, in quadrature with themselves, make χ²/n equal to one
    (Birge 1932, Phys. Rev. 40, 207; common practice). Zero unless χ² lies three of its
    own standard deviations, √(2n), above n: a correct model shall not be enlarged by
    chance.
    """
    n = degrees_of_freedom
    if n < 1 or chi_square - n < 3.0 * math.sqrt(2.0 * n):
        return 0.0
    return math.sqrt(chi_square / n - 1.0)


def _edges(length: int, box_px: int) -> np.ndarray:
    number = max(1, length // box_px)
    return np.arange(number + 1) * length // number


@njit(cache=True, nogil=True)
def _sum_blocks(
    mask: np.ndarray,
    images: tuple[np.ndarray, np.ndarray],
    edges: tuple[np.ndarray, np.ndarray],
    moments: np.ndarray,
) -> np.ndarray:
    """Photons, noise and moments of every block, shape (rows, columns, 2 + moments)."""
    photons, noise = images
    rows, columns = edges
    ny, nx = mask.shape
    degree = moments.max()
    sums = np.zeros((rows.size - 1, columns.size - 1, 2 + len(moments)))
    along_x = np.empty(degree + 1)
    for block_row in range(rows.size - 1):
        for row in range(rows[block_row], rows[block_row + 1]):
            y = (row - ny / 2) / ny
            for block in range(columns.size - 1):
                along_x[:] = 0.0
                photons_in = noise_in = 0.0
                for column in range(columns[block], columns[block + 1]):
                    if not mask[row, column]:
                        continue
                    photons_in += photons[row, column]
                    noise_in += noise[row, column]
                    x = (column - nx / 2) / nx
                    power = 1.0
                    for i in range(degree + 1):
                        along_x[i] += power
                        power *= x
                into = sums[block_row, block]
                into[0] += photons_in
                into[1] += noise_in
                for k in range(len(moments)):
                    into[2 + k] += along_x[moments[k, 0]] * y ** moments[k, 1]
    return sums
