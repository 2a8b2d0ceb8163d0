"""Background from beam-off exposures: their image, scaled, pixel by pixel."""

import math

import numpy as np
from numba import njit

from beamreduce.background.blocks import LEAST_PHOTONS
from beamreduce.background.excess import excess_of_beam_off
from beamreduce.background.model import Background, Polynomial
from beamreduce.background.pixels import noise_sum, plain_pixels, sum_variance
from beamreduce.errors import MeasurementError, SettingsError
from beamreduce.image.focal_image import FocalImage

_LEAST_BOX_PX = 5


def from_exposure(
    beam_off: FocalImage,
    *,
    scale: float,
    scale_uncertainty: float = 0.0,
    scale_systematic: float = 0.0,
    shared: np.ndarray | float = 0.0,
) -> Background:
    """Scale the image of the beam-off exposures to the measurement.

    Parameters
    ----------
    beam_off
        Photons a pixel, summed over the beam-off exposures.
    scale
        Beam exposure over beam-off exposure (:func:`beamreduce.background.scale_to`).
    scale_uncertainty
        One standard deviation of ``scale`` from counting (of a monitor).
    scale_systematic
        The same from declared uncertainties.
    shared
        Covariance a pixel of the beam-off photons with the photons of the image
        (:func:`beamreduce.frame.shared_covariance`).

    Returns
    -------
    Background
        ``level = scale · photons`` and ``photon_variance = scale² (v·photons + noise)``,
        the scatter of the beam-off image beyond counting among the noise.
        The variance is right for sums over pixels and may be negative in a single one,
        where noise made the pixel negative. The uncertainty of the scale is a mode, its
        systematic part a systematic one.

    Raises
    ------
    SettingsError
        When the scale is not above zero.
    MeasurementError
        When the beam-off image has no usable pixel.

    Notes
    -----
    Pixels without data of their own get the mean of a box about them that expects at
    least 25 photons.
    """
    if not (math.isfinite(scale) and scale > 0):
        raise SettingsError(f"scale of the background must be above zero; got {scale:g}")
    sizes = {"scale_uncertainty": scale_uncertainty, "scale_systematic": scale_systematic}
    for name, size in sizes.items():
        if not (math.isfinite(size) and size >= 0):
            raise SettingsError(
                f"{name} of the background must not be negative; got {size:g}"
            )
    photons, filled = _filled(beam_off)
    notes = {"background": f"beam-off image scaled by {scale:.6g}"}
    if filled:
        notes["background_filled"] = (
            f"{filled} pixels of the beam-off image have no data and got the mean of "
            f"their neighbours"
        )
    level = scale * photons
    modes: list[Polynomial | np.ndarray] = []
    if scale_uncertainty > 0:
        modes.append(level * (scale_uncertainty / scale))
    declared = (level * (scale_systematic / scale),) if scale_systematic > 0 else ()
    total = float(photons.sum())
    excess = excess_of_beam_off(beam_off)
    variance = beam_off.variance_per_photon * photons
    variance += beam_off.noise_variance
    variance += excess
    variance *= scale**2
    if total < 1.0:
        # No photon seen does not mean that none was expected (see sum_variance).
        noise = noise_sum(beam_off, plain_pixels(beam_off))
        floor = sum_variance(total, noise, beam_off.variance_per_photon) - noise
        modes.append(
            Polynomial.flat(scale * math.sqrt(floor) / photons.size, photons.shape)
        )
        notes["background_photons"] = (
            "no photon in the beam-off image: its level is taken as 0 to 1 photon in all"
        )
    return Background(
        method="exposure",
        level=level,
        photon_variance=variance,
        shared_variance=scale * shared,
        modes=tuple(modes),
        systematic_modes=declared,
        # A rate: what a longer exposure gathers, the noise of it included.
        excess_variance=scale * excess,
        notes=notes,
    )


def _filled(image: FocalImage) -> tuple[np.ndarray, int]:
    """Return the photons with neighbours' means where a pixel has no data of its own."""
    plain = plain_pixels(image)
    without = int(plain.size - np.count_nonzero(plain))
    if without == plain.size:
        raise MeasurementError("the beam-off image has no usable pixel")
    if without == 0:
        return image.photons, 0
    photons = np.where(plain, image.photons, 0.0)
    mean = photons.sum() / np.count_nonzero(plain)
    side = math.sqrt(LEAST_PHOTONS / mean) if mean > 0 else math.inf
    box = int(min(max(side, _LEAST_BOX_PX), max(image.shape))) // 2 * 2 + 1
    _fill_from_boxes(photons, plain, box // 2, float(mean))
    return photons, without


@njit(cache=True, nogil=True)
def _fill_from_boxes(
    photons: np.ndarray, plain: np.ndarray, reach: int, mean: float
) -> None:
    """Give pixels that are not plain, and hold 0, the mean of the plain ones about them.

    Where hardly any neighbour is left the mean of the whole image must do.
    """
    ny, nx = photons.shape
    original = photons.copy()
    sums, counts = np.zeros(nx), np.zeros(nx)  # of the rows about the one at hand
    for row in range(min(reach, ny)):
        sums += original[row]
        counts += plain[row]
    for row in range(ny):
        if row + reach < ny:
            sums += original[row + reach]
            counts += plain[row + reach]
        if row - reach > 0:
            sums -= original[row - reach - 1]
            counts -= plain[row - reach - 1]
        for column in range(nx):
            if plain[row, column]:
                continue
            about = slice(max(column - reach, 0), column + reach + 1)
            count = counts[about].sum()
            known = count > 0.25 * (2 * reach + 1) ** 2
            photons[row, column] = sums[about].sum() / count if known else mean
