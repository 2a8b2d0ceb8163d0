"""Sums over square blocks of pixels, large enough that their noise is nearly Gaussian."""

import math
from dataclasses import dataclass

import numpy as np

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
    rows, columns = _starts(ny, box_px), _starts(nx, box_px)
    x = (np.arange(nx) - nx / 2) / nx
    y = (np.arange(ny) - ny / 2) / ny
    along_x = [np.add.reduceat(mask * x**i, columns, axis=1) for i in range(degree + 1)]
    moments = [
        np.add.reduceat(along_x[i] * y[:, None] ** j, rows, axis=0)
        for i, j in powers(degree)
    ]
    area = moments[0]
    full = np.outer(np.diff(rows, append=ny), np.diff(columns, append=nx))
    kept = area >= _LEAST_FILLED * full
    noise = np.broadcast_to(image.noise_variance, image.shape)
    return BlockSums(
        photons=_block(np.where(mask, image.photons, 0.0), rows, columns)[kept],
        noise=_block(np.where(mask, noise, 0.0), rows, columns)[kept],
        moments=np.stack([moment[kept] for moment in moments], axis=1),
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


def _starts(length: int, box_px: int) -> np.ndarray:
    number = max(1, length // box_px)
    return np.arange(number) * length // number


def _block(image: np.ndarray, rows: np.ndarray, columns: np.ndarray) -> np.ndarray:
    return np.add.reduceat(np.add.reduceat(image, rows, axis=0), columns, axis=1)
