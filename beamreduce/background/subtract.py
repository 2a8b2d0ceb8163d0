"""Taking the background off, and its mean level in a circle."""

import math
from dataclasses import dataclass, field

import numpy as np
from astropy.units import Quantity

from beamreduce.background.model import Background, Polynomial, draw
from beamreduce.background.pixels import checked_center, radius_in_px
from beamreduce.image.focal_image import FocalImage
from beamreduce.record.uncertain import Uncertain
from beamreduce.rings import overlap_sums


@dataclass(frozen=True, kw_only=True)
class NetImage:
    """Photons a pixel without the background.

    Parameters
    ----------
    photons
        Net photons a pixel; 0 where a pixel is not usable.
    usable
        Boolean image: pixels that count.
    image
        What the background was taken off.
    background
        What was taken off.
    """

    photons: np.ndarray
    usable: np.ndarray
    image: FocalImage = field(repr=False)
    background: Background = field(repr=False)

    @property
    def variance(self) -> np.ndarray:
        """Variance a pixel that is independent from pixel to pixel, never below zero.

        For display and files: photons, detector noise, noise of beam-off frames. The
        common uncertainty of the background is not in it.
        """
        variance = self.image.variance
        variance += np.maximum(self.background.photon_variance, 0.0)
        variance -= 2.0 * self.background.shared_variance
        variance[~self.usable] = 0.0
        return np.maximum(variance, 0.0, out=variance)


def subtract(image: FocalImage, background: Background) -> NetImage:
    """Take the background off in every usable pixel."""
    level = background.level_image(image.shape)
    usable = image.usable
    photons = image.photons - level
    photons[~usable] = 0.0
    return NetImage(photons=photons, usable=usable, image=image, background=background)


def mean_level(
    image: FocalImage,
    background: Background,
    *,
    center_xy: tuple[float, float],
    radius: Quantity,
) -> Uncertain:
    """Return the mean background, photons a pixel, in a circle.

    Parameters
    ----------
    image
        Image that the background belongs to.
    background
        Level and modes.
    center_xy
        Center of the circle in pixels.
    radius
        Radius of the circle, a length on the detector. What lies outside the frame does
        not count.

    Returns
    -------
    Uncertain
        Statistical: noise of the beam-off photons in the circle and all common modes;
        systematic and model: the modes of that kind.
    """
    radius_px = radius_in_px(radius, image, name="radius")
    center = checked_center(image.shape, center_xy)
    area = _in_circle(np.ones(image.shape), center, radius_px)

    def mean(surface: Polynomial | np.ndarray) -> float:
        if isinstance(surface, Polynomial) and surface.is_flat:
            return float(surface.coefficients[0, 0])
        return _in_circle(draw(surface, image.shape), center, radius_px) / area

    independent = np.broadcast_to(background.photon_variance, image.shape)
    photon_variance = max(_in_circle(independent, center, radius_px), 0.0) / area**2
    modes = [mean(mode) for mode in background.modes]
    systematic_modes = [mean(mode) for mode in background.systematic_modes]
    model_modes = [mean(mode) for mode in background.model_modes]
    return Uncertain(
        value=mean(background.level),
        statistical=math.hypot(math.sqrt(photon_variance), *modes),
        systematic=math.hypot(*systematic_modes),
        model=math.hypot(*model_modes),
    )


def _in_circle(
    image: np.ndarray, center_xy: tuple[float, float], radius_px: float
) -> float:
    return float(overlap_sums(image, center_xy, np.array([radius_px]))[0])
