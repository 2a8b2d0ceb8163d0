"""How much of a beam one thick coated surface reflects, and how much it scatters.

Fresnel's formulas for a complex index of refraction, and one of two consistent accounts
of roughness. Whatever roughness takes out of the mirror beam is scattered, reflection by
reflection at that reflection's own angle; the two always come together, as
``specular`` and ``scattered``, and add up to what a smooth surface reflects.
"""

from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.errors import SettingsError
from beamreduce.mirror.optical_constants import (
    DEFAULT_TABLE,
    OPTICAL_TABLES,
    check_table,
    coating_density,
    optical_constants,
    table_version,
)
from beamreduce.mirror.prescription import MirrorDesign
from beamreduce.units import convert, value_in

ROUGHNESS_MODELS = ("nevot_croce", "debye_waller")
DEFAULT_ROUGHNESS_MODEL = "nevot_croce"
HC_KEV_NM = 1.2398419843320026  # exact constants of the SI (2019)


@dataclass(frozen=True, kw_only=True)
class Coating:
    """One reflecting surface, and the settings by which its reflectivity is computed.

    Parameters
    ----------
    formula
        Chemical symbol or formula.
    density
        In g/cm³ or what converts to it; None takes the default of the formula.
    roughness
        Rms height.
    table
        Optical constants: ``"henke"`` or ``"chantler"``.
    roughness_model
        ``"nevot_croce"`` (roughness of short lateral scale, a graded surface) or
        ``"debye_waller"`` (roughness of long lateral scale); below the critical angle
        they differ grossly, so the choice is part of every result.
    """

    formula: str
    density: Quantity | None = None
    roughness: Quantity = 0 * u.nm
    table: str = DEFAULT_TABLE
    roughness_model: str = DEFAULT_ROUGHNESS_MODEL

    def __post_init__(self) -> None:
        check_table(self.table)
        if self.roughness_model not in ROUGHNESS_MODELS:
            raise SettingsError(
                f"roughness_model must be one of {', '.join(ROUGHNESS_MODELS)}; "
                f"got {self.roughness_model!r}"
            )
        density = coating_density(self.formula, self.density)
        object.__setattr__(self, "density", density)
        if value_in(self.roughness, u.nm, name="roughness") < 0:
            raise SettingsError(f"roughness must not be below zero; got {self.roughness}")

    @property
    def roughness_nm(self) -> float:
        """Rms height in nm."""
        return float(self.roughness.to_value(u.nm))

    @property
    def record(self) -> dict[str, str | float]:
        """What a result has to say about how its reflectivity was computed."""
        return {
            "coating": self.formula,
            "coating_density_g_cm3": float(self.density.to_value(u.g / u.cm**3)),
            "optical_constants": self.table,
            "optical_constants_version": table_version(self.table),
            "roughness_nm": self.roughness_nm,
            "roughness_model": self.roughness_model,
        }


@dataclass(frozen=True, kw_only=True)
class Reflected:
    """Shares of the light that falls on a surface; together what a smooth one reflects."""

    specular: np.ndarray
    scattered: np.ndarray


def coating_of(
    design: MirrorDesign,
    *,
    formula: str | None = None,
    roughness: Quantity | None = None,
) -> Coating:
    """Return the coating of a nesting by the ``[mirror]`` table of a campaign.

    Parameters
    ----------
    design
        Coating, roughness, density, table and roughness model; what is absent is the
        default of :class:`Coating`.
    formula, roughness
        Of a nesting that differs from the design. The campaign's ``coating_density`` is
        that of the design's coating only.
    """
    chosen = formula or design.coating
    return Coating(
        formula=chosen,
        density=design.coating_density if chosen == design.coating else None,
        roughness=design.roughness if roughness is None else roughness,
        table=design.optical_constants or DEFAULT_TABLE,
        roughness_model=design.roughness_model or DEFAULT_ROUGHNESS_MODEL,
    )


def fresnel(
    constants: tuple[np.ndarray | float, np.ndarray | float],
    grazing_rad: np.ndarray | float,
) -> tuple[np.ndarray, np.ndarray]:
    """Return the reflectivity of one smooth thick surface, s and p polarised.

    Parameters
    ----------
    constants
        δ and β of the index of refraction ``1 - δ + iβ``.
    grazing_rad
        Angle to the surface; broadcasts with the constants. Unpolarised light has the
        mean of the two.

    Notes
    -----
    With wave vectors normal to the surface in units of the vacuum wave vector,
    ``k1 = sinθ`` and ``k2 = √(n² - cos²θ)``: ``|(k1 - k2)/(k1 + k2)|²`` and
    ``|(n² k1 - k2)/(n² k1 + k2)|²`` (Born & Wolf, Principles of Optics, section 1.5.2).
    """
    outside, inside = _wave_vectors(constants, grazing_rad)
    squared = 1 + _index_squared_less_one(constants)
    s = (outside - inside) / (outside + inside)
    p = (squared * outside - inside) / (squared * outside + inside)
    return np.abs(s) ** 2, np.abs(p) ** 2


def specular_share(
    constants: tuple[np.ndarray | float, np.ndarray | float],
    grazing_rad: np.ndarray | float,
    *,
    roughness_in_wavelengths: np.ndarray | float,
    roughness_model: str,
) -> np.ndarray:
    """Return the share of the reflected light that stays in the mirror beam.

    Névot-Croce: ``exp(-4 k1 Re(k2) σ²)`` with wave vectors normal to the surface outside
    and inside (Névot & Croce 1980, Rev. Phys. Appl. 15, 761); Debye-Waller:
    ``exp(-4 k1² σ²) = exp(-(4πσ sinθ/λ)²)`` (Bennett & Porteus 1961, JOSA 51, 123).
    """
    outside, inside = _wave_vectors(constants, grazing_rad)
    other = inside.real if roughness_model == "nevot_croce" else outside
    waves = 4 * np.pi * np.asarray(roughness_in_wavelengths)
    return np.exp(-(waves**2) * outside * other)


def reflect(coating: Coating, energy: Quantity, grazing_angle: Quantity) -> Reflected:
    """Return what a coating reflects and scatters of unpolarised light.

    Parameters
    ----------
    coating
        The surface.
    energy
        Photon energies, any shape.
    grazing_angle
        Angles to the surface, any shape, from 0 to 90°.

    Returns
    -------
    Reflected
        Shares of the incident light, in the shape of ``energy`` followed by that of
        ``grazing_angle``.

    Notes
    -----
    Scattered is all that roughness takes out of the mirror beam. With Debye-Waller that
    is what theory says for small angles; with Névot-Croce a part may also go into the
    coating, so there it is the most that can be scattered.
    """
    angles = np.asarray(convert(grazing_angle, u.rad, name="grazing_angle").value)
    if np.any(angles < 0) or np.any(angles > np.pi / 2):
        raise SettingsError("grazing_angle must be between 0 and 90 deg")
    delta, beta = optical_constants(coating.formula, coating.density, energy, coating.table)
    spread = (..., *(np.newaxis for _ in angles.shape))
    constants = delta[spread], beta[spread]
    s, p = fresnel(constants, angles)
    smooth = (s + p) / 2
    kev = np.asarray(energy.to_value(u.keV))[spread]
    share = specular_share(
        constants,
        angles,
        roughness_in_wavelengths=coating.roughness_nm * kev / HC_KEV_NM,
        roughness_model=coating.roughness_model,
    )
    return Reflected(specular=smooth * share, scattered=smooth * (1 - share))


def spread_of_tables(
    coating: Coating, energy: Quantity, grazing_angle: Quantity
) -> np.ndarray:
    """Return by how much the tables disagree about what a coating reflects.

    The largest less the smallest mirror-beam reflectivity over their mean, in the shape
    that :func:`reflect` gives. Half of it is the standard deviation of two tables, fit
    for the model uncertainty of one reflection. Beside an edge it can be a half.
    """
    values = [
        reflect(
            Coating(
                formula=coating.formula,
                density=coating.density,
                roughness=coating.roughness,
                table=table,
                roughness_model=coating.roughness_model,
            ),
            energy,
            grazing_angle,
        ).specular
        for table in OPTICAL_TABLES
    ]
    return np.ptp(values, axis=0) / np.mean(values, axis=0)


def _index_squared_less_one(
    constants: tuple[np.ndarray | float, np.ndarray | float],
) -> np.ndarray:
    """Return ``n² - 1`` without the rounding of squaring a number next to 1."""
    delta, beta = (np.asarray(value, dtype=float) for value in constants)
    return -2 * delta + delta**2 - beta**2 + 2j * beta * (1 - delta)


def _wave_vectors(
    constants: tuple[np.ndarray | float, np.ndarray | float],
    grazing_rad: np.ndarray | float,
) -> tuple[np.ndarray, np.ndarray]:
    """Return the normal wave vectors outside and inside, in units of the vacuum's."""
    outside = np.sin(np.asarray(grazing_rad, dtype=float))
    return outside, np.sqrt(_index_squared_less_one(constants) + outside**2)
