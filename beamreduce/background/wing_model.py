"""The far wing of an image, as fitted: its shapes and what they say of the flux."""

import math
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.record.uncertain import Uncertain
from beamreduce.units import convert, positive_in

_LEAST_FINITE = 2.15  # an exponent below this is counted as one that diverges
_DETECTED = 9.0  # by how much the wing must lower chi-square: 3 standard deviations


@dataclass(frozen=True, kw_only=True)
class WingModel:
    """Wing shapes, how well each fits, and the level and amplitude with each.

    Parameters
    ----------
    start_px
        Radius where the fit begins; ``amplitude`` is the wing's photons a pixel there.
    exponent, core_px
        Shape ``((r² + c²)/(s² + c²))^(-p/2)`` with ``s`` the start; shape (n,).
    weight
        Likelihood of each shape, summing to one.
    amplitude, amplitude_sigma
        With each shape, photons a pixel.
    level, level_sigma
        Flat level with each shape, photons a pixel; 0 where the level was not fitted.
    chi_square, degrees_of_freedom
        Of the best shape.
    improvement
        By how much the best shape lowers chi-square against no wing.
    pixel_mm
        Side of a pixel.
    """

    start_px: float
    exponent: np.ndarray
    core_px: np.ndarray
    weight: np.ndarray
    amplitude: np.ndarray
    amplitude_sigma: np.ndarray
    level: np.ndarray
    level_sigma: np.ndarray
    chi_square: float
    degrees_of_freedom: int
    improvement: float
    pixel_mm: float

    @property
    def detected(self) -> bool:
        """True when the rings need a wing, by three standard deviations."""
        return self.improvement > _DETECTED and self._mean(self.amplitude) > 0

    @property
    def mean_exponent(self) -> float:
        """Mean exponent of the fall at large radii."""
        return self._mean(self.exponent)

    @property
    def diverges(self) -> bool:
        """True when most of the likelihood is with wings of infinite flux (p ≤ 2)."""
        return bool(self.weight[self.exponent > _LEAST_FINITE].sum() < 0.5)

    def mean_level(self) -> Uncertain:
        """Return the level; statistical: with a shape given; model: among the shapes."""
        mean = self._mean(self.level)
        return Uncertain(
            value=mean,
            statistical=math.sqrt(self._mean(self.level_sigma**2)),
            model=math.sqrt(self._mean((self.level - mean) ** 2)),
        )

    def per_pixel(self, radius: Quantity) -> np.ndarray:
        """Return the wing's photons a pixel at radii beyond the start."""
        r_px = convert(radius, u.mm, name="radius").value / self.pixel_mm
        shapes = wing_shape(np.atleast_1d(r_px), self.exponent, self.core_px, self.start_px)
        return (self.weight * self.amplitude) @ shapes

    def photons_beyond(self, radius: Quantity) -> Uncertain | None:
        """Return the wing's photons from a radius to infinity.

        ``2π ∫ A shape r dr = π A (s²+c²)^(p/2) (R²+c²)^(1−p/2) / (p/2 − 1)``.
        None when the likelihood prefers wings whose integral has no end. An undetected
        wing gives 0, and the root mean square of what the shapes allow as uncertainty.
        """
        r_px = positive_in(radius, u.mm, name="radius") / self.pixel_mm
        finite = self.exponent > _LEAST_FINITE
        if self.detected and self.diverges:
            return None
        half_p, core2 = self.exponent[finite] / 2, self.core_px[finite] ** 2
        # In this order, because the powers alone overflow for steep wings.
        fall = ((self.start_px**2 + core2) / (r_px**2 + core2)) ** half_p
        area = math.pi * fall * (r_px**2 + core2) / (half_p - 1)
        weight = self.weight[finite] / self.weight[finite].sum()
        photons = area * self.amplitude[finite]
        sigma = area * self.amplitude_sigma[finite]
        if not self.detected:
            largest = math.sqrt(weight @ (photons**2 + sigma**2))
            return Uncertain(value=0.0, statistical=largest)
        # The median, because the flux grows without end as p falls to 2 and a mean would
        # be ruled by the least likely shapes; they do count in the uncertainty.
        middle = _median(photons, weight)
        return Uncertain(
            value=middle,
            statistical=math.sqrt(weight @ sigma**2),
            model=math.sqrt(weight @ (photons - middle) ** 2),
        )

    def _mean(self, values: np.ndarray) -> float:
        return float(self.weight @ values)


def _median(values: np.ndarray, weight: np.ndarray) -> float:
    """Return the weighted median."""
    order = np.argsort(values)
    middle = np.cumsum(weight[order]) - weight[order] / 2
    return float(np.interp(0.5, middle, values[order]))


def wing_shape(
    radius_px: np.ndarray, exponent: np.ndarray, core_px: np.ndarray, start_px: float
) -> np.ndarray:
    """Return wing shapes that are 1 at the start radius, shape (shapes, radii)."""
    core2 = np.asarray(core_px)[:, None] ** 2
    ratio = (radius_px**2 + core2) / (start_px**2 + core2)
    return ratio ** (-np.asarray(exponent)[:, None] / 2)
