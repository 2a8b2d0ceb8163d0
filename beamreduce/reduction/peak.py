"""The brightest part of an image against what the detector can take in one frame."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import astropy.units as u
import numpy as np

from beamreduce.campaign import Exposure
from beamreduce.frame import adu_per_photon, read_frame
from beamreduce.image import FocalImage, peak_photons, safe_exposure_time
from beamreduce.reduction.request import MeasureRequest

_SAMPLED_PIXELS = 100_000  # their median knows the pedestal to a fraction of an adu
_SIGMAS = 4.0  # the brightest of some ten thousand core pixels lies about that far up


@dataclass(frozen=True, kw_only=True)
class PeakLevel:
    """How close a frame comes to its limits.

    Parameters
    ----------
    photons_per_frame
        Expected photons a pixel at the peak in one frame; of a counting detector, in
        one of the readouts that are summed in it.
    of_saturation
        Pixel value of the brightest pixel to be expected over the saturation level; None
        for a counting detector.
    safe_seconds
        Longest frame time that would not saturate; None for a counting detector.
    counting
        True for a counting detector.
    """

    photons_per_frame: float
    of_saturation: float | None
    safe_seconds: float | None
    counting: bool

    def as_text(self) -> str:
        """Return one line."""
        once = "readout" if self.counting else "frame"
        photons = f"{self.photons_per_frame:.3g} photons a pixel a {once}"
        if self.of_saturation is None:
            return photons
        return (
            f"{photons}, brightest pixel at {self.of_saturation:.0%} of saturation "
            f"(safe up to {self.safe_seconds:.3g} s a frame)"
        )


def peak_level(request: MeasureRequest, image: FocalImage) -> PeakLevel:
    """Compare the peak of an image with the detector's limits.

    Parameters
    ----------
    request
        The exposures that the image is the sum of; they are taken as alike.
    image
        Their photons.
    """
    with request.naming_errors():
        return _peak_level(request, image)


def readouts_in(exposures: Iterable[Exposure]) -> float:
    """Return how many times a counting detector was read out for some exposures.

    Two photons in a pixel count as one when they come in one readout, however many
    readouts are summed in a file.
    """
    return sum(exposure.readouts or 1.0 for exposure in exposures)


def _peak_level(request: MeasureRequest, image: FocalImage) -> PeakLevel:
    inputs = request.inputs
    beam, detector = inputs.beam, inputs.detector
    peak = peak_photons(image)
    photons = peak / len(beam)
    if not detector.integrating:
        return PeakLevel(
            photons_per_frame=peak / readouts_in(row.exposure for row in beam),
            of_saturation=None,
            safe_seconds=None,
            counting=True,
        )
    longest = max(beam, key=lambda row: row.exposure.exposure_time)
    raw = read_frame(Path(longest.exposure.file), root=request.folder)
    step = max(1, math.isqrt(raw.pixels.size // _SAMPLED_PIXELS))
    pedestal = float(np.nanmedian(raw.pixels[::step, ::step]))
    limit = float(detector.saturation.to_value(u.adu))
    if image.saturated.any():
        of_saturation = 1.0
    else:
        brightest = photons + _SIGMAS * math.sqrt(max(photons, 1.0))
        value = pedestal + brightest * adu_per_photon(detector, inputs.energy)
        of_saturation = value / limit
    safe = safe_exposure_time(
        image,
        detector=detector,
        frame_time=longest.exposure.exposure_time,
        pedestal=pedestal * u.adu,
        peak=peak,
    )
    return PeakLevel(
        photons_per_frame=photons,
        of_saturation=of_saturation,
        safe_seconds=float(safe.to_value(u.s)),
        counting=False,
    )
