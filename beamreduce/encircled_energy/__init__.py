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
from beamreduce.encircled_energy.curve_file import read_curves, write_curves
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
from beamreduce.encircled_energy.uncertain_curve import (
    CurveTerm,
    UncertainCurve,
    measured_curve,
)

__all__ = [
    "HALF_POWER",
    "NINETY",
    "CurveTerm",
    "Diameters",
    "EncircledEnergy",
    "GrowthCurve",
    "NetRings",
    "RadialProfile",
    "UncertainCurve",
    "analytic_uncertainty_mm",
    "crossing_diameters_mm",
    "encircled_energy",
    "growth_curve",
    "join_far_rings",
    "join_rings",
    "least_hpd",
    "measure_diameters",
    "measured_curve",
    "net_rings",
    "radial_profile",
    "read_curves",
    "resample",
    "standard_radii",
    "write_curves",
]
