"""The beamline as described beforehand: source, monitor, detector, and where they stand."""

from beamreduce.beamline.charge import LineWidth, electrons_per_photon, line_width
from beamreduce.beamline.geometry import (
    beam_divergence,
    direct_beam_dilution,
    image_distance,
    source_angle,
)
from beamreduce.beamline.stations import Detector, Facility, Layer

__all__ = [
    "Detector",
    "Facility",
    "Layer",
    "LineWidth",
    "beam_divergence",
    "direct_beam_dilution",
    "electrons_per_photon",
    "image_distance",
    "line_width",
    "source_angle",
]
