"""Cosmic-ray hits, found only by comparing repeated exposures of one setting.

One photon of 8 keV in one pixel *is* a spike of 2 200 electrons, so nothing in a single
frame tells it from a cosmic ray. Between repeats a pixel can be asked: given all the
photons it got in all frames, how likely is it that so many of them came in this one?
For photons that is a binomial law whose chance is the share of this frame in all
frames (an exact conditional test of equal rates; Przyborowski and Wilenski 1940).
"""

import numpy as np

# Expected number of false hits in the whole of a measurement.
_FALSE_HITS = 1e-3
_FEWEST_PHOTONS = 3.0
# Jitter of the image and of the source may make a pixel brighter in one frame.
_TIMES_EXPECTED = 5.0


def find_hits(
    photons: np.ndarray, total: np.ndarray, *, share: float, frames: int
) -> np.ndarray:
    """Return pixels that hold far more in one frame than all the others allow.

    Parameters
    ----------
    photons
        One calibrated frame.
    total
        Sum of all frames of the setting, this one included.
    share
        Part of the photons of the sum that this frame should hold, between 0 and 1.
    frames
        Number of frames in the sum; with fewer than 3 nothing is found, since one
        frame cannot say which of two is wrong.

    Notes
    -----
    Found is what chance would make in 1e-3 pixels of a whole measurement, and at least
    five times what the other frames let expect. Charge spread to neighbours of a hit
    stays when it is not improbable by itself.
    """
    hits = np.zeros(photons.shape, dtype=bool)
    if frames < 3 or not 0 < share < 1:
        return hits
    from scipy.special import betainc  # noqa: PLC0415 - slow import, seldom needed

    others = total - photons
    candidates = photons >= _FEWEST_PHOTONS
    candidates &= photons > _TIMES_EXPECTED * others * (share / (1 - share))
    # Rounded so that the answer errs towards photons.
    here = np.floor(photons[candidates])
    elsewhere = np.ceil(np.maximum(others[candidates], 0.0))
    # The chance of `here` or more out of all: the upper tail of the binomial law.
    chance = betainc(here, elsewhere + 1.0, share)
    hits[candidates] = chance < _FALSE_HITS / (photons.size * frames)
    return hits
