"""Which pixels a background is found from, and the noise of sums over them."""

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.errors import SettingsError
from beamreduce.image.focal_image import FocalImage
from beamreduce.units import positive_in


def plain_pixels(image: FocalImage) -> np.ndarray:
    """Return a boolean image of pixels that hold data of their own.

    Filled pixels are left out: they repeat what their neighbours say.
    """
    return image.flags == 0


def distance_px(shape: tuple[int, int], center_xy: tuple[float, float]) -> np.ndarray:
    """Return the distance of every pixel's middle from a center, in pixels."""
    x0, y0 = checked_center(shape, center_xy)
    return np.hypot(np.arange(shape[1]) - x0, (np.arange(shape[0]) - y0)[:, None])


def radius_in_px(radius: Quantity, image: FocalImage, *, name: str) -> float:
    """Convert a length above zero to pixels."""
    return positive_in(radius, u.mm, name=name) / image.pixel_mm


def checked_center(
    shape: tuple[int, int], center_xy: tuple[float, float]
) -> tuple[float, float]:
    """Return the center as two floats, after checking that it lies in the frame."""
    x0, y0 = float(center_xy[0]), float(center_xy[1])
    if not (-0.5 <= x0 <= shape[1] - 0.5 and -0.5 <= y0 <= shape[0] - 0.5):
        raise SettingsError(
            f"center_xy must lie in the frame of {shape[1]} × {shape[0]} pixels; "
            f"got ({x0:g}, {y0:g})"
        )
    return x0, y0


def noise_sum(image: FocalImage, chosen: np.ndarray) -> float:
    """Return the summed variance of chosen pixels that does not come from photons."""
    noise = np.broadcast_to(image.noise_variance, image.shape)
    return float(np.sum(noise, where=chosen))


def sum_variance(
    photons: np.ndarray | float, noise: np.ndarray | float, variance_per_photon: float
) -> np.ndarray:
    """Return the variance of sums of photons: ``v·max(N, 1) + noise``.

    A sum in which no photon was found does not prove that none was expected: with every
    expectation equally likely beforehand, N = 0 leaves one photon as the standard
    deviation (the gamma law of Bayes' rule), which is the floor used here.
    """
    return variance_per_photon * np.maximum(photons, 1.0) + noise
