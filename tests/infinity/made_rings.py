"""Measurements without a detector: net photons of an image in rings, and its optics."""

import numpy as np

from beamreduce.encircled_energy import NetRings
from beamreduce.infinity.configuration import Measured
from beamreduce.infinity.optics import Optics
from beamreduce.raytrace import MeridianLight


def net_of(radii_mm, counts, distance_mm):
    """Rings of photons counted one by one, nothing else in them."""
    n = radii_mm.size
    none = np.zeros((n, n))
    return NetRings(
        radius_mm=radii_mm,
        photons=counts.astype(float),
        poisson_part=counts.astype(float),
        noise_covariance=none,
        background_covariance=none,
        modes=np.zeros((0, n)),
        model_modes=np.zeros((0, n)),
        scale=np.ones(n),
        covered=np.ones(n),
        detector_distance_mm=distance_mm,
    )


def fine_radii(radius_mm, reference_mm, rings=300):
    """Outer radii of rings of like light, and the reference radius."""
    inside = np.sort(radius_mm[radius_mm < reference_mm])
    ends = np.quantile(inside, np.linspace(0, 1, rings + 1)[1:-1])
    return np.unique(np.append(ends, reference_mm))


def measured_of(radii_mm, counts, distance_mm, energy=0):
    """One measurement at a distance."""
    return Measured(
        id=f"{distance_mm:g} at {energy}",
        distance_mm=distance_mm,
        energy=energy,
        net=net_of(radii_mm, counts, distance_mm),
        pixel_mm=0.0,
    )


def perfect_reflection(prescription, source_mm, source_diameter_mm=0.0, **more):
    """Optics of mirrors that lose nothing."""
    light = MeridianLight(
        source_distance_mm=source_mm,
        reflectivity=np.ones((1, 1, 1, 3)),
        angle_step_rad=0.5,
    )
    return Optics(
        prescription=prescription,
        light=light,
        source_diameter_mm=source_diameter_mm,
        **more,
    )
