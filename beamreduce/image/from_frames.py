"""The image in the focal plane from the exposures of one measurement."""

from collections.abc import Sequence
from pathlib import Path

import astropy.units as u
import numpy as np

from beamreduce.beamline.stations import Detector
from beamreduce.campaign.measurement_inputs import CalibratedBy
from beamreduce.frame.exposure_sum import FrameSettings, sum_exposures
from beamreduce.frame.master_set import MasterCache
from beamreduce.frame.photon_scale import variance_per_photon
from beamreduce.image.focal_image import FocalImage, PixelFlag


def calibrate_group(
    group: Sequence[CalibratedBy],
    *,
    folder: Path,
    detector: Detector,
    masters: MasterCache | None = None,
    settings: FrameSettings | None = None,
) -> FocalImage:
    """Read, calibrate and sum the exposures of one measurement.

    Parameters
    ----------
    group
        The exposures with the bias, dark and flat exposures each is calibrated by.
    folder
        Campaign folder.
    detector
        The detector all of them were taken with.
    masters
        Masters of earlier calls, to be used again; None to make them anew.
    settings
        Energy (needed when the exposures have none) and cosmic rays.

    Returns
    -------
    Photons without any correction for the efficiency of the detector or for filters.

    Raises
    ------
    FrameError
        When a frame cannot be read or used; the file is named.
    """
    settings = settings or FrameSettings()
    total = sum_exposures(
        group, folder=folder, detector=detector, cache=masters, settings=settings
    )
    exposures = [item.exposure for item in group]
    energy = settings.energy if settings.energy is not None else exposures[0].energy
    flags = np.zeros(total.photons.shape, dtype=np.uint8)
    flags[total.bad] = PixelFlag.BAD
    flags[total.saturated] = PixelFlag.SATURATED
    photons = total.photons
    photons[flags > 0] = 0.0
    return FocalImage(
        photons=photons,
        flags=flags,
        noise_variance=total.noise_variance,
        variance_per_photon=variance_per_photon(detector, energy),
        pixel_size=detector.pixel_size,
        detector_distance=exposures[0].detector_distance,
        live_time=sum(exposure.live_seconds for exposure in exposures) * u.s,
        energy=energy,
    )
