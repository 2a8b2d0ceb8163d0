"""Net surface brightness against radius, in rings wide enough to show the wings."""

import itertools
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.background import BackgroundRings
from beamreduce.errors import MeasurementError, SettingsError
from beamreduce.rings import RingCounts
from beamreduce.statistics import poisson_interval
from beamreduce.units import arcsec_per_mm

_INNERMOST_PHOTONS = 100


@dataclass(frozen=True, kw_only=True)
class RadialProfile:
    """Net photons per area of the detector, ring by ring.

    Parameters
    ----------
    inner, outer
        Radii of each ring, shape (n,), lengths; the innermost ring is a disc.
    brightness
        Net photons per area, shape (n,); negative where noise has it so.
    uncertainty
        Its standard uncertainty, counting and background combined.
    upper_limit
        Limit that the true brightness exceeds no more often than a normal law exceeds
        ``sigma`` standard deviations; meant for the rings that are not ``detected``.
    detected
        Boolean: the brightness is at least ``sigma`` standard uncertainties.
    background, background_uncertainty
        The background that was taken off, per area, and its standard uncertainty.
    sigma
        Of the limits and of detection.
    detector_distance
        From the reference plane, to turn lengths into angles.
    """

    inner: Quantity
    outer: Quantity
    brightness: Quantity
    uncertainty: Quantity
    upper_limit: Quantity
    detected: np.ndarray
    background: Quantity
    background_uncertainty: Quantity
    sigma: float
    detector_distance: Quantity

    @property
    def radius(self) -> Quantity:
        """Radius that halves the area of each ring."""
        return np.sqrt((self.inner**2 + self.outer**2) / 2)

    def per_square_arcsec(self, brightness: Quantity) -> Quantity:
        """Convert photons per area of the detector to photons per solid angle seen."""
        scale = arcsec_per_mm(self.detector_distance.to_value(u.mm)) * u.arcsec / u.mm
        return (brightness / scale**2).to(u.ph / u.arcsec**2)


def radial_profile(
    rings: RingCounts,
    background: BackgroundRings,
    *,
    per_decade: int = 10,
    sigma: float = 2.0,
) -> RadialProfile:
    """Return the net surface brightness in rings of equal width in log radius.

    Parameters
    ----------
    rings
        Photons in rings, background still in; fine rings are joined, never divided.
    background
        What of them is background.
    per_decade
        Rings to each factor of ten in radius, where the given rings are fine enough.
    sigma
        Standard deviations of a normal law that set detection and the upper limits.

    Notes
    -----
    The innermost disc is the smallest that holds 100 photons or a tenth of them all; its
    brightness is high by less than 1 % of itself, a tenth of its uncertainty, because
    photons decide where it ends. All further rings end where geometry says.

    The upper limit is ``max(net, 0) + √((P - n)² + sigma²·v)``: ``P`` the exact Poisson
    limit for the ``n`` photons seen (Garwood 1936), ``v`` all other variance.
    Rings without a usable pixel are left out.

    Raises
    ------
    SettingsError
        When ``per_decade`` or ``sigma`` is not above zero.
    MeasurementError
        When there are no photons.
    """
    if per_decade < 1 or not sigma > 0:
        raise SettingsError(
            f"per_decade must be at least 1 and sigma above zero; "
            f"got {per_decade} and {sigma:g}"
        )
    starts = _joined_starts(rings, per_decade)
    photons = np.add.reduceat(rings.photons, starts)
    level = np.add.reduceat(background.photons, starts)
    common = np.zeros(starts.size)
    kinds = (background.modes, background.systematic_modes, background.model_modes)
    for mode in itertools.chain(*kinds):
        common += np.add.reduceat(mode, starts) ** 2
    level_variance = _joined_variance(background.covariance, starts) + common
    noise = rings.covariance + background.covariance - 2.0 * background.shared
    variance = _joined_variance(noise, starts) + common
    limit = _upper_limit(photons, level, variance, sigma)

    unit_mm = rings.pixel_mm if rings.pixel_mm > 0 else 1.0
    area_mm2 = np.add.reduceat(rings.covered_px, starts) * unit_mm**2
    seen = area_mm2 > 0
    edges_mm = np.concatenate([[0.0], rings.radius_mm])[[*starts, rings.radius_mm.size]]

    def per_area(values: np.ndarray) -> Quantity:
        return values[seen] / area_mm2[seen] * u.ph / u.mm**2

    net, spread = photons - level, np.sqrt(variance)
    return RadialProfile(
        inner=edges_mm[:-1][seen] * u.mm,
        outer=edges_mm[1:][seen] * u.mm,
        brightness=per_area(net),
        uncertainty=per_area(spread),
        upper_limit=per_area(limit),
        detected=((net > 0) & (net >= sigma * spread))[seen],
        background=per_area(level),
        background_uncertainty=per_area(np.sqrt(level_variance)),
        sigma=sigma,
        detector_distance=rings.detector_distance_mm * u.mm,
    )


def _joined_starts(rings: RingCounts, per_decade: int) -> np.ndarray:
    """First ring of each joined one."""
    growth = np.cumsum(rings.photons)
    if not growth[-1] > 0:
        raise MeasurementError(
            f"the rings hold {growth[-1]:.4g} photons; expected more than zero for a "
            f"radial profile; check that the beam was on"
        )
    enough = min(_INNERMOST_PHOTONS, growth[-1] / 10)
    first = int(np.argmax(growth >= enough))
    inner_mm, outer_mm = rings.radius_mm[first], rings.radius_mm[-1]
    steps = max(round(per_decade * np.log10(outer_mm / inner_mm)), 1)
    ends_mm = np.geomspace(inner_mm, outer_mm, steps + 1)
    ends = np.unique(np.searchsorted(rings.radius_mm, ends_mm * (1 - 1e-9)))
    return np.concatenate([[0], ends[:-1] + 1])


def _joined_variance(covariance: np.ndarray, starts: np.ndarray) -> np.ndarray:
    """Variance of the sums over joined rings, never below zero."""
    blocks = np.add.reduceat(np.add.reduceat(covariance, starts, axis=0), starts, axis=1)
    return np.maximum(blocks.diagonal(), 0.0)


def _upper_limit(
    photons: np.ndarray, level: np.ndarray, variance: np.ndarray, sigma: float
) -> np.ndarray:
    n = np.maximum(photons, 0.0)
    # √n alone would say that a ring without a photon cannot have expected one.
    _, most = poisson_interval(n, sigma=sigma)
    other = np.maximum(variance - n, 0.0)
    return np.maximum(photons - level, 0.0) + np.hypot(most - n, sigma * np.sqrt(other))
