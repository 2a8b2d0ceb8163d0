"""What roughness costs: light scattered, area lost, half-power diameter gained."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.units import Quantity
from scipy.optimize import brentq

from beamreduce.errors import SettingsError
from beamreduce.mirror import HC_KEV_NM
from beamreduce.record import Uncertain
from beamreduce.reflectors.power_spectrum import LineSpectrum
from beamreduce.statistics import IN_PLANE_HPD
from beamreduce.units import positive_in, value_in

_RADIAN = math.degrees(1.0) * 3600.0  # arcsec


def scattered_fraction(
    rms_height: Quantity, energy: Quantity, grazing_angle: Quantity
) -> np.ndarray:
    """Return the share of the reflected light that one rough surface scatters.

    ``1 − exp(−(4πσ sinα/λ)²)``: Bennett & Porteus 1961, JOSA 51, 123, eq. 8, at grazing
    angle α; one less the Debye-Waller factor. It counts the waves that ``rms_height``
    counts, and holds where the surface reflects as one plane over the beam's coherence.

    Parameters
    ----------
    rms_height, energy, grazing_angle
        Broadcast against each other.
    """
    sigma_nm = rms_height.to_value(u.nm)
    if np.any(np.asarray(sigma_nm) < 0):
        raise SettingsError(f"rms_height must not be below zero; got {rms_height}")
    kev = energy.to_value(u.keV)
    exponent = 4 * np.pi * sigma_nm * np.sin(grazing_angle.to_value(u.rad)) * kev
    return -np.expm1(-((exponent / HC_KEV_NM) ** 2))


def scatter_of(rms_nm: Uncertain, energy_kev: float, grazing_rad: float) -> Uncertain:
    """Return the scattered share with the uncertainty of the rms height.

    First order: ``dS = 2x(1 − S) dσ/σ`` with x the exponent (JCGM 100:2008, 5.1.2).
    """
    waves = 4 * math.pi * math.sin(grazing_rad) * energy_kev / HC_KEV_NM
    x = (waves * rms_nm.value) ** 2
    slope = 2 * waves**2 * rms_nm.value * math.exp(-x)
    return Uncertain(
        value=-math.expm1(-x),
        statistical=slope * rms_nm.statistical,
        systematic=slope * rms_nm.systematic,
        model=slope * rms_nm.model,
    )


def scatter_angle(
    wavelength_on_surface: Quantity, energy: Quantity, grazing_angle: Quantity
) -> Quantity:
    """Return how far a wave of the surface turns light, in the plane of reflection.

    First order of a grating at grazing incidence: ``θ = λ/(Λ sinα)``.
    """
    wave_nm = HC_KEV_NM / energy.to_value(u.keV)
    ratio = wave_nm / wavelength_on_surface.to_value(u.nm)
    return (ratio / np.sin(grazing_angle.to_value(u.rad)) * u.rad).to(u.arcsec)


@dataclass(frozen=True, kw_only=True)
class Halo:
    """How the mean square height is spread over waves along the light.

    Parameters
    ----------
    edges_per_um
        Upper edges of the bands of spatial frequency, rising, shape (n,).
    mean_square_nm2
        Of the waves in each band, shape (n,).
    """

    edges_per_um: np.ndarray
    mean_square_nm2: np.ndarray

    @property
    def shares(self) -> np.ndarray:
        """Share of the scattered light within the angle of each edge."""
        total = np.cumsum(self.mean_square_nm2)
        return total / total[-1]

    def angles_arcsec(self, energy: Quantity, grazing_angle: Quantity) -> np.ndarray:
        """Return how far the waves at each edge turn light (grating rule)."""
        kev = value_in(energy, u.keV, name="energy")
        return self.turned_arcsec(kev, value_in(grazing_angle, u.rad, name="grazing_angle"))

    def turned_arcsec(self, energy_kev: float, grazing_rad: float) -> np.ndarray:
        """As :meth:`angles_arcsec`, with bare numbers."""
        wave_um = HC_KEV_NM / energy_kev / 1000
        return self.edges_per_um * (wave_um / math.sin(grazing_rad) * _RADIAN)


def halo_of(spectrum: LineSpectrum) -> Halo:
    """Return the halo that a spectrum along the light makes."""
    return Halo(
        edges_per_um=spectrum.frequency_per_um + spectrum.step_per_um / 2,
        mean_square_nm2=spectrum.power_nm2_um * spectrum.step_per_um,
    )


@dataclass(frozen=True, kw_only=True)
class ScatterEffect:
    """What the scatter of one reflection does to the image at one energy.

    Parameters
    ----------
    area_factor
        Of the area that keeps to the mirror beam, ``1 − S``.
    hpd_arcsec
        Half-power diameter with the scattered light in the image.
    hpd_gain_arcsec
        By how much it exceeds that without scatter.
    """

    area_factor: Uncertain
    hpd_arcsec: float
    hpd_gain_arcsec: float


def scatter_effect(
    scattered: Uncertain,
    *,
    core_hpd: Quantity,
    halo: Halo | None = None,
    at: tuple[Quantity, Quantity] | None = None,
) -> ScatterEffect:
    """Return the effect of one reflection's scatter on area and half-power diameter.

    Parameters
    ----------
    scattered
        Share of the reflected light.
    core_hpd
        Half-power diameter without scatter; its light follows a normal law in the plane of
        reflection, turned all around (HPD = 1.349 standard deviations).
    halo
        Spectrum along the light: the scattered light is spread as it is, by the grating
        rule. Without it all scattered light falls outside the half-power circle.
    at
        Energy and grazing angle that the halo is for.

    Notes
    -----
    The radius r that holds half of all light solves ``(1 − S) erf(r/√2s) + S W(r) = ½``,
    W the share of the mean square height in waves longer than ``λ/(r sinα)``.

    Raises
    ------
    SettingsError
        When half the light or more is scattered and nothing says where to.
    """
    core_arcsec = positive_in(core_hpd, u.arcsec, name="core_hpd")
    sigma = core_arcsec / IN_PLANE_HPD
    share = scattered.value
    if halo is not None and at is None:
        raise SettingsError("a halo needs the energy and grazing angle; got none")
    within = None if halo is None else _within(halo, at)

    def encircled(r: float) -> float:
        wide = 0.0 if within is None else within(r)
        return (1 - share) * math.erf(r / (math.sqrt(2) * sigma)) + share * wide

    far = max(50 * sigma, 0.0 if halo is None else float(halo.angles_arcsec(*at)[-1]))
    if encircled(far) < 0.5:
        raise SettingsError(
            f"half of the light must fall somewhere; found a share of {share:.3g} "
            f"scattered; give the spectrum of the surface, which says where to"
        )
    radius = brentq(lambda r: encircled(r) - 0.5, 0.0, far, xtol=1e-9 * core_arcsec)
    area = Uncertain(
        value=1 - share,
        statistical=scattered.statistical,
        systematic=scattered.systematic,
        model=scattered.model,
    )
    return ScatterEffect(
        area_factor=area, hpd_arcsec=2 * radius, hpd_gain_arcsec=2 * radius - core_arcsec
    )


def _within(halo: Halo, at: tuple[Quantity, Quantity]) -> Callable[[float], float]:
    """Return the function that gives the share of scattered light within an angle."""
    angles = np.concatenate([[0.0], halo.angles_arcsec(*at)])
    shares = np.concatenate([[0.0], halo.shares])
    return lambda r: float(np.interp(r, angles, shares))
