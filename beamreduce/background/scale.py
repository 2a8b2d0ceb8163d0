"""How much longer, or brighter, the beam exposures are than the beam-off ones."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import astropy.units as u
from astropy.units import Quantity

from beamreduce.campaign.exposure import Exposure
from beamreduce.errors import MeasurementError, SettingsError
from beamreduce.record.uncertain import Uncertain

_LEAST_SIGNIFICANCE = 3.0  # of net monitor counts; with fewer the ratio means nothing


@dataclass(frozen=True, kw_only=True)
class _Amount:
    """Exposure of one row, in seconds or net monitor counts."""

    value: float
    variance: float = 0.0
    declared_variance: float = 0.0  # independent from row to row
    systematic: float = 0.0  # common to all rows

    @property
    def declared(self) -> float:
        """Everything that the campaign declares, one standard deviation."""
        return math.hypot(math.sqrt(self.declared_variance), self.systematic)


def scale_to(
    beam: Sequence[Exposure], beam_off: Sequence[Exposure], *, by: str = "time"
) -> Uncertain:
    """Return the exposure of the beam rows over that of the beam-off rows.

    Parameters
    ----------
    beam, beam_off
        Rows that were summed into the two images.
    by
        ``time``: live time, ``exposure_time·(1 − dead_time_fraction)``. ``monitor``: net
        monitor counts during the live time, for a background that the beam itself makes
        while the mirror is blocked.

    Returns
    -------
    Uncertain
        Statistical: monitor counts. Systematic: declared uncertainties of the columns;
        within each of the two sums they are taken as one common error, between the two
        as independent. A declared uncertainty of monitor_counts stands instead of the
        counting one and is independent from row to row.

    Raises
    ------
    SettingsError
        When ``by`` is neither of the two, or there is no row.
    MeasurementError
        When a row has no monitor counts, or the monitor saw no beam.

    Notes
    -----
    Net monitor counts are ``N/(1 − d) − b``, with the dead time fraction ``d`` and the
    background counts ``b`` of the monitor (Knoll, Radiation Detection and Measurement,
    chapter 4; from memory), times live time over ``monitor_time``. Without
    ``monitor_time`` the monitor counted during the whole exposure time.
    """
    amounts: dict[str, Callable[[Exposure], _Amount]] = {
        "time": _live_time,
        "monitor": _net_monitor,
    }
    if by not in amounts:
        raise SettingsError(f'background_scale must be "time" or "monitor"; got {by!r}')
    if not beam or not beam_off:
        raise SettingsError("a background scale needs beam and beam-off exposures")
    above = _total([amounts[by](row) for row in beam])
    below = _total([amounts[by](row) for row in beam_off])
    if by == "monitor":
        _require_beam(above, beam)
        _require_beam(below, beam_off)
    value = above.value / below.value
    return Uncertain(
        value=value,
        statistical=value
        * math.hypot(
            math.sqrt(above.variance) / above.value, math.sqrt(below.variance) / below.value
        ),
        systematic=value
        * math.hypot(above.declared / above.value, below.declared / below.value),
    )


def _live_time(row: Exposure) -> _Amount:
    seconds = row.live_seconds
    if not seconds > 0:
        raise MeasurementError(
            f"exposure {row.exposure} has no live time; found {seconds:g} s"
        )
    live_part = 1.0 - (row.dead_time_fraction or 0.0)
    return _Amount(
        value=seconds,
        systematic=math.hypot(
            _declared(row, "exposure_time", u.s) * live_part,
            _declared(row, "dead_time_fraction") * seconds / live_part,
        ),
    )


def _net_monitor(row: Exposure) -> _Amount:
    if row.monitor_counts is None:
        raise MeasurementError(
            f"exposure {row.exposure} has no monitor_counts; fill the column in or use "
            f'background_scale = "time"'
        )
    counts = float(row.monitor_counts)
    alive = 1.0 - (row.monitor_dead_time_fraction or 0.0)
    net = counts / alive - (row.monitor_background or 0.0)
    part, part_error = _live_part_of_monitor(row)
    declared = _declared(row, "monitor_counts")
    counting = 0.0 if declared else counts
    return _Amount(
        value=net * part,
        variance=counting * (part / alive) ** 2,
        declared_variance=(declared / alive * part) ** 2,
        systematic=math.hypot(
            _declared(row, "monitor_background") * part,
            _declared(row, "monitor_dead_time_fraction") * counts / alive**2 * part,
            net * part_error,
        ),
    )


def _live_part_of_monitor(row: Exposure) -> tuple[float, float]:
    """Return the detector's live time over the monitor's time, with its uncertainty."""
    if row.monitor_time is None:
        # The exposure time cancels, and with it its uncertainty.
        live_part = 1.0 - (row.dead_time_fraction or 0.0)
        return live_part, _declared(row, "dead_time_fraction")
    live = _live_time(row)
    seconds = row.monitor_time.to_value(u.s)
    part = live.value / seconds
    relative = _declared(row, "monitor_time", u.s) / seconds
    return part, math.hypot(live.systematic / seconds, part * relative)


def _declared(row: Exposure, column: str, unit: u.UnitBase = u.one) -> float:
    """Return the declared standard uncertainty of a column, 0 when there is none."""
    value = row.uncertainties.get(column, 0.0)
    return value.to_value(unit) if isinstance(value, Quantity) else float(value)


def _total(amounts: list[_Amount]) -> _Amount:
    return _Amount(
        value=sum(amount.value for amount in amounts),
        variance=sum(amount.variance for amount in amounts),
        declared_variance=sum(amount.declared_variance for amount in amounts),
        systematic=sum(amount.systematic for amount in amounts),
    )


def _require_beam(total: _Amount, rows: Sequence[Exposure]) -> None:
    sigma = math.hypot(math.sqrt(total.variance), total.declared)
    if total.value <= _LEAST_SIGNIFICANCE * sigma or total.value <= 0:
        names = ", ".join(row.exposure for row in rows)
        raise MeasurementError(
            f"the monitor saw no beam during {names}: {total.value:.4g} net counts with "
            f"an uncertainty of {sigma:.3g}; a background taken with the beam off is "
            f'scaled with background_scale = "time"'
        )
