"""The image in the focal plane: from frames, its center, its asymmetry, its limits."""

from beamreduce.image.center import Center, given, largest_radius
from beamreduce.image.filling import fill_bad_pixels, filled_fraction
from beamreduce.image.focal_image import FocalImage, PixelFlag
from beamreduce.image.from_frames import calibrate_group
from beamreduce.image.gaussian_fit import gaussian
from beamreduce.image.photon_mean import centroid
from beamreduce.image.saturation import (
    peak_occupancy,
    peak_photons,
    pedestal_of,
    safe_exposure_time,
)
from beamreduce.image.sectors import Sector, measure_sectors

__all__ = [
    "Center",
    "FocalImage",
    "PixelFlag",
    "Sector",
    "calibrate_group",
    "centroid",
    "fill_bad_pixels",
    "filled_fraction",
    "gaussian",
    "given",
    "largest_radius",
    "measure_sectors",
    "peak_occupancy",
    "peak_photons",
    "pedestal_of",
    "safe_exposure_time",
]
