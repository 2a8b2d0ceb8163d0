"""How a detector spreads one photon energy over channels: core, escape line, shelf."""

from collections.abc import Callable
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from scipy.special import ndtr
from scipy.stats import chi2

from beamreduce.beamline import Detector, line_width
from beamreduce.errors import SettingsError
from beamreduce.record import Uncertain

FWHM_PER_SIGMA = 2.3548200450309493  # 2 √(2 ln 2)
# Kα of silicon and the K edge above which it can escape (X-ray Data Booklet, table 1-2
# and 1-1: 1.73998 and 1.8389 keV).
SILICON_KA_KEV, SILICON_K_EDGE_KEV = 1.73998, 1.8389
_UNLIKELY = 0.01  # chance of a larger deviance, below which a shape is none of the line's
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(5)


@dataclass(frozen=True, kw_only=True)
class FittedLine:
    """What one measured spectrum tells; uncertainties from the curvature of likelihood.

    ``values`` and ``uncertainties`` hold standard deviation of the core (keV), escape
    share and shelf share; ``deviance`` is Poisson's, about one a channel.
    """

    energy_kev: float
    counts: float
    values: tuple[float, float, float]
    uncertainties: tuple[float, float, float]
    deviance: float
    channels: int

    @property
    def full_width_ev(self) -> Uncertain:
        """Full width at half maximum of the core."""
        width, sigma = self.values[0], self.uncertainties[0]
        to_ev = FWHM_PER_SIGMA * 1e3
        return Uncertain(value=width * to_ev, statistical=sigma * to_ev)

    @property
    def escape_fraction(self) -> Uncertain:
        """Share of the photons in the escape line."""
        return Uncertain(value=self.values[1], statistical=self.uncertainties[1])

    @property
    def shelf_fraction(self) -> Uncertain:
        """Share of the photons in the shelf."""
        return Uncertain(value=self.values[2], statistical=self.uncertainties[2])

    @property
    def accepted(self) -> bool:
        """False when core, escape line and shelf do not describe the spectrum.

        By chi-square of the deviance, which is less where channels hold few counts: then
        the question is asked less sharply.
        """
        free = 1 + np.count_nonzero(self.uncertainties)  # the number of photons, too
        return bool(chi2.sf(self.deviance, max(self.channels - free, 1)) > _UNLIKELY)


@dataclass(frozen=True, kw_only=True)
class LineShape:
    """Shares of one line.

    Parameters
    ----------
    sigma_kev
        Takes photon energies (keV) to standard deviations of the Gaussian core (keV).
    escape_fraction, shelf_fraction
        Take photon energies to the share in the escape line, and in a flat shelf from
        zero to the line; the core has the rest.
    escape_kev
        How far below its line the escape line is.
    source
        Where the numbers come from.
    fitted
        The measured lines behind them, if there are any.
    """

    sigma_kev: Callable[[np.ndarray], np.ndarray]
    escape_fraction: Callable[[np.ndarray], np.ndarray]
    shelf_fraction: Callable[[np.ndarray], np.ndarray]
    escape_kev: float = SILICON_KA_KEV
    source: str = ""
    fitted: tuple[FittedLine, ...] = ()

    def below(self, energy_kev: np.ndarray, limit_kev: np.ndarray) -> np.ndarray:
        """Return the share of a line below each limit, shape (energies, limits)."""
        energy = np.asarray(energy_kev, dtype=float)[:, np.newaxis]
        limit = np.asarray(limit_kev, dtype=float)[np.newaxis, :]
        flat = energy[:, 0]
        sigma = self.sigma_kev(flat)[:, np.newaxis]
        escape = self.escape_fraction(flat)[:, np.newaxis]
        shelf = self.shelf_fraction(flat)[:, np.newaxis]
        total = (1 - escape - shelf) * ndtr((limit - energy) / sigma)
        if escape.any():
            total = total + escape * ndtr((limit - energy + self.escape_kev) / sigma)
        if shelf.any():
            total = total + shelf * np.clip(limit / energy, 0.0, 1.0)
        return total


def constant(value: float) -> Callable[[np.ndarray], np.ndarray]:
    """Return a share that is the same at all energies."""
    return lambda energy: np.full(np.shape(energy), float(value))


def silicon_escape(value: float) -> Callable[[np.ndarray], np.ndarray]:
    """Return an escape share that is nothing at and below the silicon K edge."""
    return lambda energy: np.where(np.asarray(energy) > SILICON_K_EDGE_KEV, value, 0.0)


def detector_shape(
    detector: Detector, *, escape: float = 0.0, shelf: float = 0.0
) -> LineShape:
    """Return the shape that a campaign's ``[detector]`` declares or lets compute.

    Raises
    ------
    SettingsError
        When the width is not known (a counting detector without ``line_width``), a table
        does not reach an energy, or shares are not between 0 and 1.
    """
    if min(escape, shelf) < 0 or escape + shelf >= 1:
        raise SettingsError(
            f"escape_fraction and shelf_fraction must be at least 0 and together below 1; "
            f"got {escape:g} and {shelf:g}"
        )
    sample = line_width(detector, _a_safe_energy(detector))
    said = "computed from noise and Fano factor" if sample.computed else "as declared"

    def sigma(energy_kev: np.ndarray) -> np.ndarray:
        ends = np.array([np.min(energy_kev), np.max(energy_kev)])
        widths = np.array(
            [line_width(detector, e * u.keV).full_width.to_value(u.keV) for e in ends]
        )
        if isinstance(detector.line_width, tuple):
            known, table = detector.line_width
            width = np.interp(energy_kev, known.to_value(u.keV), table.to_value(u.keV))
        elif ends[1] > ends[0]:
            # One value, or computed: then the square goes in a straight line with energy.
            part = (energy_kev - ends[0]) / (ends[1] - ends[0])
            width = np.sqrt(widths[0] ** 2 * (1 - part) + widths[1] ** 2 * part)
        else:
            width = np.full(np.shape(energy_kev), widths[0])
        return width / FWHM_PER_SIGMA

    return LineShape(
        sigma_kev=sigma,
        escape_fraction=silicon_escape(escape),
        shelf_fraction=constant(shelf),
        source=f"line width {said}",
    )


def _a_safe_energy(detector: Detector) -> u.Quantity:
    table = detector.line_width
    return table[0][0] if isinstance(table, tuple) else 1 * u.keV


def spread(
    shape: LineShape, energy_edges_kev: np.ndarray, channel_edges_kev: np.ndarray
) -> np.ndarray:
    """Return the share of each energy bin that each channel gets.

    Parameters
    ----------
    shape
        The line.
    energy_edges_kev, channel_edges_kev
        Rising, shapes (bins + 1,) and (channels + 1,).

    Returns
    -------
    numpy.ndarray
        Shape (bins, channels): exact integrals over channels, mean over each bin by
        five-point quadrature. What falls outside the channels is missing from the sums.
    """
    low, high = energy_edges_kev[:-1], energy_edges_kev[1:]
    total = np.zeros((low.size, channel_edges_kev.size - 1))
    for node, weight in zip(_NODES, _WEIGHTS, strict=True):
        energy = (low + high) / 2 + node * (high - low) / 2
        total += weight / 2 * np.diff(shape.below(energy, channel_edges_kev), axis=1)
    return np.clip(total, 0.0, 1.0)


def channel_edges(
    shape: LineShape, energy_edges_kev: np.ndarray, width_kev: float, reach: float = 6.0
) -> np.ndarray:
    """Return even channels that hold every line to ``reach`` standard deviations.

    From zero where a shelf reaches down there, and never below zero.
    """
    ends = energy_edges_kev[[0, -1]]
    sigma = shape.sigma_kev(ends)
    low, high = ends[0] - reach * sigma[0], ends[1] + reach * sigma[1]
    if shape.escape_fraction(energy_edges_kev).any():
        first = energy_edges_kev[shape.escape_fraction(energy_edges_kev) > 0][0]
        low = min(low, first - shape.escape_kev - reach * sigma[0])
    if shape.shelf_fraction(energy_edges_kev).any():
        low = 0.0
    first = max(int(np.floor(low / width_kev)), 0)
    last = int(np.ceil(high / width_kev))
    return width_kev * np.arange(first, last + 1)
