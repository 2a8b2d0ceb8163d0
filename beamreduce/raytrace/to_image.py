"""The image that a measurement should give, in the form a measurement has."""

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.errors import SettingsError
from beamreduce.image import FocalImage
from beamreduce.raytrace.trace import Traced
from beamreduce.units import positive_in


def to_image(
    traced: Traced,
    *,
    fluence: Quantity,
    live_time: Quantity,
    distance: int = 0,
    energy: int = 0,
) -> FocalImage:
    """Return the expected image: mean photons a pixel, without noise or background.

    Parameters
    ----------
    traced
        A trace with an image.
    fluence
        Photons per area, square to the beam at the reference plane, over the exposure.
    live_time
        Of the exposure.
    distance, energy
        Which of the plan's distances and the mirror's energies.

    Raises
    ------
    SettingsError
        When the trace has no image, or no such distance or energy.
    """
    if traced.image_mm2 is None or traced.plan.image is None:
        raise SettingsError("the trace has no image; give its plan an ImageGrid")
    distances, energies = traced.image_mm2.shape[:2]
    if not (0 <= distance < distances and 0 <= energy < energies):
        raise SettingsError(
            f"distance and energy must be below {distances} and {energies}; "
            f"got {distance} and {energy}"
        )
    photons_mm2 = positive_in(fluence, u.mm**-2, name="fluence")
    photons = traced.image_mm2[distance, energy] * photons_mm2
    kev = traced.energy_kev[energy]
    return FocalImage(
        photons=photons,
        flags=np.zeros(photons.shape, dtype=np.uint8),
        noise_variance=0.0,
        variance_per_photon=1.0,
        pixel_size=traced.plan.image.pixel_mm * u.mm,
        detector_distance=traced.plan.distances_mm[distance] * u.mm,
        live_time=positive_in(live_time, u.s, name="live_time") * u.s,
        energy=kev * u.keV if np.isfinite(kev) else None,
    )
