"""Diameters that hold a given share of the photons: HPD, W90 and any other."""

from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.units import Quantity
from numba import njit

from beamreduce.encircled_energy.bootstrap import join_far_rings, resample
from beamreduce.encircled_energy.curve import NetRings, encircled_energy
from beamreduce.errors import MeasurementError, SettingsError
from beamreduce.record import Uncertain

HALF_POWER = 0.5
NINETY = 0.9


@dataclass(frozen=True, kw_only=True)
class Diameters:
    """Diameters about one center, for several shares of the photons.

    Parameters
    ----------
    fractions
        The shares, for example ``(0.5, 0.9)``.
    diameter_mm
        One :class:`~beamreduce.record.Uncertain` a share, in mm.
    reference_radius
        Where the encircled energy is 1.
    replicates_mm
        Diameters of every bootstrap replicate, shape (replicates, shares), in mm.
    """

    fractions: tuple[float, ...]
    diameter_mm: tuple[Uncertain, ...]
    reference_radius: Quantity
    replicates_mm: np.ndarray

    def of(self, fraction: float) -> Uncertain:
        """Return the diameter in mm that holds a share of the photons."""
        return self.diameter_mm[self.fractions.index(fraction)]


def crossing_diameters_mm(
    radius_mm: np.ndarray, cumulative: np.ndarray, fractions: tuple[float, ...]
) -> np.ndarray:
    """Return the diameters at which curves of growth reach shares of their last value.

    Parameters
    ----------
    radius_mm
        Rising radii, shape (n,); the curve is 0 at radius 0.
    cumulative
        Net photons inside each radius, shape (curves, n); the last column is above zero.
    fractions
        Shares between 0 and 1.

    Returns
    -------
    numpy.ndarray
        Shape (curves, shares), mm; NaN where the last value of a curve is not above zero.

    Notes
    -----
    Noise can make a curve cross a level more than once. The diameter is then the sum of
    the radius where it first reaches the level and the radius where it last rises
    through it: no bias to either side, and the plain answer where there is one crossing.
    Within a ring the light is taken as even, so the curve is linear in radius squared.
    """
    if not all(0 < fraction < 1 for fraction in fractions):
        raise SettingsError(f"shares must lie between 0 and 1; got {fractions}")
    curves = np.atleast_2d(cumulative)
    diameters = np.empty((curves.shape[0], len(fractions)))
    _cross(radius_mm**2, curves, np.array(fractions), diameters)
    return diameters


def standard_radii(
    half_power_radius: Quantity, *, reference_radii: Quantity, largest_radius: Quantity
) -> Quantity:
    """Return ring radii fine enough for exact diameters of an image of a given size.

    Fifty rings an half-power radius out to four of them, then coarser: 150 rings to the
    last reference radius, and 50 beyond it to the largest circle. Interpolating within
    rings that fine changes a diameter by less than 1e-4 of itself (a Gaussian: the error
    of linear interpolation in radius squared is its step squared over eight times the
    curve's second derivative).

    Parameters
    ----------
    half_power_radius
        Size of the image, a length.
    reference_radii
        Radii at which a ring must end exactly, shape (radii,) or one.
    largest_radius
        Where the last ring ends, at least the largest reference radius.
    """
    fine_mm = half_power_radius.to_value(u.mm) / 50
    references_mm = np.sort(np.atleast_1d(reference_radii.to_value(u.mm)))
    last_mm, largest_mm = references_mm[-1], largest_radius.to_value(u.mm)
    fine_end_mm = min(200 * fine_mm, last_mm)
    parts = [np.linspace(0, fine_end_mm, max(round(fine_end_mm / fine_mm), 20) + 1)[1:]]
    if fine_end_mm < last_mm:
        step_mm = max((last_mm - fine_end_mm) / 150, fine_mm)
        steps = max(round((last_mm - fine_end_mm) / step_mm), 1)
        parts.append(np.linspace(fine_end_mm, last_mm, steps + 1)[1:])
    if largest_mm > last_mm * (1 + 1e-6):
        parts.append(np.linspace(last_mm, largest_mm, 51)[1:])
    radii = np.concatenate(parts)
    near = np.abs(radii[:, None] - references_mm).min(axis=1) < 0.3 * fine_mm
    return np.union1d(radii[~near], references_mm) * u.mm


def measure_diameters(
    net: NetRings,
    rng: np.random.Generator,
    *,
    fractions: tuple[float, ...] = (HALF_POWER, NINETY),
    replicates: int = 1000,
) -> Diameters:
    """Return diameters with their statistical uncertainty and what the background adds.

    Systematic and model are what its declared uncertainties and the choice of its model
    change; other systematic terms are not in.

    Parameters
    ----------
    net
        Net photons in rings, from :func:`~beamreduce.encircled_energy.net_rings`.
    rng
        Random generator of the bootstrap.
    fractions
        Shares of the photons.
    replicates
        Number of bootstrap replicates, at least 2.

    Raises
    ------
    SettingsError
        When there are too few replicates for a scatter.
    MeasurementError
        When the net photons are too few for a diameter to have an uncertainty.
    """
    if replicates < 2:
        raise SettingsError(f"replicates must be at least 2; got {replicates}")
    values = crossing_diameters_mm(net.radius_mm, net.growth, fractions)[0]
    near = join_far_rings(net, fractions)
    curves = resample(near, replicates, rng)
    drawn = crossing_diameters_mm(near.radius_mm, curves, fractions)
    lost = np.mean(np.isnan(drawn[:, 0]))
    if lost > 0.01:
        raise MeasurementError(
            f"the net photons inside the reference radius ({net.growth[-1]:.4g}) are "
            f"not distinguishable from background: {lost:.0%} of the bootstrap replicates "
            f"have none; expose longer or choose a smaller reference_radius"
        )
    drawn = drawn[np.isfinite(drawn[:, 0])]
    statistical = drawn.std(axis=0, ddof=1)
    systematic = _spread_mm(net, net.systematic_modes, values, fractions)
    model = _spread_mm(net, net.model_modes, values, fractions)
    return Diameters(
        fractions=fractions,
        diameter_mm=tuple(
            Uncertain(
                value=float(v), statistical=float(s), systematic=float(y), model=float(m)
            )
            for v, s, y, m in zip(values, statistical, systematic, model, strict=True)
        ),
        reference_radius=net.radius_mm[-1] * u.mm,
        replicates_mm=drawn,
    )


def analytic_uncertainty_mm(net: NetRings, fraction: float = HALF_POWER) -> float:
    """Return the statistical uncertainty of a diameter without a bootstrap.

    ``σ(d) = 2 σ(EEF at r) / EEF′(r)``: for N photons and no background this is the
    order-statistic result ``2 √(q(1-q)/N)/EEF′(r)``. The slope is taken over the radii
    where the curve rises from ``q - h`` to ``q + h`` with ``h`` a fifth of the smaller of
    ``q`` and ``1-q``: enough photons for a steady slope, and within 1 % of the slope at
    ``q`` for a Gaussian, 4 % for wide wings (King 1.5).
    """
    curve = encircled_energy(net)
    half_step = 0.2 * min(fraction, 1 - fraction)
    levels = (fraction, fraction - half_step, fraction + half_step)
    d, low, high = crossing_diameters_mm(net.radius_mm, curve.fraction, levels)[0]
    uncertainty = np.interp(d / 2, net.radius_mm, curve.uncertainty)
    return float(uncertainty * (high - low) / (2 * half_step))


def _spread_mm(
    net: NetRings, modes: np.ndarray, values: np.ndarray, fractions: tuple[float, ...]
) -> np.ndarray:
    """Change of each diameter as the background changes by each mode, in quadrature."""
    total = np.zeros(len(fractions))
    for mode in modes:
        growths = net.growth + np.cumsum([-net.scale * mode, net.scale * mode], axis=1)
        moved = crossing_diameters_mm(net.radius_mm, growths, fractions)
        total += np.nanmax(np.abs(moved - values), axis=0) ** 2
    return np.sqrt(total)


@njit(cache=True, nogil=True)
def _cross(
    squares: np.ndarray, curves: np.ndarray, fractions: np.ndarray, diameters: np.ndarray
) -> None:
    n = squares.size
    for c in range(curves.shape[0]):
        curve = curves[c]
        for f in range(fractions.size):
            if not curve[n - 1] > 0:
                diameters[c, f] = np.nan
                continue
            level = fractions[f] * curve[n - 1]
            first = 0
            while curve[first] < level:
                first += 1
            last = n - 1
            while last > first and curve[last - 1] >= level:
                last -= 1
            total = 0.0
            for k in (first, last):
                low = curve[k - 1] if k > 0 else 0.0
                inner = squares[k - 1] if k > 0 else 0.0
                share = (level - low) / (curve[k] - low)
                total += np.sqrt(inner + share * (squares[k] - inner))
            diameters[c, f] = total
