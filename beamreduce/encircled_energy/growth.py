"""The curve of growth out to the largest circle, and what the background does to it."""

from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.background import BackgroundRings
from beamreduce.errors import MeasurementError
from beamreduce.rings import RingCounts


@dataclass(frozen=True, kw_only=True)
class GrowthCurve:
    """Net photons inside each radius, with the background as found, raised and lowered.

    A background that is right leaves a curve that levels off; one that is too low leaves
    it rising, one that is too high bends it down.

    Parameters
    ----------
    radius
        Radii, shape (n,), a length, out to the largest circle.
    photons
        Net photons inside each radius, shape (n,); every ring scaled to its full area.
    background_uncertainty
        Standard uncertainty of the background photons inside each radius, shape (n,).
    detector_distance
        From the reference plane, to turn lengths into angles.
    """

    radius: Quantity
    photons: np.ndarray
    background_uncertainty: np.ndarray
    detector_distance: Quantity

    @property
    def raised(self) -> np.ndarray:
        """Net photons with the background raised by one standard uncertainty."""
        return self.photons - self.background_uncertainty

    @property
    def lowered(self) -> np.ndarray:
        """Net photons with the background lowered by one standard uncertainty."""
        return self.photons + self.background_uncertainty


def growth_curve(rings: RingCounts, background: BackgroundRings) -> GrowthCurve:
    """Return the curve of growth over all rings, those beyond the reference radius too.

    The background's uncertainty inside a radius joins its own counting noise, the changes
    common to all rings and those of the choice of a model, in quadrature
    (JCGM 100:2008, 5.1, uncorrelated inputs). A common change is summed over the rings
    first, since it moves them together.

    Parameters
    ----------
    rings
        Photons in rings, background still in.
    background
        What of them is background.

    Raises
    ------
    MeasurementError
        When a ring has no usable pixel.
    """
    if np.any(rings.covered_px <= 0):
        empty_mm = rings.radius_mm[rings.covered_px <= 0][0]
        raise MeasurementError(
            f"the ring that ends at {empty_mm:.4g} mm has no usable pixel, so the curve "
            f"of growth ends before it; end the radii there or repeat the exposure"
        )
    scale = rings.area_px / rings.covered_px
    noise = scale[:, None] * background.covariance * scale
    variance = np.cumsum(np.cumsum(noise, axis=0), axis=1).diagonal()
    kinds = (background.modes, background.systematic_modes, background.model_modes)
    for modes in kinds:
        variance = variance + (np.cumsum(modes * scale, axis=1) ** 2).sum(axis=0)
    return GrowthCurve(
        radius=rings.radius_mm * u.mm,
        photons=np.cumsum(scale * (rings.photons - background.photons)),
        background_uncertainty=np.sqrt(np.maximum(variance, 0.0)),
        detector_distance=rings.detector_distance_mm * u.mm,
    )
