"""The two beams whose fluxes are compared: through the mirror, and without it."""

from dataclasses import dataclass

import astropy.units as u

from beamreduce.beamline import Facility, direct_beam_dilution
from beamreduce.campaign import Exposure
from beamreduce.effective_area.readings import Reading
from beamreduce.effective_area.throughput import Throughput
from beamreduce.record import Uncertain


@dataclass(frozen=True, kw_only=True)
class DirectBeam:
    """What the beam is like without the mirror, at one energy.

    Parameters
    ----------
    readings
        One an exposure; their factor is area times ``(L/(L+D))²``, shares left out.
    throughput
        Shares of each.
    counters
        They are counters behind holes, not frames of the image's own detector.
    name
        What tells this beam from others of the campaign.
    """

    readings: tuple[Reading, ...]
    throughput: tuple[Throughput, ...]
    counters: bool
    name: str


@dataclass(frozen=True, kw_only=True)
class FocusedBeam:
    """What comes through the mirror, inside the reference radius.

    Parameters
    ----------
    photons
        Net photons of all exposures together, with their uncertainty.
    readings
        Each exposure for itself; empty where they were not told apart.
    amounts, throughput
        Of each exposure; factors of the readings are 1.
    """

    photons: Uncertain
    readings: tuple[Reading, ...]
    throughput: tuple[Throughput, ...]


def direct_factor(
    row: Exposure, facility: Facility, usable_mm2: float | None = None
) -> float:
    """Return collecting area (mm²) times the beam's dilution from the reference plane.

    Parameters
    ----------
    row
        A direct exposure; a counter says its collecting area and distance itself.
    facility
        Says how far the source is from the reference plane.
    usable_mm2
        Area of a frame that counts.

    Notes
    -----
    ``(L/s)²`` with the source at ``L`` from the reference plane and ``s`` from the
    collecting area, which for a detector behind the mirror is ``L + D``: without the
    mirror the beam goes on spreading.
    """
    if row.is_counter:
        ratio = (facility.source_distance / row.distance_from_source).to_value(u.one)
        return float(row.collecting_area.to_value(u.mm**2)) * float(ratio) ** 2
    return usable_mm2 / direct_beam_dilution(
        source_distance=facility.source_distance, detector_distance=row.detector_distance
    )
