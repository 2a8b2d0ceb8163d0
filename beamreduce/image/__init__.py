"""The image in the focal plane, its center and its asymmetry."""

from beamreduce.image.center import Center, centroid, gaussian, given
from beamreduce.image.focal_image import FocalImage, PixelFlag
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
