"""What a layer of known material and thickness lets through, from tabulated constants."""

import math
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.beamline import Layer
from beamreduce.mirror import (
    DEFAULT_TABLE,
    HC_KEV_NM,
    OPTICAL_TABLES,
    coating_density,
    optical_constants,
)
from beamreduce.record import Uncertain
from beamreduce.units import positive_in


@dataclass(frozen=True, kw_only=True)
class _Depth:
    """Optical depth of a layer, ``μ t``, and its relative uncertainties."""

    value: float
    declared: float
    model: float


def transmission(layer: Layer, energy: Quantity, table: str = DEFAULT_TABLE) -> Uncertain:
    """Return the share of photons that passes a layer: ``exp(−μ t)``, ``μ = 4πβ/λ``.

    Parameters
    ----------
    layer
        Material, thickness, density.
    energy
        Photon energy.
    table
        Of optical constants; the other one gives the model part.

    Raises
    ------
    SettingsError
        When the material is not known or the energy is outside the table.

    Notes
    -----
    Absorption coefficient from the imaginary part of the index of refraction: Als-Nielsen
    & McMorrow, Elements of Modern X-ray Physics (2011), eq. 3.2 (from memory).
    """
    depth = _depth(layer, energy, table)
    passed = math.exp(-depth.value)
    return Uncertain(
        value=passed,
        statistical=0.0,
        systematic=passed * depth.value * depth.declared,
        model=passed * depth.value * depth.model,
    )


def absorbed(layer: Layer, energy: Quantity, table: str = DEFAULT_TABLE) -> Uncertain:
    """Return the share of photons that a layer absorbs: one less what passes."""
    passed = transmission(layer, energy, table)
    return Uncertain(
        value=-math.expm1(-_depth(layer, energy, table).value),
        statistical=0.0,
        systematic=passed.systematic,
        model=passed.model,
    )


def _depth(layer: Layer, energy: Quantity, table: str) -> _Depth:
    thickness_nm = positive_in(layer.thickness, u.nm, name="thickness")
    density = coating_density(layer.material, layer.density)
    tables = [table, *(name for name in OPTICAL_TABLES if name != table)]
    kev = positive_in(energy, u.keV, name="energy")
    values = [
        4 * math.pi * kev / HC_KEV_NM * thickness_nm
        * float(np.ravel(optical_constants(layer.material, density, energy, name)[1])[0])
        for name in tables
    ]  # fmt: skip
    return _Depth(
        value=values[0],
        declared=math.hypot(
            layer.relative_uncertainty("thickness"), layer.relative_uncertainty("density")
        ),
        model=max(abs(value / values[0] - 1) for value in values[1:]),
    )
