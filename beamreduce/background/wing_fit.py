"""Joint fit of a flat level and the far wing of an image to ring sums."""

from dataclasses import dataclass

import numpy as np

from beamreduce.background.pixels import sum_variance
from beamreduce.background.wing_model import WingModel, wing_shape
from beamreduce.background.wing_rings import WingRings
from beamreduce.errors import MeasurementError

# Shapes thought sensible: (r² + c²)^(-p/2), a power law or the outer part of a King
# profile. Wings of scattering fall with p between about 2 and 4; steeper ones stand for
# the foot of a core.
_EXPONENTS = (1.6, 5.0)
_LARGEST_CORE = 0.6  # in units of the start radius
_FIRST_EXPONENT = 3.0
_EXPONENTS_TRIED, _CORES_TRIED = 18, 5
# Bright wings leave only a small part of the plane of shapes: the grid closes in on it
# until it no longer shrinks.
_ROUNDS = 8
_LIKELY = 16.0  # above the least chi-square; farther out weights are below 0.0004
_WORTH_WHILE = 0.5
_ITERATIONS = 6


@dataclass(frozen=True)
class _Solution:
    """Fits with several shapes; the first axis runs over the shapes."""

    parameters: np.ndarray
    sigma: np.ndarray
    chi_square: np.ndarray
    expected: np.ndarray


def fit_wing(rings: WingRings, start_px: float) -> WingModel:
    """Fit every sensible wing shape to the rings beyond a radius.

    Parameters
    ----------
    rings
        Fine rings, with what may be fitted beside the wing.
    start_px
        Where the fit begins, pixels.

    Notes
    -----
    Variances come from the best model, not from the ring sums, so that sparse rings do
    not pull the fit down. Amplitude and level may come out negative: holding them above
    zero would bias the other.
    """
    task = _Task(rings.beyond(start_px), start_px)
    ranges = _Ranges(_EXPONENTS, (0.0, _LARGEST_CORE * start_px))
    best = task.wings(np.array([_FIRST_EXPONENT]), np.zeros(1))[0]
    for _ in range(_ROUNDS):
        exponent, core = ranges.grid()
        wings = task.wings(exponent, core)
        variance = task.variance_with(best)
        fits = task.solve(wings, variance)
        if not np.isfinite(fits.chi_square).any():
            raise MeasurementError(
                "the rings of the wing hold values that no wing can be fitted to; check "
                "the frames for pixels that are no data"
            )
        best = wings[np.argmin(fits.chi_square)]
        narrower = ranges.about(exponent, core, fits.chi_square)
        if narrower.size > _WORTH_WHILE * ranges.size:
            break
        ranges = narrower
    least = float(fits.chi_square.min())
    weight = np.exp(-0.5 * (fits.chi_square - least))
    without = task.solve(np.empty((1, 0, variance.size)), variance)
    free = len(rings.free)
    none = np.zeros(exponent.size)
    return WingModel(
        start_px=start_px,
        exponent=exponent,
        core_px=core,
        weight=weight / weight.sum(),
        amplitude=fits.parameters[:, 0],
        amplitude_sigma=fits.sigma[:, 0],
        level=fits.parameters[:, 1] if free else none,
        level_sigma=fits.sigma[:, 1] if free else none,
        chi_square=least,
        degrees_of_freedom=variance.size - 3 - free,
        improvement=float(without.chi_square[0]) - least,
        pixel_mm=rings.pixel_mm,
    )


@dataclass(frozen=True)
class _Ranges:
    """From where to where exponents and cores are tried."""

    exponent: tuple[float, float]
    core_px: tuple[float, float]

    @property
    def size(self) -> float:
        """Share of the plane of shapes, in any unit."""
        return float(np.ptp(self.exponent) * np.ptp(self.core_px))

    def grid(self) -> tuple[np.ndarray, np.ndarray]:
        """Return exponents and cores of an even grid."""
        exponents = np.linspace(*self.exponent, _EXPONENTS_TRIED)
        cores = np.linspace(*self.core_px, _CORES_TRIED)
        exponent, core = np.meshgrid(exponents, cores, indexing="ij")
        return exponent.ravel(), core.ravel()

    def about(
        self, exponent: np.ndarray, core: np.ndarray, chi_square: np.ndarray
    ) -> "_Ranges":
        """Return the part of the ranges in which shapes are likely at all."""
        likely = chi_square < chi_square.min() + _LIKELY

        def part(values: np.ndarray, whole: tuple[float, float], tried: int) -> tuple:
            step = (whole[1] - whole[0]) / (tried - 1)
            low, high = values[likely].min() - step, values[likely].max() + step
            return max(low, whole[0]), min(high, whole[1])

        return _Ranges(
            part(exponent, self.exponent, _EXPONENTS_TRIED),
            part(core, self.core_px, _CORES_TRIED),
        )


class _Task:
    """One set of ring sums and what may be fitted to it beside a wing."""

    def __init__(self, fine: WingRings, start_px: float) -> None:
        self.fine, self.starts, self.start_px = fine, fine.joined(), start_px
        self.photons, self.known, self.noise = (
            np.add.reduceat(values, self.starts)
            for values in (fine.photons, fine.known, fine.noise)
        )
        beside = np.vstack([fine.free, fine.templates])
        self.beside = np.add.reduceat(beside, self.starts, axis=1)
        # Templates are one standard deviation each; what is free has no prior.
        self.prior = np.repeat([0.0, 1.0], [len(fine.free), len(fine.templates)])
        self.variance_per_photon = fine.variance_per_photon

    def wings(self, exponent: np.ndarray, core_px: np.ndarray) -> np.ndarray:
        """Return each shape's photons in the rings, shape (shapes, 1, rings)."""
        shape = wing_shape(self.fine.radius_px, exponent, core_px, self.start_px)
        sums = np.add.reduceat(self.fine.area_px * shape, self.starts, axis=1)
        return sums[:, None]

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

    def variance_with(self, wing: np.ndarray) -> np.ndarray:
        """Return the variances of the ring sums that the fit with a wing predicts."""
        mean = max(float((self.photons + self.known).mean()), 0.0)
        expected = np.full(self.photons.size, mean)
        for _ in range(_ITERATIONS):
            variance = sum_variance(expected, self.noise, self.variance_per_photon)
            expected = self.known + self.solve(wing[None], variance).expected[0]
        return sum_variance(expected, self.noise, self.variance_per_photon)
