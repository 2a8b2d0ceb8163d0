"""Photons that do not come from the image, and how sure that is."""

from beamreduce.background.excess import excess_about_image, excess_of_beam_off
from beamreduce.background.flux_beyond import FluxBeyond, flux_beyond_reference
from beamreduce.background.from_annulus import from_annulus
from beamreduce.background.from_exposure import from_exposure
from beamreduce.background.from_surface import from_surface
from beamreduce.background.from_wings import from_wings
from beamreduce.background.in_rings import BackgroundRings, background_in_rings
from beamreduce.background.model import Background, Polynomial
from beamreduce.background.scale import scale_to
from beamreduce.background.subtract import NetImage, mean_level, subtract
from beamreduce.background.wing_model import WingModel

__all__ = [
    "Background",
    "BackgroundRings",
    "FluxBeyond",
    "NetImage",
    "Polynomial",
    "WingModel",
    "background_in_rings",
    "excess_about_image",
    "excess_of_beam_off",
    "flux_beyond_reference",
    "from_annulus",
    "from_exposure",
    "from_surface",
    "from_wings",
    "mean_level",
    "scale_to",
    "subtract",
]
