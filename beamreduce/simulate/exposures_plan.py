"""Which exposures a made campaign has, when each is taken, and what its row says."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import astropy.units as u
import numpy as np

from beamreduce.beamline import Facility
from beamreduce.simulate.scenario_file import Scenario
from beamreduce.simulate.scenario_records import ExposureSet, Line, MonitorAsMade

_READOUT_S = 5.0  # between the end of one exposure and the start of the next


@dataclass(frozen=True, kw_only=True)
class PlannedExposure:
    """One frame to be made.

    Parameters
    ----------
    exposure
        Its id.
    source
        The set it belongs to.
    line
        What the source shines, None where it plays no part.
    strength
        Of the source relative to the line's flux, drift included; 0 without beam.
    time_s
        Exposure time.
    """

    exposure: str
    source: ExposureSet
    line: Line | None
    strength: float
    time_s: float

    @property
    def measurement(self) -> str:
        """Id of the measurement that a beam exposure belongs to."""
        return self.source.name if self.source.grouped else self.exposure

    @property
    def file(self) -> str:
        """Path of the frame below the campaign folder."""
        return f"frames/{self.exposure}.fits"

    @property
    def flux_per_mm2(self) -> float:
        """Photons a mm² at the reference plane during this exposure."""
        if self.line is None:
            return 0.0
        rate = self.line.flux.to_value(u.ph / (u.mm**2 * u.s))
        return rate * self.strength * self.time_s

    @property
    def detected_share(self) -> float:
        """Chance that a photon which arrives is counted: filter and detector."""
        if self.line is None:
            return 1.0
        return self.line.filter_transmission * self.line.detector_efficiency


def plan_exposures(scenario: Scenario) -> tuple[PlannedExposure, ...]:
    """Return all exposures in the order they are taken.

    The source drifts as a sine of time; within one exposure it holds still.
    """
    planned = []
    clock_s = 0.0
    for item in scenario.exposures:
        time_s = item.exposure_time.to_value(u.s)
        digits = max(len(str(item.frames)), 2)
        for number in range(1, item.frames + 1):
            beam = item.kind in ("beam", "direct")
            drift = _drift(scenario.monitor, clock_s + time_s / 2)
            planned.append(
                PlannedExposure(
                    exposure=f"{item.name}_{number:0{digits}d}",
                    source=item,
                    line=scenario.lines.get(item.line),
                    strength=item.strength * drift if beam else 0.0,
                    time_s=time_s,
                )
            )
            clock_s += time_s + _READOUT_S
    return tuple(planned)


def _drift(monitor: MonitorAsMade, at_s: float) -> float:
    phase = 2 * math.pi * at_s / monitor.drift_period.to_value(u.s)
    return 1.0 + monitor.drift * math.sin(phase)


@dataclass(frozen=True, kw_only=True)
class MonitorReading:
    """What the monitor counted during one exposure."""

    counts: float
    time_s: float
    background: float
    dead_time_fraction: float


def read_monitor(
    planned: PlannedExposure,
    facility: Facility,
    monitor: MonitorAsMade,
    rng: np.random.Generator,
) -> MonitorReading | None:
    """Draw what the monitor counts; None when the campaign has no monitor.

    Notes
    -----
    Non-paralysable dead time: the counter sees ``n/(1 + nτ)`` of a rate ``n``
    (Knoll, Radiation Detection and Measurement, chapter 4; from memory).
    """
    if facility.monitor_distance is None or planned.time_s == 0:
        return None
    ratio = facility.source_distance / facility.monitor_distance
    area_mm2 = facility.monitor_area.to_value(u.mm**2)
    shine = planned.flux_per_mm2 * ratio.to_value(u.one) ** 2 * area_mm2
    background = monitor.background_rate.to_value(1 / u.s) * planned.time_s
    expected = shine * (facility.monitor_efficiency or 1.0) + background
    busy = expected / planned.time_s * monitor.dead_time.to_value(u.s)
    return MonitorReading(
        counts=float(rng.poisson(expected / (1 + busy))),
        time_s=planned.time_s,
        background=background,
        dead_time_fraction=busy / (1 + busy),
    )


def exposure_row(
    planned: PlannedExposure, monitor: MonitorReading | None
) -> Mapping[str, object]:
    """Return one row of exposures.ecsv; absent cells are left out."""
    item, line = planned.source, planned.line
    row: dict[str, object] = {
        "exposure": planned.exposure,
        "file": planned.file,
        "kind": item.kind,
        "exposure_time": planned.time_s,
    }
    if line is not None:
        row["energy"] = line.energy.to_value(u.keV)
    if item.detector_distance is not None:
        row["detector_distance"] = item.detector_distance.to_value(u.mm)
    if item.grouped and item.kind in ("beam", "direct", "background"):
        row["group"] = item.name
    if item.kind == "beam":
        row["off_axis"] = item.off_axis_arcmin
        if item.off_axis is not None:
            row["off_axis_by"] = item.off_axis_by
        if item.azimuth is not None:
            row["azimuth"] = item.azimuth_deg
    for name in ("aperture", "background", "comment"):
        if getattr(item, name):
            row[name] = getattr(item, name)
    if monitor is not None:
        row["monitor_counts"] = monitor.counts
        row["monitor_time"] = monitor.time_s
        row["monitor_background"] = monitor.background
        row["monitor_dead_time_fraction"] = monitor.dead_time_fraction
    if item.kind in ("beam", "direct"):
        for name in ("filter_transmission", "detector_efficiency"):
            row[name] = getattr(line, name)
            row[f"{name}_uncertainty"] = getattr(line, f"{name}_uncertainty")
    return row
