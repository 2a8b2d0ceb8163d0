"""The monitor's reading of an exposure, and how the beam drifted by it."""

from collections.abc import Sequence
from dataclasses import replace

import astropy.units as u

from beamreduce.beamline import Facility
from beamreduce.beamline.dead_time import (
    DEAD_TIME_MODELS,
    TRUSTED_LOSS,
    dead_time_fraction,
)
from beamreduce.campaign import Exposure
from beamreduce.campaign.exposure_amount import exposure_amount
from beamreduce.errors import SettingsError


def with_monitor_dead_time(row: Exposure, facility: Facility) -> Exposure:
    """Return a row with the monitor's dead time fraction, worked out where it is absent.

    From ``[facility] monitor_dead_time`` and the rate that the monitor shows; what the
    other model of dead time would say becomes its declared uncertainty. The column stands
    for itself where it is filled.

    Raises
    ------
    SettingsError
        When the monitor shows more than it can with that dead time.
    """
    known = row.monitor_dead_time_fraction is not None
    if known or row.monitor_counts is None or facility.monitor_dead_time is None:
        return row
    seconds = row.exposure_time if row.monitor_time is None else row.monitor_time
    model = facility.monitor_dead_time_model or DEAD_TIME_MODELS[0]
    shown = row.monitor_counts / seconds.to_value(u.s) / u.s
    try:
        lost = dead_time_fraction(shown, facility.monitor_dead_time, model)
    except SettingsError as error:
        raise SettingsError(f"exposure {row.exposure}, monitor: {error}") from None
    declared = {**row.uncertainties, "monitor_dead_time_fraction": lost.model}
    return replace(row, monitor_dead_time_fraction=lost.value, uncertainties=declared)


def amounts_by(rows: Sequence[Exposure]) -> tuple[str, str | None]:
    """Return what exposures are normalised by, and what to note about it.

    Net monitor counts where every row has them, else live time: then the source is taken
    as steady.
    """
    without = [row.exposure for row in rows if row.monitor_counts is None]
    if not without:
        return "monitor", None
    if len(without) == len(rows):
        return "time", "no monitor counts: the source is taken as steady between exposures"
    return "time", (
        f"no monitor counts in {', '.join(without[:4])}{' …' if len(without) > 4 else ''}: "
        f"normalised by live time, the source is taken as steady"
    )


def trust_note(rows: Sequence[Exposure]) -> str | None:
    """Say so when the monitor lost more than models of dead time can be trusted with."""
    lost = {
        row.exposure: row.monitor_dead_time_fraction or 0.0
        for row in rows
        if row.monitor_counts is not None
    }
    worst = max(lost, key=lambda name: lost[name], default=None)
    if worst is None or lost[worst] <= TRUSTED_LOSS:
        return None
    return (
        f"the monitor lost {lost[worst]:.0%} of its counts in {worst}; above "
        f"{TRUSTED_LOSS:.0%} models of dead time differ by more than 0.65 %"
    )


def drift_rows(rows: Sequence[Exposure], facility: Facility) -> list[dict[str, object]]:
    """Return the monitor's net rate in each exposure that has one, in the rows' order.

    Rates are relative to the mean of their kind and energy: the strength of the source is
    often changed between the direct beam and the mirror's.
    """
    found = []
    for place, row in enumerate(rows):
        if row.kind not in ("beam", "direct") or row.monitor_counts is None:
            continue
        whole = with_monitor_dead_time(row, facility)
        amount = exposure_amount(whole, "monitor")
        if not whole.live_seconds > 0 or not amount.value > 0:
            continue
        found.append((place, whole, amount))
    sets: dict[tuple, list[float]] = {}
    for _, row, amount in found:
        sets.setdefault(_set(row), []).append(amount.value / row.live_seconds)
    return [
        {
            "exposure": row.exposure,
            "place": place,
            "kind": row.kind,
            "group": row.group or "",
            "energy_keV": float(row.energy.to_value(u.keV)),
            "rate_per_s": amount.value / row.live_seconds,
            "relative_rate": amount.value
            / row.live_seconds
            / (sum(sets[_set(row)]) / len(sets[_set(row)])),
            "relative_uncertainty": amount.own_variance**0.5 / amount.value,
        }
        for place, row, amount in found
    ]


def _set(row: Exposure) -> tuple[str, float]:
    return row.kind, float(row.energy.to_value(u.keV))
