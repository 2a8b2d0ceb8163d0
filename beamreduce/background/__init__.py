"""Photons that do not come from the image, and how sure that is."""

from beamreduce.background.in_rings import BackgroundRings, background_in_rings
from beamreduce.background.model import Background, Polynomial

__all__ = ["Background", "BackgroundRings", "Polynomial", "background_in_rings"]
