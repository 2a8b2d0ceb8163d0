"""How much longer, or brighter, the beam exposures are than the beam-off ones."""

import math
from collections.abc import Sequence

from beamreduce.campaign.exposure import Exposure
from beamreduce.campaign.exposure_amount import AMOUNTS, ExposureAmount, exposure_amount
from beamreduce.errors import MeasurementError, SettingsError
from beamreduce.record.uncertain import Uncertain

_LEAST_SIGNIFICANCE = 3.0  # of net monitor counts; with fewer the ratio means nothing


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
    """
    if by not in AMOUNTS:
        raise SettingsError(f'background_scale must be "time" or "monitor"; got {by!r}')
    if not beam or not beam_off:
        raise SettingsError("a background scale needs beam and beam-off exposures")
    above = _total([exposure_amount(row, by) for row in beam])
    below = _total([exposure_amount(row, by) for row in beam_off])
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


def _total(amounts: list[ExposureAmount]) -> ExposureAmount:
    return ExposureAmount(
        value=sum(amount.value for amount in amounts),
        variance=sum(amount.variance for amount in amounts),
        declared_variance=sum(amount.declared_variance for amount in amounts),
        systematic=sum(amount.systematic for amount in amounts),
    )


def _require_beam(total: ExposureAmount, rows: Sequence[Exposure]) -> None:
    sigma = math.hypot(math.sqrt(total.variance), total.declared)
    if total.value <= _LEAST_SIGNIFICANCE * sigma or total.value <= 0:
        names = ", ".join(row.exposure for row in rows)
        raise MeasurementError(
            f"the monitor saw no beam during {names}: {total.value:.4g} net counts with "
            f"an uncertainty of {sigma:.3g}; a background taken with the beam off is "
            f'scaled with background_scale = "time"'
        )
