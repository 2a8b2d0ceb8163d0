"""Figures: each draws a result it was given on axes it was given, and computes nothing.

Matplotlib is loaded by the first call, not by importing this room.
"""

from beamreduce.figures.encircled_energy import (
    EncircledEnergyArtists,
    GrowthArtists,
    RadialProfileArtists,
    draw_encircled_energy,
    draw_growth,
    draw_radial_profile,
)
from beamreduce.figures.image import NetImageArtists, draw_net_image
from beamreduce.figures.marks import MarkedDiameter, Marks, marks_of, rounded
from beamreduce.figures.style import (
    CURVE_HEIGHT_CM,
    IMAGE_HEIGHT_CM,
    new_figure,
    report_style,
    save_figure,
)

__all__ = [
    "CURVE_HEIGHT_CM",
    "IMAGE_HEIGHT_CM",
    "EncircledEnergyArtists",
    "GrowthArtists",
    "MarkedDiameter",
    "Marks",
    "NetImageArtists",
    "RadialProfileArtists",
    "draw_encircled_energy",
    "draw_growth",
    "draw_net_image",
    "draw_radial_profile",
    "marks_of",
    "new_figure",
    "report_style",
    "rounded",
    "save_figure",
]
