"""One row of the exposure table."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import astropy.units as u
from astropy.units import Quantity


@dataclass(frozen=True, kw_only=True)
class Exposure:
    """One exposure: a frame, or a counter's reading; what is absent is None.

    Parameters
    ----------
    exposure
        Its name.
    file
        Frame below the campaign folder; empty for a counter.
    kind
        ``beam``, ``direct``, ``background``, ``dark``, ``bias`` or ``flat``.
    exposure_time
        Seconds, by the clock.
    energy, detector_distance
        Photon energy (keV); detector behind the reference plane (mm).
    group
        Exposures of one kind and group are summed.
    aperture
        Part of the mirror that is open, as written; None when not written.
    off_axis, azimuth, off_axis_by
        Direction of the source from the mirror axis, and what was moved.
    monitor_counts, monitor_time, monitor_background, monitor_dead_time_fraction
        The monitor's reading; background in counts during the same time.
    dead_time_fraction
        Of the detector.
    filter_transmission, detector_efficiency, line_fraction
        Fractions.
    filter
        Names of layers in the beam, separated by blanks; None when not written.
    readouts
        Readouts of a counting detector that are summed in the file; None for one.
    background
        Exposure or group that serves as this one's background.
    detector
        Name of a detector; None for the default one.
    detector_x, detector_y
        Stage (mm).
    pre_collimator
        Whether it was in place.
    temperature
        Degrees Celsius.
    comment
        Text.
    counts, live_time, collecting_area, distance_from_source
        A counter behind a known hole: counts, s, mm², m.
    uncertainties
        Declared standard uncertainties by column.
    unknown
        Cells of columns that the format does not know, as text.
    """

    exposure: str
    file: str
    kind: str
    exposure_time: Quantity
    energy: Quantity | None = None
    detector_distance: Quantity | None = None
    group: str | None = None
    aperture: str | None = None
    off_axis: Quantity = 0 * u.arcmin
    azimuth: Quantity | None = None
    off_axis_by: str | None = None
    monitor_counts: float | None = None
    monitor_time: Quantity | None = None
    monitor_background: float | None = None
    monitor_dead_time_fraction: float | None = None
    dead_time_fraction: float | None = None
    filter_transmission: float | None = None
    detector_efficiency: float | None = None
    line_fraction: float | None = None
    filter: str | None = None
    readouts: float | None = None
    background: str | None = None
    detector: str | None = None
    detector_x: Quantity | None = None
    detector_y: Quantity | None = None
    pre_collimator: bool | None = None
    temperature: Quantity | None = None
    comment: str | None = None
    counts: float | None = None
    live_time: Quantity | None = None
    collecting_area: Quantity | None = None
    distance_from_source: Quantity | None = None
    uncertainties: Mapping[str, Quantity | float] = field(default_factory=dict)
    unknown: Mapping[str, str] = field(default_factory=dict)

    @property
    def is_counter(self) -> bool:
        """True for a counter's reading instead of a frame."""
        return not self.file

    @property
    def live_seconds(self) -> float:
        """Live time in seconds: a counter's own, else exposure time less dead time."""
        if self.live_time is not None and self.is_counter:
            return float(self.live_time.to_value(u.s))
        return float(self.exposure_time.to_value(u.s)) * (
            1 - (self.dead_time_fraction or 0.0)
        )
