"""How much light one exposure gathered: live time, or what the monitor counted in it."""

import math
from dataclasses import dataclass

import astropy.units as u
from astropy.units import Quantity

from beamreduce.campaign.exposure import Exposure
from beamreduce.errors import MeasurementError

AMOUNTS = ("time", "monitor")


@dataclass(frozen=True, kw_only=True)
class ExposureAmount:
    """Exposure of one row, in seconds or net monitor counts.

    Parameters
    ----------
    value
        The amount.
    variance
        Of counting.
    declared_variance
        Declared by the campaign, independent from row to row.
    systematic
        Declared by the campaign, common to all rows; one standard deviation.
    """

    value: float
    variance: float = 0.0
    declared_variance: float = 0.0
    systematic: float = 0.0

    @property
    def declared(self) -> float:
        """Everything that the campaign declares, one standard deviation."""
        return math.hypot(math.sqrt(self.declared_variance), self.systematic)

    @property
    def own_variance(self) -> float:
        """What is independent from row to row."""
        return self.variance + self.declared_variance


def exposure_amount(row: Exposure, by: str) -> ExposureAmount:
    """Return live time in seconds, or net monitor counts during the live time.

    Raises
    ------
    MeasurementError
        When there is no live time, or no monitor reading where one is wanted.

    Notes
    -----
    Net monitor counts are ``N/(1 − d) − b``, with the dead time fraction ``d`` and the
    background counts ``b`` of the monitor (Knoll, Radiation Detection and Measurement,
    chapter 4; from memory), times live time over ``monitor_time``. Without
    ``monitor_time`` the monitor counted during the whole exposure time.
    """
    return _net_monitor(row) if by == "monitor" else _live_time(row)


def declared_of(row: Exposure, column: str, unit: u.UnitBase = u.one) -> float:
    """Return the declared standard uncertainty of a column, 0 when there is none."""
    value = row.uncertainties.get(column, 0.0)
    return float(value.to_value(unit)) if isinstance(value, Quantity) else float(value)


def _live_time(row: Exposure) -> ExposureAmount:
    seconds = row.live_seconds
    if not seconds > 0:
        raise MeasurementError(
            f"exposure {row.exposure} has no live time; found {seconds:g} s"
        )
    if row.is_counter and row.live_time is not None:
        declared = declared_of(row, "live_time", u.s)
        return ExposureAmount(value=seconds, systematic=declared)
    live_part = 1.0 - (row.dead_time_fraction or 0.0)
    return ExposureAmount(
        value=seconds,
        systematic=math.hypot(
            declared_of(row, "exposure_time", u.s) * live_part,
            declared_of(row, "dead_time_fraction") * seconds / live_part,
        ),
    )


def _net_monitor(row: Exposure) -> ExposureAmount:
    if row.monitor_counts is None:
        raise MeasurementError(
            f"exposure {row.exposure} has no monitor_counts; fill the column in or use "
            f'background_scale = "time"'
        )
    counts = float(row.monitor_counts)
    alive = 1.0 - (row.monitor_dead_time_fraction or 0.0)
    net = counts / alive - (row.monitor_background or 0.0)
    part, part_error = _live_part_of_monitor(row)
    declared = declared_of(row, "monitor_counts")
    counting = 0.0 if declared else counts
    return ExposureAmount(
        value=net * part,
        variance=counting * (part / alive) ** 2,
        declared_variance=(declared / alive * part) ** 2,
        systematic=math.hypot(
            declared_of(row, "monitor_background") * part,
            declared_of(row, "monitor_dead_time_fraction") * counts / alive**2 * part,
            net * part_error,
        ),
    )


def _live_part_of_monitor(row: Exposure) -> tuple[float, float]:
    """Return the detector's live time over the monitor's time, with its uncertainty."""
    if row.monitor_time is None and not (row.is_counter and row.live_time is not None):
        # The exposure time cancels, and with it its uncertainty.
        live_part = 1.0 - (row.dead_time_fraction or 0.0)
        return live_part, declared_of(row, "dead_time_fraction")
    live = _live_time(row)
    watched = row.exposure_time if row.monitor_time is None else row.monitor_time
    seconds = watched.to_value(u.s)
    part = live.value / seconds
    relative = declared_of(row, "monitor_time", u.s) / seconds
    return part, math.hypot(live.systematic / seconds, part * relative)
