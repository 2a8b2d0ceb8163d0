"""Background from an annulus about the image: the plain mean of what the mask leaves."""

import math

import numpy as np
from astropy.units import Quantity

from beamreduce.background.blocks import block_sums, box_for, excess_scatter
from beamreduce.background.model import Background, Polynomial
from beamreduce.background.pixels import (
    distance_px,
    noise_sum,
    plain_pixels,
    radius_in_px,
    sum_variance,
)
from beamreduce.errors import MeasurementError, SettingsError
from beamreduce.image.center import largest_radius
from beamreduce.image.focal_image import FocalImage


def from_annulus(
    image: FocalImage,
    *,
    center_xy: tuple[float, float],
    inner: Quantity,
    outer: Quantity | None = None,
) -> Background:
    """Take the mean photons a pixel between two radii as the background everywhere.

    Parameters
    ----------
    image
        Photons a pixel, background still in.
    center_xy
        Center of both circles in pixels.
    inner, outer
        Radii as lengths on the detector. A pixel belongs when its middle lies at least
        ``inner`` and less than ``outer`` away. Without ``outer``: the largest circle
        inside the frame, so that a linear gradient cancels.

    Returns
    -------
    Background
        One level with one mode, ``√(v·N + noise)/area``. Where sums over blocks of at
        least 25 photons scatter more than that formula says, the excess becomes a model
        mode and a note tells it.

    Raises
    ------
    SettingsError
        When the annulus has no width.
    MeasurementError
        When the mask leaves no pixel of it.

    Notes
    -----
    What the wing of the image puts into the annulus is part of the mean.
    """
    chosen = _annulus(image, center_xy, inner, outer) & plain_pixels(image)
    area = int(np.count_nonzero(chosen))
    if area == 0:
        raise MeasurementError(
            f"the background annulus from {inner:g} outward holds no usable pixel; "
            f"give other radii or another background method"
        )
    photons = float(np.sum(image.photons, where=chosen))
    level = photons / area
    noise = noise_sum(image, chosen)
    sigma = math.sqrt(sum_variance(photons, noise, image.variance_per_photon)) / area
    excess, note = _check_with_blocks(image, chosen, level)
    mode = Polynomial.flat(sigma, image.shape)
    return Background(
        method="annulus",
        level=Polynomial.flat(level, image.shape),
        modes=(mode,),
        model_modes=(Polynomial.flat(excess * sigma, image.shape),) if excess else (),
        notes={
            "background": f"plain mean of {area} pixels with their middle in the annulus",
            "background_fit": note,
        },
    )


def _annulus(
    image: FocalImage,
    center_xy: tuple[float, float],
    inner: Quantity,
    outer: Quantity | None,
) -> np.ndarray:
    inner_px = radius_in_px(inner, image, name="inner radius of the background annulus")
    if outer is None:
        outer_px = largest_radius(image.shape, center_xy)
    else:
        outer_px = radius_in_px(outer, image, name="outer radius of the background annulus")
    if outer_px <= inner_px:
        raise SettingsError(
            f"the background annulus must have outer above inner radius; "
            f"got {inner_px * image.pixel_mm:g} mm and {outer_px * image.pixel_mm:g} mm"
            + (
                " (the largest circle inside the frame): set annulus_inner lower"
                if outer is None
                else ""
            )
        )
    distance = distance_px(image.shape, center_xy)
    return (distance >= inner_px) & (distance < outer_px)


def _check_with_blocks(
    image: FocalImage, chosen: np.ndarray, level: float
) -> tuple[float, str]:
    """Compare the scatter of block sums with the counting formula."""
    if level * np.count_nonzero(chosen) < 1.0:
        return 0.0, "too few photons to compare the noise with block sums"
    blocks = block_sums(image, chosen, box_for(level))
    freedom = blocks.photons.size - 1
    if freedom < 1:
        return 0.0, "too few blocks of 25 photons to compare the noise with"
    expected = level * blocks.moments[:, 0]
    variance = sum_variance(expected, blocks.noise, image.variance_per_photon)
    chi_square = float(np.sum((blocks.photons - expected) ** 2 / variance))
    excess = excess_scatter(chi_square, freedom)
    note = (
        f"block sums of {blocks.box_px} pixels a side about the mean: "
        f"chi-square {chi_square:.1f} for {freedom} degrees of freedom"
    )
    if excess:
        note += "; the annulus is not flat, its uncertainty is enlarged (model)"
    return excess, note
