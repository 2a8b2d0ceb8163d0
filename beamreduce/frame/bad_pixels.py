"""Dead, hot and unsteady pixels, from masters and from repeated exposures.

Every level is held against the 5 x 5 pixels about it, so that gradients, glowing corners
and amplifiers of different level are not taken for bad pixels. All limits are in terms
of the noise that the frames themselves show; no photon hit of a beam frame can pass one,
because beam frames are only asked about pixels that do *not* behave like photons.
"""

from collections.abc import Sequence

import numpy as np

from beamreduce.frame.chi_square import chi_square_quantile
from beamreduce.frame.master import MasterFrame
from beamreduce.frame.neighbours import boxes, far_from_neighbours, places
from beamreduce.frame.running_sums import RunningSums

_SAMPLED_PIXELS = 20_000
# Standing out by 10 robust sigma from one's neighbours, and by three times the noise of
# a single frame: a smaller, steady excess is taken off with the dark and does no harm.
_SPREADS = 10.0
_FRAME_SIGMAS = 3.0
# Variance over that of typical pixels; chance exceeds 25 once in 1e11 with 3 frames.
_UNSTEADY = 25.0
_DEAD_RESPONSE, _DOUBLE_RESPONSE, _NO_RESPONSE = 0.5, 2.0, 0.1
_FLAT_SIGMAS = 7.0
_CHANCE = 1e-10
# A charge cloud of 2 pixels (one sigma) leaves 1/(16π) of the variance to each pixel.
_LEAST_PHOTON_VARIANCE = 0.02
_LEAST_PHOTONS = 50.0


def find_bad_pixels(
    *,
    bias: MasterFrame | None = None,
    darks: Sequence[MasterFrame] = (),
    flat: MasterFrame | None = None,
    saturation_adu: float | None = None,
) -> np.ndarray:
    """Return the boolean image of pixels that cannot be used.

    Parameters
    ----------
    bias
        Master bias: pixels that stand out from their neighbours or are unsteady.
    darks
        Master darks in adu, each of one exposure time: hot and unsteady pixels.
    flat
        Master flat with mean 1: pixels with less than half, or more than twice, the
        response of their neighbours, as far as the noise of the flat can tell.
    saturation_adu
        Pixel value what reaches it in the mean of bias or dark is a bad pixel.

    Notes
    -----
    Pixels without data in any frame of a master are bad too.
    """
    masters = [master for master in (bias, *darks, flat) if master is not None]
    if not masters:
        raise ValueError("there must be at least one master frame; got none")
    bad = np.zeros(masters[0].mean.shape, dtype=bool)
    for master in masters:
        bad |= master.without_data
    for master in (bias, *darks):
        if master is not None:
            bad |= _stands_out(master) | _unsteady(master)
            if saturation_adu is not None:
                bad |= master.mean >= saturation_adu
    if flat is not None:
        bad |= _wrong_response(flat)
    return bad


def find_steady_pixels(sums: RunningSums, *, adu_per_photon: float) -> np.ndarray:
    """Return pixels brighter than their neighbours that yet do not fluctuate.

    Photons arrive at random: ``n`` a frame scatter by at least 0.02 n photons², even
    with the charge of each spread over many pixels. A leaking pixel scatters by single
    electrons, some thousand times less. Flagged is what scatters so little that photons
    would do so less than once in 1e10; that takes some 30 frames.

    Parameters
    ----------
    sums
        Raw frames of one setting and exposure time.
    adu_per_photon
        Mean pixel value that a photon adds at this energy.
    """
    freedom = sums.count - 1
    if freedom < 1:
        return np.zeros(sums.first.shape, dtype=bool)
    # Held against their neighbours, because the pedestal is not known here.
    limit = _LEAST_PHOTONS * adu_per_photon / sums.count
    if float(sums.high.max()) - float(sums.low.min()) <= limit:
        return np.zeros(sums.first.shape, dtype=bool)
    level = sums.total()
    level /= sums.count
    far = places(far_from_neighbours(level, sums.without_data, limit))
    height = level[far] - np.median(boxes(level, *far), axis=0)
    least = chi_square_quantile(freedom, _CHANCE) / freedom
    least *= _LEAST_PHOTON_VARIANCE * adu_per_photon
    squares = sums.squares[far] - sums.difference[far] ** 2 / sums.count
    steady = np.zeros(level.shape, dtype=bool)
    steady[far] = squares / freedom < least * height
    return steady


def _stands_out(master: MasterFrame) -> np.ndarray:
    """Pixels far above or below more than half of the 5 x 5 about them."""
    local, chosen = _local_medians(master)
    spread = _robust_sigma(master.mean.ravel()[chosen] - local)
    limit = _SPREADS * spread
    if master.variance is not None:
        single = np.sqrt(np.median(master.variance.ravel()[chosen]) * master.count)
        limit = max(limit, _FRAME_SIGMAS * float(single))
    if limit == 0:
        limit = np.finfo(float).eps * max(1.0, float(np.max(np.abs(local))))
    far = far_from_neighbours(master.mean, master.without_data, limit)
    rows, columns = places(far)
    own: np.ndarray | float = limit
    if master.variance is not None:
        # Where the level is high its shot noise is high too, as in a glowing corner.
        about = np.median(boxes(master.variance, rows, columns), axis=0)
        own = np.maximum(limit, _SPREADS * np.sqrt(about))
    far[rows, columns] = _excess(master.mean, rows, columns) > own
    return far


def _unsteady(master: MasterFrame) -> np.ndarray:
    """Pixels that scatter from frame to frame far more than typical ones and neighbours."""
    unsteady = np.zeros(master.mean.shape, dtype=bool)
    if master.variance is None or master.count < 3:
        return unsteady
    typical = float(np.median(master.variance.ravel()[_sample(master)]))
    if typical == 0:
        return unsteady
    rows, columns = places(master.variance > _UNSTEADY * typical)
    # In a glowing corner all pixels scatter by the shot noise of the glow.
    about = np.median(boxes(master.variance, rows, columns), axis=0)
    unsteady[rows, columns] = master.variance[rows, columns] > _UNSTEADY * about
    return unsteady


def _wrong_response(flat: MasterFrame) -> np.ndarray:
    local, chosen = _local_medians(flat)
    typical = max(float(np.median(local)), 0.0)
    if flat.variance is None:
        sigma = _robust_sigma(flat.mean.ravel()[chosen] - local)
    else:
        sigma = float(np.sqrt(np.median(flat.variance.ravel()[chosen])))
    dark_by = max(_DEAD_RESPONSE * typical, _FLAT_SIGMAS * sigma)
    bright_by = max((_DOUBLE_RESPONSE - 1) * typical, _FLAT_SIGMAS * sigma)
    far = far_from_neighbours(flat.mean, flat.without_data, dark_by)
    far &= (flat.mean < typical) | (flat.mean > typical + bright_by)
    return far | (flat.mean <= _NO_RESPONSE * typical)


def _local_medians(master: MasterFrame) -> tuple[np.ndarray, np.ndarray]:
    """Medians of the 5 x 5 box about a sample of pixels, and their flat indices."""
    chosen = _sample(master)
    values = boxes(master.mean, *np.divmod(chosen, master.mean.shape[1]))
    return np.median(values, axis=0), chosen


def _sample(master: MasterFrame) -> np.ndarray:
    """Flat indices of some pixels with data, spread over the image."""
    nx = master.mean.shape[1]
    good = ~master.without_data.ravel()
    step = max(1, good.size // _SAMPLED_PIXELS)
    # A step prime to the row length, so that the sample does not sit in few columns.
    while np.gcd(step, nx) != 1:
        step += 1
    chosen = np.arange(0, good.size, step)
    return chosen[good[chosen]]


def _excess(image: np.ndarray, rows: np.ndarray, columns: np.ndarray) -> np.ndarray:
    """Distance from the median of the 5 x 5, less five times its spread on the far side.

    The far side, below the median for a bright pixel, knows the slope of the image but
    not the other bright pixels of a column or a cluster.
    """
    values = boxes(image, rows, columns)
    low, middle, high = np.quantile(values, [0.25, 0.5, 0.75], axis=0)
    value = image[rows, columns]
    far_side = np.where(value > middle, middle - low, high - middle)
    return np.abs(value - middle) - 5 * far_side


def _robust_sigma(values: np.ndarray) -> float:
    """Half of the central 68.27 % of the values: one sigma of a Gaussian."""
    low, high = np.quantile(values, [0.158655, 0.841345])
    return float(high - low) / 2
