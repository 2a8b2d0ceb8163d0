"""The image in the focal plane: photons a pixel, what is known of their noise, flags."""

from dataclasses import dataclass
from enum import IntFlag

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.errors import FrameError
from beamreduce.units import positive_in


class PixelFlag(IntFlag):
    """Why a pixel is not plain data; bits of :attr:`FocalImage.flags`."""

    BAD = 1  # dead, hot or without data
    SATURATED = 2  # at the detector's limit in at least one exposure
    FILLED = 4  # bad, and given the mean of its neighbours in the ring


# In the type of the flags: with other integers a whole image would be widened first.
_SATURATED, _FILLED = np.uint8(PixelFlag.SATURATED), np.uint8(PixelFlag.FILLED)
_NOT_PLAIN = np.uint8(PixelFlag.BAD | PixelFlag.SATURATED)
_FILLED_OR_NOT = np.uint8(PixelFlag.FILLED | PixelFlag.SATURATED)


@dataclass(frozen=True, kw_only=True)
class FocalImage:
    """Photons in every pixel of the focal plane, background still in.

    Parameters
    ----------
    photons
        Photons a pixel, shape (ny, nx), float64, summed over the exposures of one
        measurement; 0 where a pixel is not used. Pixel (0, 0) has its center at (0, 0);
        x runs along NAXIS1, y along NAXIS2. Values may be negative (read noise).
    flags
        :class:`PixelFlag` bits a pixel, uint8, same shape.
    noise_variance
        Variance a pixel that does not come from this image's own photons (read noise,
        dark current, masters), in photons squared; one number or an image. It may be
        below zero where dividing counts by a response above 1 made them scatter less.
    variance_per_photon
        Variance that each photon brings: 1 for a counter, ``1 + F w / E`` for charge
        (Fano noise).
    pixel_size
        Side of the square pixel.
    detector_distance
        From the reference plane to the detector; None for a beam-off exposure that
        does not say.
    live_time
        Summed exposure time, corrected for dead time.
    energy
        Photon energy, None when unknown.
    """

    photons: np.ndarray
    flags: np.ndarray
    noise_variance: np.ndarray | float
    variance_per_photon: float
    pixel_size: Quantity
    detector_distance: Quantity | None
    live_time: Quantity
    energy: Quantity | None = None

    def __post_init__(self) -> None:
        if self.photons.ndim != 2 or self.photons.shape != self.flags.shape:
            raise FrameError(
                f"photons and flags must be images of one shape; "
                f"got {self.photons.shape} and {self.flags.shape}"
            )
        if not np.isfinite(self.photons).all():
            raise FrameError("photons must be finite; flag pixels without data as BAD")
        if self.flags.any() and np.any(self.photons[~self.usable]):
            raise FrameError("photons must be 0 in pixels that are not usable")

    @property
    def shape(self) -> tuple[int, int]:
        """Number of rows and columns."""
        return self.photons.shape

    @property
    def usable(self) -> np.ndarray:
        """Boolean image: pixels that count, the filled ones among them."""
        usable = (self.flags & _NOT_PLAIN) == 0
        if not usable.all():
            usable |= (self.flags & _FILLED_OR_NOT) == _FILLED
        return usable

    @property
    def saturated(self) -> np.ndarray:
        """Boolean image: pixels at the detector's limit."""
        return (self.flags & _SATURATED) > 0

    @property
    def pixel_mm(self) -> float:
        """Side of the pixel in mm."""
        return positive_in(self.pixel_size, u.mm, name="pixel_size")

    @property
    def distance_mm(self) -> float:
        """Distance of the detector from the reference plane in mm."""
        return positive_in(self.detector_distance, u.mm, name="detector_distance")

    @property
    def variance(self) -> np.ndarray:
        """Variance a pixel in photons squared, never below zero (for display and files).

        Sums over apertures use the unclipped photons instead, because clipping noise
        at zero would make sums of variance too large.
        """
        variance = np.maximum(self.photons, 0.0)
        variance *= self.variance_per_photon
        variance += self.noise_variance
        return np.maximum(variance, 0.0, out=variance)
