"""How a coating reflects and scatters, for the rays of a made campaign.

A stand-in until the mirror model brings its own: Fresnel reflection at one thick
surface, with the light that roughness takes out of the specular beam (Debye-Waller)
returned to the image as scattered light. Nothing is lost to roughness.
"""

from dataclasses import dataclass

import numpy as np
from periodictable import xsf

_HC_KEV_NM = 1.2398419843320026  # exact constants of the SI (2019)
_ANGLES = 32768
_STEEPEST_RAD = 0.05  # the table ends here; no ray of a nest of thin foils is steeper


@dataclass(frozen=True, kw_only=True)
class Coating:
    """Reflectivity at one energy, tabulated in the sine of the grazing angle.

    Parameters
    ----------
    reflectivity
        At ``_ANGLES`` equal steps of the sine from 0 to the sine of the steepest angle.
    roughness_per_wavelength
        ``4π σ/λ``; its square times sin² of the grazing angle is the exponent of the
        Debye-Waller factor.
    """

    reflectivity: np.ndarray
    roughness_per_wavelength: float

    def reflected(self, sine: np.ndarray) -> np.ndarray:
        """Return the reflected share, specular and scattered together."""
        step = np.sin(_STEEPEST_RAD) / (len(self.reflectivity) - 1)
        return np.interp(sine / step, np.arange(len(self.reflectivity)), self.reflectivity)

    def scattered(self, sine: np.ndarray) -> np.ndarray:
        """Return which share of the reflected light is scattered.

        ``1 - exp(-(4πσ sinθ/λ)²)`` (Bennett & Porteus 1961, JOSA 51, 123).
        """
        return -np.expm1(-((self.roughness_per_wavelength * sine) ** 2))


def fresnel(index: complex, grazing_rad: np.ndarray) -> np.ndarray:
    """Return the reflectivity of one smooth thick surface for unpolarised light.

    Parameters
    ----------
    index
        Complex index of refraction ``1 - δ + iβ`` (either sign of the imaginary part).
    grazing_rad
        Angle to the surface.

    Notes
    -----
    The mean of both polarisations; wave vectors normal to the surface in units of the
    vacuum wave vector (Born & Wolf, Principles of Optics, section 1.5.2).
    """
    squared = complex(index.real, abs(index.imag)) ** 2
    outside = np.sin(grazing_rad).astype(complex)
    inside = np.sqrt(squared - np.cos(grazing_rad) ** 2)
    s = (outside - inside) / (outside + inside)
    p = (squared * outside - inside) / (squared * outside + inside)
    return (np.abs(s) ** 2 + np.abs(p) ** 2) / 2


def make_coating(
    material: str, energy_kev: float, *, density: float | None, roughness_nm: float
) -> Coating:
    """Tabulate a coating at one energy.

    Parameters
    ----------
    material
        Chemical formula, such as ``"Au"``.
    energy_kev
        Photon energy.
    density
        In g/cm³; None takes the density of the bulk from the same library.
    roughness_nm
        Rms height within the band that scatters into or out of the image.

    Notes
    -----
    Optical constants: Henke, Gullikson & Davis 1993, ADNDT 54, 181, as carried by
    periodictable.
    """
    index = xsf.index_of_refraction(material, density=density, energy=energy_kev)
    sines = np.linspace(0.0, np.sin(_STEEPEST_RAD), _ANGLES)
    return Coating(
        reflectivity=fresnel(complex(index), np.arcsin(sines)),
        roughness_per_wavelength=4 * np.pi * roughness_nm * energy_kev / _HC_KEV_NM,
    )
