"""Encircled energy and the diameters that hold a share of it."""

from beamreduce.encircled_energy.curve import (
    EncircledEnergy,
    NetRings,
    encircled_energy,
    net_rings,
)
from beamreduce.encircled_energy.diameters import (
    HALF_POWER,
    NINETY,
    Diameters,
    analytic_uncertainty_mm,
    crossing_diameters_mm,
    measure_diameters,
    resample,
    standard_radii,
)
from beamreduce.encircled_energy.least_hpd import least_hpd

__all__ = [
    "HALF_POWER",
    "NINETY",
    "Diameters",
    "EncircledEnergy",
    "NetRings",
    "analytic_uncertainty_mm",
    "crossing_diameters_mm",
    "encircled_energy",
    "least_hpd",
    "measure_diameters",
    "net_rings",
    "resample",
    "standard_radii",
]
