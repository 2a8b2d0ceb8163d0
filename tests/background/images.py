"""Images for the tests of this room."""

import astropy.units as u
import numpy as np

from beamreduce.image import FocalImage, PixelFlag

PIXEL = 0.02 * u.mm


def photon_image(photons, *, flags=None, noise=0.0, per_photon=1.0):
    """An image whose arrays cannot be written to, so that a step that tries fails."""
    photons = np.array(photons, dtype=float)
    flags = np.zeros(photons.shape, np.uint8) if flags is None else np.array(flags)
    photons[flags & (PixelFlag.BAD | PixelFlag.SATURATED) > 0] = 0.0
    photons.flags.writeable = False
    flags.flags.writeable = False
    return FocalImage(
        photons=photons,
        flags=flags,
        noise_variance=noise,
        variance_per_photon=per_photon,
        pixel_size=PIXEL,
        detector_distance=5 * u.m,
        live_time=100 * u.s,
    )


def distances(shape, center_xy):
    rows, columns = np.indices(shape)
    return np.hypot(columns - center_xy[0], rows - center_xy[1])


def king(shape, center_xy, *, photons, core_px, b=1.5):
    """Photons a pixel of I ∝ [1 + (r/rc)²]^-b (King 1962, AJ 67, 471)."""
    r = distances(shape, center_xy)
    peak = photons * (b - 1) / (np.pi * core_px**2)
    return peak * (1 + (r / core_px) ** 2) ** -b


def king_beyond(radius_px, *, core_px, b=1.5):
    """Flux beyond a radius over the flux inside: from EE = 1 − [1 + (r/rc)²]^(1−b)."""
    outside = (1 + (radius_px / core_px) ** 2) ** (1 - b)
    return outside / (1 - outside)


def flat_value(surface):
    """The level of a background that has only one."""
    assert surface.is_flat
    return surface.coefficients[0, 0]
