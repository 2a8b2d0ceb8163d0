"""An exponential wing, the steeper alternative to a power law."""

import math

import numpy as np

from beamreduce.background.wing_rings import WingRings

_SCALES = np.geomspace(0.04, 2.0, 60)  # of the reference radius
_DESCRIBES = 5.0  # standard deviations of chi-square above its mean


def exponential_beyond(rings: WingRings, reference_px: float) -> float | None:
    """Return the photons beyond a radius of the exponential that fits rings best.

    ``2π ∫ A exp(-(r-s)/h) r dr = 2π A h (R + h) exp(-(R-s)/h)`` from R to infinity, with s
    the radius of the first ring. Least squares with the level as it was taken off.

    Parameters
    ----------
    rings
        Rings from the start of the wing outward.
    reference_px
        The radius R in pixels.

    Returns
    -------
    float or None
        None where no exponential describes the rings.
    """
    starts = rings.joined()
    if starts.size < 5:
        return None

    def join(values: np.ndarray) -> np.ndarray:
        return np.add.reduceat(values, starts)

    net = join(rings.photons)
    gross = np.maximum(net + join(rings.known), 1.0)
    variance = rings.variance_per_photon * gross + join(rings.noise)
    first_px = float(rings.radius_px[0])
    best, beyond = math.inf, 0.0
    for scale_px in _SCALES * reference_px:
        shape = join(rings.area_px * np.exp(-(rings.radius_px - first_px) / scale_px))
        amplitude = max(float((net * shape / variance).sum()), 0.0)
        amplitude /= float((shape**2 / variance).sum())
        chi_square = float(((net - amplitude * shape) ** 2 / variance).sum())
        if chi_square < best:
            fall = math.exp(-(reference_px - first_px) / scale_px)
            area = 2 * math.pi * scale_px * (reference_px + scale_px) * fall
            best, beyond = chi_square, amplitude * area
    freedom = starts.size - 2
    if best > freedom + _DESCRIBES * math.sqrt(2 * freedom):
        return None
    return beyond
