"""The image in the focal plane, its center and its asymmetry."""

from beamreduce.image.center import Center, given
from beamreduce.image.focal_image import FocalImage, PixelFlag
from beamreduce.image.gaussian_fit import gaussian
from beamreduce.image.photon_mean import centroid
from beamreduce.image.sectors import Sector, measure_sectors

__all__ = [
    "Center",
    "FocalImage",
    "PixelFlag",
    "Sector",
    "centroid",
    "gaussian",
    "given",
    "measure_sectors",
]
