"""Scatter of a background beyond counting: cosmic rays, photons of other energies.

One charged particle leaves the charge of tens or hundreds of photons in a few pixels, and
a background photon of twice the energy counts as two. Their mean is in the background's
level; their scatter is in no formula, so it is measured, from sums over blocks of pixels.
"""

from dataclasses import replace

import numpy as np

from beamreduce.background.blocks import block_sums
from beamreduce.background.pixels import distance_px, plain_pixels
from beamreduce.image.focal_image import FocalImage

_BOX_PX = 10  # wider than the trace of a particle, so that it falls into few blocks
_DEGREE = 2
_RING_PX = 8.0


def excess_of_beam_off(beam_off: FocalImage) -> float:
    """Return the variance a pixel of a beam-off image beyond photons and detector noise.

    The expected level is a surface of degree 2 fitted to all blocks, so that a gradient
    is no scatter. Never below zero; photons squared a pixel.
    """
    everything = np.ones(beam_off.shape, dtype=bool)
    blocks = block_sums(beam_off, everything, _BOX_PX, degree=_DEGREE)
    if blocks.photons.size < 2 * blocks.moments.shape[1]:
        return 0.0
    coefficients = np.linalg.lstsq(blocks.moments, blocks.photons, rcond=None)[0]
    return _excess(
        blocks.photons - blocks.moments @ coefficients,
        beam_off.variance_per_photon * (blocks.moments @ coefficients) + blocks.noise,
        area=float(blocks.moments[:, 0].sum()),
        spent=blocks.moments.shape[1],
    )


def excess_about_image(
    image: FocalImage, *, center_xy: tuple[float, float], inner_px: float
) -> float:
    """Return the same from the outer part of an image with its beam.

    The expected level is the mean of each ring, eight pixels wide, from an inner radius to
    the corners, so that a round wing is no scatter. A wing that is not round is.
    """
    distance = distance_px(image.shape, center_xy)
    chosen = (distance >= inner_px) & plain_pixels(image)
    ring = (distance / _RING_PX).astype(int)
    pixels = np.bincount(ring[chosen], minlength=ring.max() + 1)
    photons = np.bincount(ring[chosen], image.photons[chosen], minlength=ring.max() + 1)
    mean = (photons / np.maximum(pixels, 1))[ring]
    residual = block_sums(_with_photons(image, image.photons - mean), chosen, _BOX_PX)
    expected = block_sums(_with_photons(image, mean), chosen, _BOX_PX)
    if residual.photons.size < 20:
        return 0.0
    return _excess(
        residual.photons,
        image.variance_per_photon * expected.photons + residual.noise,
        area=float(residual.moments[:, 0].sum()),
        spent=int(np.count_nonzero(pixels)),
    )


def _with_photons(image: FocalImage, photons: np.ndarray) -> FocalImage:
    return replace(image, photons=np.where(image.usable, photons, 0.0))


def _excess(
    residual: np.ndarray, variance: np.ndarray, *, area: float, spent: int
) -> float:
    """Mean square of the residuals above what is expected, a pixel."""
    freedom = residual.size / max(residual.size - spent, 1)
    return max(float((residual**2).sum() * freedom - variance.sum()) / area, 0.0)
