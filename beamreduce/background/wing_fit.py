"""Joint fit of a flat level and the far wing of an image to ring sums."""

import math
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.background.pixels import sum_variance
from beamreduce.background.wing_rings import WingRings
from beamreduce.record.uncertain import Uncertain
from beamreduce.units import convert, positive_in

# Shapes thought sensible: (r² + c²)^(-p/2), a power law with a core of at most the radius
# where the fit starts. Wings of scattering fall with p between about 2 and 4; steeper
# ones stand for the foot of a core.
_EXPONENTS = np.arange(1.6, 5.01, 0.2)
_CORES = (0.0, 0.3, 0.6)  # in units of the start radius
_LEAST_FINITE = 2.15  # an exponent below this is counted as one that diverges
_DETECTED = 9.0  # by how much the wing must lower chi-square: 3 standard deviations
_ITERATIONS = 6


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


@dataclass(frozen=True)
class _Solution:
    """Fits with several shapes; the first axis runs over the shapes."""

    parameters: np.ndarray
    sigma: np.ndarray
    chi_square: np.ndarray
    expected: np.ndarray


def fit_wing(rings: WingRings, start_px: float, *, free_level: bool) -> WingModel:
    """Fit every sensible wing shape to the rings beyond a radius.

    Parameters
    ----------
    rings
        Fine rings; their known background is held to its own modes.
    start_px
        Where the fit begins, pixels.
    free_level
        Fit a flat level too, without any knowledge of it.

    Notes
    -----
    Variances come from the best model, not from the ring sums, so that sparse rings do
    not pull the fit down. Amplitude and level may come out negative: holding them above
    zero would bias the other.
    """
    fine = rings.beyond(start_px)
    starts = fine.joined()
    exponent, core = (
        axis.ravel()
        for axis in np.meshgrid(_EXPONENTS, start_px * np.array(_CORES), indexing="ij")
    )
    shapes = np.add.reduceat(
        fine.area_px * wing_shape(fine.radius_px, exponent, core, start_px), starts, axis=1
    )
    task = _Task(fine, starts, free_level)
    best = int(np.argmin((exponent - 3.0) ** 2 + core))
    for _ in range(2):
        variance = task.variance_with(shapes[best])
        fits = task.solve(shapes[:, None], variance)
        best = int(np.argmin(fits.chi_square))
    least = float(fits.chi_square[best])
    weight = np.exp(-0.5 * (fits.chi_square - least))
    no_wing = np.zeros((1, 0, starts.size))
    without_wing = float(task.solve(no_wing, variance).chi_square[0])
    none = np.zeros(exponent.size)
    return WingModel(
        start_px=start_px,
        exponent=exponent,
        core_px=core,
        weight=weight / weight.sum(),
        amplitude=fits.parameters[:, 0],
        amplitude_sigma=fits.sigma[:, 0],
        level=fits.parameters[:, 1] if free_level else none,
        level_sigma=fits.sigma[:, 1] if free_level else none,
        chi_square=least,
        degrees_of_freedom=starts.size - (4 if free_level else 3),
        improvement=without_wing - least,
        pixel_mm=fine.pixel_mm,
    )


class _Task:
    """One set of ring sums and what may be fitted to it beside a wing."""

    def __init__(self, fine: WingRings, starts: np.ndarray, free_level: bool) -> None:
        self.photons, self.known, self.noise, area = (
            np.add.reduceat(values, starts)
            for values in (fine.photons, fine.known, fine.noise, fine.area_px)
        )
        templates = np.add.reduceat(fine.templates, starts, axis=1)
        self.beside = np.vstack([area, templates]) if free_level else templates
        # Templates are one standard deviation each; a free level has no prior.
        self.prior = np.concatenate([np.zeros(int(free_level)), np.ones(len(templates))])
        self.variance_per_photon = fine.variance_per_photon

    def solve(self, wings: np.ndarray, variance: np.ndarray) -> _Solution:
        """Fit with each of several wings, shape (wings, 1 or 0, rings)."""
        beside = np.broadcast_to(self.beside, (len(wings), *self.beside.shape))
        design = np.concatenate([wings, beside], axis=1)
        prior = np.concatenate([np.zeros(wings.shape[1]), self.prior])
        weighted = design / variance
        covariance = np.linalg.inv(weighted @ design.swapaxes(1, 2) + np.diag(prior))
        parameters = (covariance @ (weighted @ self.photons)[..., None])[..., 0]
        expected = (parameters[:, None] @ design)[:, 0]
        residual = self.photons - expected
        return _Solution(
            parameters=parameters,
            sigma=np.sqrt(np.diagonal(covariance, axis1=1, axis2=2)),
            chi_square=(residual**2 / variance).sum(axis=1) + parameters**2 @ prior,
            expected=expected,
        )

    def variance_with(self, shape: np.ndarray) -> np.ndarray:
        """Return the variances of the ring sums that a shape's own fit predicts."""
        mean = max(float((self.photons + self.known).mean()), 0.0)
        expected = np.full(self.photons.size, mean)
        for _ in range(_ITERATIONS):
            variance = sum_variance(expected, self.noise, self.variance_per_photon)
            expected = self.known + self.solve(shape[None, None], variance).expected[0]
        return sum_variance(expected, self.noise, self.variance_per_photon)
