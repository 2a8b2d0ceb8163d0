"""The encircled-energy curve: the share of the photons inside each radius."""

from dataclasses import dataclass, field

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.background import BackgroundRings
from beamreduce.background.in_rings import NO_MODES
from beamreduce.errors import MeasurementError
from beamreduce.rings import RingCounts
from beamreduce.units import positive_in


@dataclass(frozen=True, kw_only=True)
class NetRings:
    """Net photons in the rings out to the reference radius, each scaled to its full area.

    Parameters
    ----------
    radius_mm
        Outer radii, shape (n,); the last one is the reference radius.
    photons
        Net photons, shape (n,).
    poisson_part
        Photons of each ring, before scaling, that follow a Poisson law of their own.
    noise_covariance
        Covariance beyond that Poisson law, before scaling, shape (n, n): shared pixels,
        detector noise, the background's counting noise. May be negative on the diagonal
        only by rounding.
    background_covariance
        The part of ``noise_covariance`` that the background brings: its counting noise,
        and half of what the noise of common masters leaves in the difference.
    modes, model_modes
        Changes of the background by one standard deviation, common to all rings, before
        scaling, shape (modes, n): statistical ones, and those of the choice of a model.
    systematic_modes
        The same from declared uncertainties.
    scale
        Full area over covered area of each ring.
    covered
        Share of the area inside each radius that usable pixels cover.
    detector_distance_mm
        Distance of the detector from the reference plane.
    """

    radius_mm: np.ndarray
    photons: np.ndarray
    poisson_part: np.ndarray
    noise_covariance: np.ndarray
    background_covariance: np.ndarray
    modes: np.ndarray
    model_modes: np.ndarray
    scale: np.ndarray
    covered: np.ndarray
    detector_distance_mm: float
    systematic_modes: np.ndarray = field(default_factory=NO_MODES.copy)

    @property
    def growth(self) -> np.ndarray:
        """Net photons inside each radius, the curve of growth."""
        return np.cumsum(self.photons)

    @property
    def covariance(self) -> np.ndarray:
        """Covariance of ``photons``, statistical, the background's included."""
        raw = self.noise_covariance + np.diag(self.poisson_part) + self.modes.T @ self.modes
        return self.scale[:, None] * raw * self.scale[None, :]


@dataclass(frozen=True, kw_only=True)
class EncircledEnergy:
    """The share of the net photons inside each radius; 1 at the reference radius.

    Parameters
    ----------
    radius
        Radii, shape (n,), a length; the last one is the reference radius.
    fraction
        Encircled energy fraction, shape (n,). Not forced to rise: noise shows.
    covariance
        Covariance of ``fraction``, shape (n, n); statistical, background included.
    covered
        Share of the area inside each radius that usable pixels cover.
    net_photons
        Net photons inside the reference radius.
    detector_distance
        From the reference plane, to turn lengths into angles.
    """

    radius: Quantity
    fraction: np.ndarray
    covariance: np.ndarray
    covered: np.ndarray
    net_photons: float
    detector_distance: Quantity

    @property
    def reference_radius(self) -> Quantity:
        """Radius at which the curve is 1 by definition."""
        return self.radius[-1]

    @property
    def uncertainty(self) -> np.ndarray:
        """Standard uncertainty of ``fraction``, shape (n,)."""
        return np.sqrt(np.maximum(self.covariance.diagonal(), 0.0))

    @property
    def angle(self) -> Quantity:
        """Radii as angles seen from the mirror (offset over distance)."""
        ratio = (self.radius / self.detector_distance).to_value(u.one)
        return (ratio * u.rad).to(u.arcsec)

    def at(self, radius: Quantity) -> np.ndarray:
        """Return the fraction inside any radius up to the reference radius."""
        radius_mm = np.asarray(radius.to_value(u.mm))
        known_mm = self.radius.to_value(u.mm)
        if np.any(radius_mm > known_mm[-1] * (1 + 1e-9)) or np.any(radius_mm < 0):
            raise MeasurementError(
                f"radius must lie between 0 and the reference radius "
                f"({known_mm[-1]:g} mm); got {radius}"
            )
        # Even light within a ring: the energy rises with the square of the radius.
        return np.interp(
            radius_mm**2,
            np.concatenate([[0.0], known_mm**2]),
            np.concatenate([[0.0], self.fraction]),
        )


def net_rings(
    rings: RingCounts, background: BackgroundRings, reference_radius: Quantity
) -> NetRings:
    """Take the background off and scale every ring to its full area.

    Parameters
    ----------
    rings
        Photons in rings, background still in; one ring must end at the reference radius.
    background
        What of them is background.
    reference_radius
        Where the curve will be 1.

    Raises
    ------
    MeasurementError
        When no ring ends at the reference radius, a ring has no usable pixel, or the
        net photons inside the reference radius are not above zero.
    """
    reference_mm = positive_in(reference_radius, u.mm, name="reference_radius")
    n = _rings_within(rings, reference_mm)
    covered = rings.covered_px[:n]
    if np.any(covered <= 0):
        empty_mm = rings.radius_mm[:n][covered <= 0][0]
        raise MeasurementError(
            f"the ring that ends at {empty_mm:.4g} mm has no usable pixel; choose a "
            f"smaller reference_radius or repeat the exposure"
        )
    scale = rings.area_px[:n] / covered
    photons = scale * (rings.photons[:n] - background.photons[:n])
    total = photons.sum()
    if not total > 0:
        raise MeasurementError(
            f"the net photons inside {reference_mm:g} mm are {total:.4g}; expected more "
            f"than zero; check that the beam was on and which background was taken off"
        )
    poisson = rings.poisson_part[:n]
    shared = background.shared[:n, :n]
    from_background = background.covariance[:n, :n] - shared
    from_image = rings.covariance[:n, :n] - np.diag(poisson) - shared
    return NetRings(
        radius_mm=rings.radius_mm[:n],
        photons=photons,
        poisson_part=poisson,
        noise_covariance=from_image + from_background,
        background_covariance=from_background,
        modes=background.modes[:, :n],
        model_modes=background.model_modes[:, :n],
        systematic_modes=background.systematic_modes[:, :n],
        scale=scale,
        covered=np.cumsum(covered) / np.cumsum(rings.area_px[:n]),
        detector_distance_mm=rings.detector_distance_mm,
    )


def encircled_energy(net: NetRings) -> EncircledEnergy:
    """Return the encircled-energy curve with the covariance of its points.

    ``EEF(r) = C(r)/C(R)`` with ``C`` the net photons inside a radius and ``R`` the
    reference radius; the covariance is propagated to first order
    (JCGM 100:2008, 5.2.2), both from counting and from the background.
    """
    growth = net.growth
    total = growth[-1]
    fraction = growth / total
    # dEEF_j/dnet_k = ([k <= j] - EEF_j) / total
    covariance = np.cumsum(np.cumsum(net.covariance, axis=0), axis=1)
    with_total = covariance[:, -1]
    covariance = (
        covariance
        - np.outer(fraction, with_total)
        - np.outer(with_total, fraction)
        + np.outer(fraction, fraction) * covariance[-1, -1]
    ) / total**2
    return EncircledEnergy(
        radius=net.radius_mm * u.mm,
        fraction=fraction,
        covariance=covariance,
        covered=net.covered,
        net_photons=float(total),
        detector_distance=net.detector_distance_mm * u.mm,
    )


def _rings_within(rings: RingCounts, reference_mm: float) -> int:
    n = int(np.searchsorted(rings.radius_mm, reference_mm * (1 - 1e-9))) + 1
    if n > rings.radius_mm.size or abs(rings.radius_mm[n - 1] / reference_mm - 1) > 1e-9:
        raise MeasurementError(
            f"one of the rings must end at the reference radius ({reference_mm:g} mm); "
            f"the rings end between {rings.radius_mm[0]:g} and {rings.radius_mm[-1]:g} mm"
        )
    return n
