"""Images and ring counts with a known truth, for tests of many rooms."""

import astropy.units as u
import numpy as np
from scipy import special

from beamreduce.image import FocalImage
from beamreduce.rings import RingCounts

PIXEL_MM = 0.02
DISTANCE_MM = 5200.0


def focal_image(photons, *, flags=None, noise_variance=0.0, variance_per_photon=1.0):
    """Return an image around an array of photons; nothing is added to it."""
    if flags is None:
        flags = np.zeros(photons.shape, dtype=np.uint8)
    return FocalImage(
        photons=np.asarray(photons, dtype=float),
        flags=flags,
        noise_variance=noise_variance,
        variance_per_photon=variance_per_photon,
        pixel_size=PIXEL_MM * u.mm,
        detector_distance=DISTANCE_MM * u.mm,
        live_time=100 * u.s,
    )


def ring_counts(radius_mm, photons):
    """Return plain photon counts in rings, as a counter with positions gives them."""
    photons = np.asarray(photons, dtype=float)
    return RingCounts(
        radius_mm=radius_mm,
        photons=photons,
        poisson_part=photons,
        covariance=np.diag(photons),
        covered_px=np.pi * np.diff(radius_mm**2, prepend=0.0) / PIXEL_MM**2,
        pixel_mm=PIXEL_MM,
        detector_distance_mm=DISTANCE_MM,
    )


def gaussian_image(shape, center_xy, sigma_px):
    """Return a round Gaussian of unit flux integrated over every pixel exactly."""

    def along(size, center):
        edges = (np.arange(size + 1) - 0.5 - center) / sigma_px
        return np.diff(special.ndtr(edges))

    return np.outer(along(shape[0], center_xy[1]), along(shape[1], center_xy[0]))


def photons_on_pixels(shape, x, y):
    """Return how many of the photons at positions x, y (pixels) each pixel caught."""
    ny, nx = shape
    edges = (np.arange(ny + 1) - 0.5, np.arange(nx + 1) - 0.5)
    return np.histogram2d(y, x, bins=edges)[0]


def read_only(array):
    """Return a copy that nobody can write to."""
    copy = np.array(array)
    copy.setflags(write=False)
    return copy
