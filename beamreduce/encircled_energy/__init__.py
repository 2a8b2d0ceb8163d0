"""Encircled energy and the diameters that hold a share of it."""

from beamreduce.encircled_energy.bootstrap import (
    join_far_rings,
    join_rings,
    resample,
)
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
    standard_radii,
)
from beamreduce.encircled_energy.growth import GrowthCurve, growth_curve
from beamreduce.encircled_energy.least_hpd import least_hpd
from beamreduce.encircled_energy.radial_profile import RadialProfile, radial_profile

__all__ = [
    "HALF_POWER",
    "NINETY",
    "Diameters",
    "EncircledEnergy",
    "GrowthCurve",
    "NetRings",
    "RadialProfile",
    "analytic_uncertainty_mm",
    "crossing_diameters_mm",
    "encircled_energy",
    "growth_curve",
    "join_far_rings",
    "join_rings",
    "least_hpd",
    "measure_diameters",
    "net_rings",
    "radial_profile",
    "resample",
    "standard_radii",
]
