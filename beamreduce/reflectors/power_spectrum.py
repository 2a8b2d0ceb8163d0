"""Power spectra of height maps, along one direction and in two, and roughness by band.

Normalised so that sums give the mean square height (Parseval): one-sided in one dimension,
``Σ P Δf = Sq²``; two-sided in two, ``ΣΣ P Δf² = Sq²``, as SEMI MF1811 and ISO 10110-8 do.
"""

import math
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.errors import ReflectorError, SettingsError
from beamreduce.record import Uncertain
from beamreduce.reflectors.height_map import FEWEST_PIXELS, HeightMap
from beamreduce.reflectors.remove_shape import check_enough
from beamreduce.units import positive_in

WINDOWS = ("none", "hann")
DEFAULT_WINDOW = "hann"
_LEAST_ROW = 0.5  # share of a row that must have heights


@dataclass(frozen=True, kw_only=True)
class LineSpectrum:
    """One-sided spectrum along one direction, the mean of the spectra of all lines.

    Parameters
    ----------
    frequency_per_um
        From one step to the highest, shape (n,); without zero.
    power_nm2_um
        nm² per (1/um), shape (n,).
    uncertainty_nm2_um
        Standard uncertainty of the mean, from the independent lines there are.
    step_per_um
        Width of one bin.
    direction
        ``x`` or ``y`` of the map.
    """

    frequency_per_um: np.ndarray
    power_nm2_um: np.ndarray
    uncertainty_nm2_um: np.ndarray
    step_per_um: float
    direction: str


@dataclass(frozen=True, kw_only=True)
class AreaSpectrum:
    """Two-sided spectrum of a map.

    Parameters
    ----------
    frequency_x_per_um, frequency_y_per_um
        Shapes (columns,) and (rows,), in the order of the discrete transform.
    power_nm2_um2
        nm² per (1/um)², shape (rows, columns).
    correlation
        By how much the variance of sums over many frequencies exceeds that of independent
        ones: a window, and holes, make neighbouring frequencies alike.
    """

    frequency_x_per_um: np.ndarray
    frequency_y_per_um: np.ndarray
    power_nm2_um2: np.ndarray
    correlation: float = 1.0

    @property
    def cell_per_um2(self) -> float:
        """Area of one cell of frequencies."""
        return abs(float(self.frequency_x_per_um[1]) * float(self.frequency_y_per_um[1]))

    @property
    def radius_per_um(self) -> np.ndarray:
        """Length of each frequency vector, shape (rows, columns)."""
        return np.hypot(self.frequency_x_per_um, self.frequency_y_per_um[:, np.newaxis])


def area_spectrum(residual: HeightMap, *, window: str = DEFAULT_WINDOW) -> AreaSpectrum:
    """Return the spectrum in two dimensions of a map whose shape is taken out.

    Parameters
    ----------
    residual
        Heights above the mean surface; points without one count as missing, and the power
        is that of the points that are there.
    window
        ``none``, or ``hann``, which keeps long waves that do not fit the map from
        leaking over all frequencies (Harris 1978, Proc. IEEE 66, 51).

    Notes
    -----
    ``P = Δx Δy |Σ w z e^{…}|²/Σw²`` with w zero where there is no height; the weighted
    mean is taken off first. ``ΣΣ P Δf² = Sq²`` to rounding without a window, with one on
    average. Two frequencies of a normal surface have the correlation ``|W|²`` of their
    distance, W the transform of w² (Percival & Walden 1993, Spectral Analysis for Physical
    Applications, section 6.6); summed over all distances that is ``N Σw⁴/(Σw²)²``.
    """
    check_enough(residual)
    rows, columns = residual.height_nm.shape
    weights = np.outer(_window(rows, window), _window(columns, window)) * residual.good
    heights = np.where(residual.good, residual.height_nm, 0.0)
    heights = heights - float((weights * heights).sum() / weights.sum())
    power = np.abs(np.fft.fft2(weights * heights)) ** 2
    area = residual.pixel_x_um * residual.pixel_y_um
    squares = weights**2
    return AreaSpectrum(
        frequency_x_per_um=np.fft.fftfreq(columns, residual.pixel_x_um),
        frequency_y_per_um=np.fft.fftfreq(rows, residual.pixel_y_um),
        power_nm2_um2=power * (area / float(squares.sum())),
        correlation=squares.size * float((squares**2).sum()) / float(squares.sum()) ** 2,
    )


def line_spectrum(
    residual: HeightMap, *, direction: str = "y", window: str = DEFAULT_WINDOW
) -> LineSpectrum:
    """Return the mean spectrum of all lines of a map in one direction.

    Parameters
    ----------
    residual
        Heights above the mean surface; lines with more than half their points missing are
        left out.
    direction
        ``x`` along rows, ``y`` along columns.
    window
        As for :func:`area_spectrum`.

    Notes
    -----
    ``P(f_k) = (2Δ/N)|Σ z e^{−2πikn/N}|²``, without the 2 at the highest frequency of an
    even N: one-sided, ``Σ P Δf = Sq²``. Neighbouring lines are alike, so the uncertainty
    rests on the number of lines that are independent, from their own correlation.

    Raises
    ------
    ReflectorError
        When no line is whole enough.
    SettingsError
        When direction or window is not known.
    """
    if direction not in ("x", "y"):
        raise SettingsError(f"direction must be x or y; got {direction!r}")
    check_enough(residual)
    heights = residual.height_nm if direction == "x" else residual.height_nm.T
    spacing = residual.pixel_x_um if direction == "x" else residual.pixel_y_um
    good = np.isfinite(heights)
    heights, good = (part[good.mean(axis=1) > _LEAST_ROW] for part in (heights, good))
    if not len(heights):
        raise ReflectorError(
            f"{residual.name}: found no line along {direction} with half of its heights; "
            f"expected at least one; measure the map again"
        )
    n = heights.shape[1]
    weights = _window(n, window) * good
    filled = np.where(good, heights, 0.0)
    # The mean of the map, not of each line: waves across the lines are theirs too.
    filled -= (weights * filled).sum() / weights.sum()
    lines = np.abs(np.fft.rfft(weights * filled, axis=1)) ** 2
    lines *= 2 * spacing / (weights**2).sum(axis=1, keepdims=True)
    if n % 2 == 0:
        lines[:, -1] /= 2
    mean = lines.mean(axis=0)
    return LineSpectrum(
        frequency_per_um=np.fft.rfftfreq(n, spacing)[1:],
        power_nm2_um=mean[1:],
        uncertainty_nm2_um=mean[1:] / math.sqrt(_independent(filled)),
        step_per_um=1 / (n * spacing),
        direction=direction,
    )


def _independent(lines: np.ndarray) -> float:
    """Number of independent lines, from the spectrum across them."""
    power = (np.abs(np.fft.fft(lines, axis=0)) ** 2).sum(axis=1)
    return max(1.0, float(power.sum()) ** 2 / float((power**2).sum()))


def band_roughness(
    spectrum: AreaSpectrum, *, shortest: Quantity, longest: Quantity
) -> Uncertain:
    """Return the rms height (nm) of the waves between two lengths.

    Parameters
    ----------
    spectrum
        Of the map.
    shortest, longest
        Wavelengths on the surface; both must lie within what the map can show, from two
        points to its length.

    Raises
    ------
    SettingsError
        When the band is empty or reaches beyond the map.
    """
    low = 1 / positive_in(longest, u.um, name="longest")
    high = 1 / positive_in(shortest, u.um, name="shortest")
    return band_roughness_nm(spectrum, low_per_um=low, high_per_um=high)


def band_of(spectrum: AreaSpectrum) -> tuple[float, float]:
    """Return the lowest and highest frequency (1/um) that a map shows in all directions."""
    x, y = np.abs(spectrum.frequency_x_per_um), np.abs(spectrum.frequency_y_per_um)
    return max(float(x[1]), float(y[1])), min(float(x.max()), float(y.max()))


def band_roughness_nm(
    spectrum: AreaSpectrum, *, low_per_um: float, high_per_um: float
) -> Uncertain:
    """As :func:`band_roughness`, with frequencies in 1/um."""
    lowest, highest = band_of(spectrum)
    if not low_per_um < high_per_um:
        raise SettingsError(
            f"longest must exceed shortest; got {1 / low_per_um:g} um and "
            f"{1 / high_per_um:g} um (are the two swapped?)"
        )
    slack = 1e-9
    if low_per_um < lowest * (1 - slack) or high_per_um > highest * (1 + slack):
        raise SettingsError(
            f"the band must lie within what the map shows, {1 / highest:.4g} to "
            f"{1 / lowest:.4g} um; got {1 / high_per_um:.4g} to {1 / low_per_um:.4g} um"
        )
    radius = spectrum.radius_per_um
    inside = (radius >= low_per_um * (1 - slack)) & (radius <= high_per_um * (1 + slack))
    power = spectrum.power_nm2_um2[inside] * spectrum.cell_per_um2
    total = float(power.sum())
    if total == 0:
        return Uncertain(value=0.0, statistical=0.0)
    rms = math.sqrt(total)
    spread = math.sqrt(spectrum.correlation * float((power**2).sum()))
    return Uncertain(value=rms, statistical=0.5 * spread / rms)


def _window(n: int, window: str) -> np.ndarray:
    if window not in WINDOWS:
        raise SettingsError(f"window must be one of {', '.join(WINDOWS)}; got {window!r}")
    if window == "none" or n < FEWEST_PIXELS:
        return np.ones(n)
    return np.sin(np.pi * (np.arange(n) + 0.5) / n) ** 2
