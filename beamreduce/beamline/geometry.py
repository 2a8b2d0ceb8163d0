"""Stations along the beamline and where the image of a near source falls."""

import astropy.units as u
from astropy.units import Quantity

from beamreduce.errors import GeometryError
from beamreduce.units import positive_in


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
