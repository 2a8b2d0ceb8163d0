"""Bad pixels get the mean of the good ones beside them in the same ring.

Images of quadrants and off-axis images are not round, so a pixel is filled from its own
azimuth only; photons are sparse, so means are taken and never medians. Saturated pixels
are never filled: their neighbours do not know what was lost.
"""

import math
from dataclasses import replace

import astropy.units as u
import numba
import numpy as np
from astropy.units import Quantity

from beamreduce.errors import MeasurementError
from beamreduce.image.focal_image import FocalImage, PixelFlag
from beamreduce.units import positive_in

# Half width of the ring, and half length of the arc: a share of the radius within
# limits. Small, so that the profile is straight over it; the radius enters evenly on
# both sides, so its slope cancels.
_RING, _ARC_SHARE, _ARC_LEAST, _ARC_MOST = 1.0, 0.15, 3.0, 10.0
_FEWEST = 6
_WIDENINGS, _WIDER = 2, 1.5


def fill_bad_pixels(
    image: FocalImage,
    center_xy: tuple[float, float],
    *,
    limit: float,
    radius: Quantity | None = None,
) -> FocalImage:
    """Return the image with bad pixels filled from their neighbours in the ring.

    Parameters
    ----------
    image
        Photons with flags; filled pixels of an earlier center are filled anew.
    center_xy
        Center of the rings in pixels.
    limit
        Largest part of the photons that may come from filled pixels (0.05 is 5 %).
    radius
        Circle about the center that the limit is about; None for the whole image.

    Returns
    -------
    Filled pixels are flagged ``FILLED`` beside ``BAD``. Their noise variance holds the
    fluctuation of the neighbours once more, because those count twice: a sum over
    an aperture varies by what it holds plus what was filled. Pixels with too few good
    neighbours stay bad.

    Raises
    ------
    MeasurementError
        When more than the limit would be filled in.
    """
    bad = (image.flags & np.uint8(PixelFlag.BAD)) > 0
    if not bad.any():
        return image
    rows, columns = np.nonzero(bad)
    variance = np.array(np.broadcast_to(image.noise_variance, image.shape), dtype=float)
    values, noises, counts = _means(
        (image.photons, variance, image.flags == 0),
        (rows, columns),
        (float(center_xy[0]), float(center_xy[1])),
    )
    found = counts >= _FEWEST
    photons, flags = image.photons.copy(), image.flags & ~np.uint8(PixelFlag.FILLED)
    photons[bad] = 0.0
    at = rows[found], columns[found]
    photons[at] = values[found]
    flags[at] |= np.uint8(PixelFlag.FILLED)
    variance[at] = 2 * noises[found] + image.variance_per_photon * values[found]
    filled = replace(image, photons=photons, flags=flags, noise_variance=variance)
    part = filled_fraction(filled, center_xy, radius=radius)
    if part > limit:
        raise MeasurementError(
            f"bad pixels must hold at most {limit:.3g} of the photons; found {part:.3g} "
            f"{_where(radius)} (move the image to a better part of the detector, or "
            f"raise [reduction] filled_fraction_limit if neighbours may stand for them)"
        )
    return filled


def filled_fraction(
    image: FocalImage, center_xy: tuple[float, float], *, radius: Quantity | None = None
) -> float:
    """Return the part of the photons inside a circle that were filled in.

    Where the circle holds no photons it is the part of the pixels.

    Parameters
    ----------
    image
        An image from :func:`fill_bad_pixels`.
    center_xy
        Center of the circle in pixels.
    radius
        Radius of the circle; None for the whole image.
    """
    inside = image.usable
    if radius is not None:
        radius_pixel = positive_in(radius, u.mm, name="radius") / image.pixel_mm
        y, x = np.ogrid[: image.shape[0], : image.shape[1]]
        inside &= np.hypot(x - center_xy[0], y - center_xy[1]) <= radius_pixel
    filled = inside & ((image.flags & np.uint8(PixelFlag.FILLED)) > 0)
    total = float(image.photons.sum(where=inside))
    if total > 0:
        return max(float(image.photons.sum(where=filled)) / total, 0.0)
    return float(filled.sum() / max(inside.sum(), 1))


def _where(radius: Quantity | None) -> str:
    return "in the image" if radius is None else f"within {radius:.4g} of the center"


@numba.njit(cache=True, nogil=True)
def _means(
    images: tuple[np.ndarray, np.ndarray, np.ndarray],
    pixels: tuple[np.ndarray, np.ndarray],
    center: tuple[float, float],
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean photons and noise variance of the good neighbours, and how many they are."""
    rows, columns = pixels
    values = np.zeros(rows.size)
    noises = np.zeros(rows.size)
    counts = np.zeros(rows.size, dtype=np.int64)
    for k in range(rows.size):
        dx, dy = columns[k] - center[0], rows[k] - center[1]
        radius = math.hypot(dx, dy)
        ring = _RING
        arc = min(max(_ARC_SHARE * radius, _ARC_LEAST), _ARC_MOST)
        for _ in range(_WIDENINGS + 1):
            counts[k], values[k], noises[k] = _mean_of_arc(
                images, (rows[k], columns[k]), center, (radius, ring, arc)
            )
            if counts[k] >= _FEWEST:
                break
            ring, arc = _WIDER * ring, _WIDER * arc
    return values, noises, counts


@numba.njit(cache=True, nogil=True)
def _mean_of_arc(
    images: tuple[np.ndarray, np.ndarray, np.ndarray],
    pixel: tuple[int, int],
    center: tuple[float, float],
    shape: tuple[float, float, float],
) -> tuple[int, float, float]:
    photons, variance, good = images
    radius, ring, arc = shape
    ny, nx = photons.shape
    reach = math.ceil(arc)
    least, most = max(radius - ring, 0.0) ** 2, (radius + ring) ** 2
    count, value, noise = 0, 0.0, 0.0
    for j in range(max(0, pixel[0] - reach), min(ny, pixel[0] + reach + 1)):
        for i in range(max(0, pixel[1] - reach), min(nx, pixel[1] + reach + 1)):
            if not good[j, i]:
                continue
            if (i - pixel[1]) ** 2 + (j - pixel[0]) ** 2 > arc**2:
                continue
            if not least <= (i - center[0]) ** 2 + (j - center[1]) ** 2 <= most:
                continue
            count += 1
            value += photons[j, i]
            noise += variance[j, i]
    if count > 0:
        value /= count
        noise /= count
    return count, value, noise
