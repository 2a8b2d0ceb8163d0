"""Center and diameters of an image that is known photon by photon."""

from dataclasses import dataclass

import numpy as np
from numba import njit

from beamreduce.errors import MeasurementError

_BINS = 8192  # of the radius, up to the reference radius
_ROUNDS = 100
_WHOLE_STEPS = 20  # afterwards steps shrink, so that going to and fro dies out
_SETTLED = 1e-5  # of the reference radius, or what one or two photons at the edge move


@dataclass(frozen=True, kw_only=True)
class ImageNumbers:
    """What is quoted of one image; lengths in the unit of the photons' places.

    ``within`` is the weight inside the reference radius.
    """

    center: tuple[float, float]
    hpd: float
    w90: float
    within: float


def image_numbers(
    place: np.ndarray,
    weight: np.ndarray,
    reference: float,
    *,
    start: tuple[float, float],
) -> ImageNumbers:
    """Measure an image about its own center.

    Parameters
    ----------
    place
        Coordinates, shape (2, photons).
    weight
        Of each photon.
    reference
        Radius within which the encircled energy is 1.
    start
        Where to look for the center first.

    Raises
    ------
    MeasurementError
        When there is no image inside the reference radius, or its center never settles.

    Notes
    -----
    The center is the mean inside the circle about itself whose radius is its own HPD,
    iterated. Radii are binned (8 192 bins up to the reference radius, even light within a
    bin), which moves a diameter by less than 1e-4 of the reference radius.
    """
    center = start
    for round_ in range(_ROUNDS):
        growth = _growth(place, weight, center, reference)
        hpd = 2 * _radii(growth, reference, (0.5,))[0]
        moved = _mean_inside(place, weight, center, hpd)
        share = min(_WHOLE_STEPS / (round_ + 1), 1.0)
        dx, dy = share * (moved[0] - center[0]), share * (moved[1] - center[1])
        step = np.hypot(dx, dy)
        center = (center[0] + dx, center[1] + dy)
        if step < max(_SETTLED, 2 / weight.size) * reference:
            break
    else:
        raise MeasurementError(
            f"the center of a traced image does not settle (last step {step:.3g}); "
            f"expected one image inside the reference radius; check detector_distance"
        )
    growth = _growth(place, weight, center, reference)
    half, ninety = _radii(growth, reference, (0.5, 0.9))
    return ImageNumbers(
        center=center, hpd=2 * half, w90=2 * ninety, within=float(growth[-1])
    )


def _radii(growth: np.ndarray, reference: float, shares: tuple[float, ...]) -> list[float]:
    """Return the radii that hold shares of the weight inside the reference radius."""
    if growth[-1] <= 0:
        raise MeasurementError(
            "no traced photon falls inside the reference radius; expected an image on the "
            "detector; check detector_distance, image_center and reference_radius"
        )
    edges = np.arange(_BINS + 1) * (reference / _BINS)
    found = np.interp(np.array(shares) * growth[-1], growth, edges**2)
    return [float(value) for value in np.sqrt(found)]


@njit(cache=True, nogil=True)
def _growth(
    place: np.ndarray, weight: np.ndarray, center: tuple[float, float], reference: float
) -> np.ndarray:
    """Return the weight inside the edge of each bin, shape (_BINS + 1,)."""
    growth = np.zeros(_BINS + 1)
    for k in range(weight.size):
        square = (place[0, k] - center[0]) ** 2 + (place[1, k] - center[1]) ** 2
        if square < reference * reference:
            bin_ = min(int(np.sqrt(square) / reference * _BINS), _BINS - 1)
            growth[bin_ + 1] += weight[k]
    return np.cumsum(growth)


@njit(cache=True, nogil=True)
def _mean_inside(
    place: np.ndarray, weight: np.ndarray, center: tuple[float, float], radius: float
) -> tuple[float, float]:
    total = x = y = 0.0
    for k in range(weight.size):
        dx, dy = place[0, k] - center[0], place[1, k] - center[1]
        if dx * dx + dy * dy < radius * radius:
            total += weight[k]
            x += weight[k] * dx
            y += weight[k] * dy
    return center[0] + x / total, center[1] + y / total
