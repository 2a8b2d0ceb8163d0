"""Which photons reach the detector in one exposure."""

import astropy.units as u
import numpy as np

from beamreduce.simulate.as_made import CampaignAsMade
from beamreduce.simulate.detector_frames import ArrivingPhotons
from beamreduce.simulate.exposures_plan import PlannedExposure
from beamreduce.simulate.focal_light import FocalLight


def arriving_photons(
    made: CampaignAsMade,
    planned: PlannedExposure,
    light: FocalLight | None,
    rng: np.random.Generator,
) -> ArrivingPhotons:
    """Return the photons that the detector absorbs: beam and background.

    Parameters
    ----------
    made
        Facility and detector.
    planned
        The exposure; every number of its photons is a Poisson draw.
    light
        What the mirror lets through in its setting; needed for beam exposures only.
    rng
        Where chance comes from.
    """
    kind = planned.source.kind
    if kind not in ("beam", "direct", "background"):
        return _background(made, 0.0, rng)
    photons = _background(made, planned.time_s, rng)
    if kind == "beam":
        photons = photons.joined(_through_mirror(made, planned, light, rng))
    if kind == "direct":
        photons = photons.joined(_direct(made, planned, rng))
    return photons


def background_rate_per_s(made: CampaignAsMade, place_px: np.ndarray) -> np.ndarray:
    """Return background photons a pixel and second at pixel coordinates, shape (2, n)."""
    background = made.scenario.background
    rows, columns = made.detector.shape
    across = place_px[0] / (columns - 1) - 0.5
    along = place_px[1] / (rows - 1) - 0.5
    slope = background.gradient[0] * across + background.gradient[1] * along
    return background.rate.to_value(1 / u.s) * (1 + slope)


def _through_mirror(
    made: CampaignAsMade,
    planned: PlannedExposure,
    light: FocalLight,
    rng: np.random.Generator,
) -> ArrivingPhotons:
    line = planned.line
    where = made.energy_index(line.name), planned.source.distance_mm
    place_mm = light.draw(planned.flux_per_mm2 * planned.detected_share, where, rng)
    return _all_of(made.detector.to_pixels(place_mm), line.energy.to_value(u.keV))


def _direct(
    made: CampaignAsMade, planned: PlannedExposure, rng: np.random.Generator
) -> ArrivingPhotons:
    """Even light of a far source without a mirror, weaker by the longer way.

    Written out here, so that a reduction is not held against its own formula.
    """
    distance = planned.source.detector_distance
    source = made.setup.facility.source_distance
    fainter = (source / (source + distance)).to_value(u.one) ** 2
    rows, columns = made.detector.shape
    area_mm2 = rows * columns * made.detector.pixel_mm**2
    expected = planned.flux_per_mm2 * fainter * area_mm2 * planned.detected_share
    place_px = _anywhere(made, int(rng.poisson(expected)), rng)
    return _all_of(place_px, planned.line.energy.to_value(u.keV))


def _background(
    made: CampaignAsMade, time_s: float, rng: np.random.Generator
) -> ArrivingPhotons:
    """Draw evenly at the highest rate and keep each photon with its place's share of it."""
    rows, columns = made.detector.shape
    corners = np.array([[0, 0, columns - 1, columns - 1], [0, rows - 1, 0, rows - 1]])
    most = max(float(background_rate_per_s(made, corners).max()), 0.0)
    place_px = _anywhere(made, int(rng.poisson(most * time_s * rows * columns)), rng)
    share = background_rate_per_s(made, place_px) / (most or 1.0)
    kept = place_px[:, rng.random(place_px.shape[1]) < share]
    return _all_of(kept, made.scenario.background.energy.to_value(u.keV))


def _anywhere(made: CampaignAsMade, count: int, rng: np.random.Generator) -> np.ndarray:
    rows, columns = made.detector.shape
    return np.stack(
        [
            rng.uniform(-0.5, columns - 0.5, count),
            rng.uniform(-0.5, rows - 0.5, count),
        ]
    )


def _all_of(place_px: np.ndarray, energy_kev: float) -> ArrivingPhotons:
    return ArrivingPhotons(
        place_px=place_px, energy_kev=np.full(place_px.shape[1], energy_kev)
    )
