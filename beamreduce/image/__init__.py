"""The image in the focal plane, its center and its asymmetry."""

from beamreduce.image.focal_image import FocalImage, PixelFlag

__all__ = ["FocalImage", "PixelFlag"]
