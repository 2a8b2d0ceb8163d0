"""Where the image of a near source falls, and the angles seen along the beamline.

Distances are counted from the reference plane, where primary and secondary meet:
the source upstream, the detector downstream.
"""

import math

import astropy.units as u
from astropy.units import Quantity

from beamreduce.errors import GeometryError
from beamreduce.units import positive_in, value_in


def image_distance(*, source_distance: Quantity, focal_length: Quantity) -> Quantity:
    """Return the distance behind the mirror at which a near source focuses.

    ``D* = f L / (L - f)``, first-order optics: the rays that leave the junction of the
    two cones. Cone blur is least somewhat further behind.

    Raises
    ------
    GeometryError
        When the source is no further away than the focal length.
    """
    source_mm = positive_in(source_distance, u.mm, name="source_distance")
    focal_mm = positive_in(focal_length, u.mm, name="focal_length")
    if source_mm <= focal_mm:
        raise GeometryError(
            f"source_distance must be larger than focal_length; "
            f"got {source_mm:g} mm and {focal_mm:g} mm (are the two swapped?)"
        )
    return focal_mm * source_mm / (source_mm - focal_mm) * u.mm


def beam_divergence(*, radius: Quantity, source_distance: Quantity) -> Quantity:
    """Return the angle to the axis at which a ray arrives at a radius of the mirror.

    ``δ = r/L``: it is added to the grazing angle on the primary and taken off the one
    on the secondary.
    """
    radius_mm = positive_in(radius, u.mm, name="radius")
    source_mm = positive_in(source_distance, u.mm, name="source_distance")
    return radius_mm / source_mm * u.rad


def source_angle(*, source_diameter: Quantity, source_distance: Quantity) -> Quantity:
    """Return the angle that the source fills as seen from the mirror, in arcsec."""
    diameter_mm = value_in(source_diameter, u.mm, name="source_diameter")
    source_mm = positive_in(source_distance, u.mm, name="source_distance")
    if diameter_mm < 0:
        raise GeometryError(
            f"source_diameter must not be below zero; got {source_diameter}"
        )
    return math.degrees(2 * math.atan(diameter_mm / 2 / source_mm)) * 3600 * u.arcsec


def direct_beam_dilution(
    *, source_distance: Quantity, detector_distance: Quantity
) -> float:
    """Return the flux at the reference plane over that of the direct beam at the detector.

    ``((L + D)/L)²``: without a mirror the beam of a near source goes on spreading.
    """
    source_mm = positive_in(source_distance, u.mm, name="source_distance")
    detector_mm = positive_in(detector_distance, u.mm, name="detector_distance")
    return ((source_mm + detector_mm) / source_mm) ** 2
